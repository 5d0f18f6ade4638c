"""Planning as the facade does it: from assumptions or own records, then tried out on simulated studies."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.errors import ArgumentError, Finding, FolderError
from studykit.study.checking import stop_on
from studykit.study.snapshot import PROTOCOL, RECORDS, Snapshot, read_study

if TYPE_CHECKING:
    from studykit.planning.from_records import OwnFigures
    from studykit.planning.plan import Plan
    from studykit.planning.simulated_plan import Stage
    from studykit.planning.simulation_work import Workers
    from studykit.protocol.types import Protocol
    from studykit.records.record_tables import Allocated, Records


def plan(now: Snapshot, *, clients: int | None, pilot: bool, from_records: str | Path | None = None) -> Plan:
    """What a study can and cannot tell.

    Parameters
    ----------
    now : Snapshot
    clients : int, optional
        In all arms together, if not as the protocol plans.
    pilot : bool
        Whether a pilot study is planned beside it.
    from_records : str or Path, optional
        An earlier study's folder, or a folder of record tables, whose figures replace assumptions.

    Raises
    ------
    ProtocolError
        If the protocol has findings that stop the work.
    FolderError, ArgumentError
        If there are no such records, or nothing can be estimated from them.
    """
    from studykit.planning.plan import plan_study

    stop_on(now.read)
    if from_records is None:
        return plan_study(now.protocol, clients=clients, pilot=pilot, enrolled=len(now.allocations))
    found, notes = own_figures(Path(from_records), now.protocol)
    planned = plan_study(
        found.plugged_into(now.protocol), clients=clients, pilot=pilot, enrolled=len(now.allocations)
    )
    return replace(planned, own_figures=found, findings=(*notes, *planned.findings))


def simulate(
    protocol: Protocol, planned: Plan, *, trials: int, seed: int, workers: Workers, stage: Stage | None
) -> Plan:
    """The same plan with what simulated studies say of it.

    Parameters
    ----------
    protocol : Protocol
    planned : Plan
        Of this protocol; its own figures, if it has any, are assumed.
    trials : int
        Studies of the planned size.
    seed : int
    workers : int or str
        Processes, or the address of a Dask scheduler.
    stage : callable or None
        Is told how far the work is.
    """
    from studykit.planning.simulated_plan import simulate_plan

    own = planned.own_figures
    found = simulate_plan(
        protocol if own is None else own.plugged_into(protocol),
        clients=planned.clients,
        trials=trials,
        seed=seed,
        workers=workers,
        stage=stage,
    )
    return replace(planned, simulated=found)


# --- figures of one's own records ---------------------------------------------------------------


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
    from studykit.planning.from_records import figures_from_rows
    from studykit.records.derive import derive_rows

    records, allocated = _read(folder, protocol)
    if not allocated:
        raise ArgumentError(
            where=str(folder),
            expected="clients.csv with the clients' codes",
            got="no client",
            todo="Without clients there is nothing to estimate: point to the folder that holds the tables.",
        )
    rows, _ = derive_rows(records, protocol, allocated)
    found = figures_from_rows(protocol, rows, source=f"your own records, {folder.resolve().name}")
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
    from studykit.records.reading import read_records
    from studykit.records.record_tables import Allocated

    if not folder.is_dir():
        raise FolderError(
            where=str(folder), expected="a folder with record tables", got="nothing of that name",
            todo="Give an earlier study's folder, or one with clients.csv, strength.csv, sessions.csv.",
        )  # fmt: skip
    tables = folder / RECORDS if (folder / RECORDS).is_dir() else folder
    records = read_records(tables, protocol=protocol)
    if (folder / PROTOCOL).is_file():
        given = {client.client: client for client in read_study(folder)[0].allocated}
        if given:
            arm = protocol.reference_arm.code
            return records, tuple(
                Allocated(own.client, arm, own.allocated_on, own.trainer, own.factors)
                for own in given.values()
            )
    return records, _unallocated(records, protocol)


def _unallocated(records: Records, protocol: Protocol) -> tuple[Allocated, ...]:
    """Clients of records without allocation, all in the reference arm, from the first day each was seen."""
    from studykit.records.record_tables import Allocated

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
