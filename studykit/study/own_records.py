"""Reading an earlier study's folder, or a bare folder of records, for planning."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from studykit.errors import ArgumentError, Finding, FolderError
from studykit.planning.from_records import OwnFigures, figures_from_rows
from studykit.protocol.types import Protocol
from studykit.records.derive import derive_rows
from studykit.records.reading import read_records
from studykit.records.tables import Allocated, Records
from studykit.study.making import PROTOCOL, RECORDS


def own_figures(folder: Path, protocol: Protocol) -> tuple[OwnFigures, tuple[Finding, ...]]:
    """Planning figures from records, and what must be known of them.

    Parameters
    ----------
    folder : Path
        A study's folder, whose own protocol and allocation dates then count, or a folder of record tables.
    protocol : Protocol
        What is planned; its visits and outcomes are looked for.

    Raises
    ------
    FolderError
        If the folder is not there.
    ArgumentError
        If ``clients.csv`` is missing, or nothing can be estimated.
    """
    records, allocated = _read(Path(folder), protocol)
    if not allocated:
        raise ArgumentError(
            where=str(folder),
            expected="clients.csv with the clients' codes",
            got="no client",
            todo="Without clients there is nothing to estimate: point to the folder that holds the tables.",
        )
    rows, _ = derive_rows(records, protocol, allocated)
    found = figures_from_rows(protocol, rows, source=f"your own records, {Path(folder).resolve().name}")
    stops = sum(finding.severity == "stop" for finding in records.findings)
    notes = [Finding("note", "your own records", "every figure", remark, "") for remark in found.remarks]
    if stops:
        notes.insert(
            0,
            Finding(
                "warn", "your own records", "rows that can be read", f"{stops} rows that cannot",
                "They are left out of the figures; studykit check on that folder names them.",
            ),
        )  # fmt: skip
    return found, tuple(notes)


def _read(folder: Path, protocol: Protocol) -> tuple[Records, tuple[Allocated, ...]]:
    """Records and clients; day 0 is the allocation where there was one, else the first day seen."""
    from studykit.study.study import Study

    if not folder.is_dir():
        raise FolderError(
            where=str(folder), expected="a folder with record tables", got="nothing of that name",
            todo="Give an earlier study's folder, or one with clients.csv, strength.csv, sessions.csv.",
        )  # fmt: skip
    tables = folder / RECORDS if (folder / RECORDS).is_dir() else folder
    records = read_records(tables, protocol=protocol)
    if (folder / PROTOCOL).is_file():
        study = Study.open(folder)
        given = {client.client: client for client in study.allocated()}
        if given:
            arm = protocol.reference_arm.code
            return records, tuple(
                Allocated(own.client, arm, own.allocated_on, own.trainer, own.factors)
                for own in given.values()
            )
    return records, _unallocated(records, protocol)


def _unallocated(records: Records, protocol: Protocol) -> tuple[Allocated, ...]:
    """Clients of records without allocation, all in the reference arm, from the first day each was seen."""
    first: dict[str, dt.date] = {}
    for name, whose in (("sessions", "client"), ("strength", "client"), ("measurements", "client")):
        columns = records[name].columns
        for client, day in zip(columns[whose], columns["date"], strict=True):
            seen = day.astype(object)
            if seen is not None and (client not in first or seen < first[client]):
                first[client] = seen
    clients = records["clients"].columns
    codes = [stratum.code for stratum in protocol.strata]
    return tuple(
        Allocated(
            client=str(client),
            arm=protocol.reference_arm.code,
            allocated_on=first.get(str(client)),
            trainer=str(clients["trainer"][place]),
            factors={code: str(clients[code][place]) for code in codes if code in clients},
        )
        for place, client in enumerate(clients["client"])
    )
