"""The allocated clients as frozen arrays: arm, trainer, strata and covariates as numbers.

Allocations of a trial that was allocated elsewhere, from ``records/allocation.csv``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import repeat

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError, DataError, DesignError, Finding
from studykit.protocol.types import Protocol
from studykit.records.nearest import listed
from studykit.records.record_tables import Allocated, Records
from studykit.records.rows import Clients
from studykit.records.schema import CLIENTS
from studykit.results import frozen_array

Integers = NDArray[np.int64]
Floats = NDArray[np.float64]


def label_codes(texts: NDArray[np.object_] | Sequence[str], labels: Sequence[str]) -> Integers:
    """Index of every text among ``labels``, -1 where it is not there.

    Examples
    --------
    >>> label_codes(["b", "x", "a"], ("a", "b")).tolist()
    [1, -1, 0]
    """
    places = {label: place for place, label in enumerate(labels)}
    listed_texts = texts.tolist() if isinstance(texts, np.ndarray) else texts
    return np.array(list(map(places.get, listed_texts, repeat(-1))), dtype=np.int64)


def client_rows(records: Records, protocol: Protocol, allocated: Sequence[Allocated]) -> Clients:
    """All allocated clients, in order of allocation.

    Parameters
    ----------
    records : Records
        Covariates come from the table ``clients``; strata too where ``allocated`` has none.
    protocol : Protocol
    allocated : sequence of Allocated

    Raises
    ------
    ArgumentError
        If a client is allocated twice, or to an arm that the protocol does not have.
    """
    labels = tuple(client.client for client in allocated)
    if len(set(labels)) < len(labels):
        twice = sorted({label for label in labels if labels.count(label) > 1})
        raise ArgumentError(
            where="allocation", expected="each client allocated once", got=f"{', '.join(twice[:5])} twice"
        )
    arm = label_codes([client.arm for client in allocated], protocol.allocated_codes)
    if (arm < 0).any():
        wrong = allocated[int(np.flatnonzero(arm < 0)[0])]
        raise ArgumentError(
            where=f"allocation of client {wrong.client}",
            expected=listed(protocol.allocated_codes),
            got=repr(wrong.arm),
        )
    trainers = _trainer_labels(records, allocated)
    rows = label_codes(labels, tuple(records["clients"].columns["client"]))
    days = [np.datetime64(client.allocated_on or "NaT", "D") for client in allocated]
    return Clients(
        labels,
        frozen_array(arm),
        protocol.allocated_codes,
        frozen_array(label_codes([client.trainer for client in allocated], trainers)),
        trainers,
        _factors(records, protocol, allocated, rows),
        _covariates(records, protocol, rows),
        frozen_array(days, "datetime64[D]"),
    )


def _trainer_labels(records: Records, allocated: Sequence[Allocated]) -> tuple[str, ...]:
    """Trainers recorded before allocation, then those who only stood in."""
    recorded = sorted({client.trainer for client in allocated} - {""})
    others = set(records["sessions"].columns["trainer"]) - {"", *recorded}
    return (*recorded, *sorted(others))


def _factors(
    records: Records, protocol: Protocol, allocated: Sequence[Allocated], rows: Integers
) -> tuple[tuple[str, Integers, tuple[str, ...]], ...]:
    """Strata, then covariates whose values are words: both enter an analysis as levels."""
    found = []
    for stratum in protocol.strata:
        if stratum.code == "trainer":
            continue
        own = _client_column(records, stratum.code, rows)
        texts = [
            client.factors.get(stratum.code) or text for client, text in zip(allocated, own, strict=True)
        ]
        found.append(_levels(stratum.code, texts, stratum.levels))
    known = {stratum.code for stratum in protocol.strata}
    for code in _further_facts(protocol, known):
        if not _is_number(records, code):
            column = next((column for column in CLIENTS.columns if column.name == code), None)
            found.append(_levels(code, _client_column(records, code, rows), column.choices if column else ()))
    return tuple(found)


def _levels(
    name: str, texts: Sequence[str], levels: tuple[str, ...]
) -> tuple[str, Integers, tuple[str, ...]]:
    labels = levels or tuple(sorted(set(texts) - {""}))
    return name, frozen_array(label_codes(texts, labels)), labels


def _covariates(records: Records, protocol: Protocol, rows: Integers) -> tuple[tuple[str, Floats], ...]:
    known = {stratum.code for stratum in protocol.strata}
    found = []
    for code in _further_facts(protocol, known):
        if _is_number(records, code):
            column = records["clients"].columns[code]
            values = np.append(column.astype(float), np.nan)[rows]
            found.append((code, frozen_array(values, float)))
    return tuple(found)


def _further_facts(protocol: Protocol, known: set[str]) -> list[str]:
    return [code for code in protocol.analysis.adjust_for if code not in known and code != "trainer"]


def _is_number(records: Records, code: str) -> bool:
    columns: Mapping[str, NDArray[np.generic]] = records["clients"].columns
    return code in columns and columns[code].dtype.kind == "f"


def _client_column(records: Records, code: str, rows: Integers) -> list[str]:
    """Texts of a column of ``clients`` for the allocated clients, ``""`` where there is none."""
    column = records["clients"].columns.get(code)
    if column is None or column.dtype.kind != "O":
        return [""] * rows.size
    texts = column.tolist()
    return [texts[row] if row >= 0 else "" for row in rows.tolist()]


def allocated_from_records(records: Records, protocol: Protocol) -> tuple[Allocated, ...]:
    """The clients of ``allocation.csv``, in order of the day of allocation where all have one.

    Parameters
    ----------
    records : Records
    protocol : Protocol
        With ``allocation = "external"``.

    Raises
    ------
    DesignError
        If the protocol allocates by itself: the arms are then in the ledger, nowhere else.
    DataError
        If there is no allocation, or an arm that the protocol does not have.
    """
    if not protocol.is_external:
        raise DesignError(
            where="records/allocation.csv",
            expected='a protocol with allocation = "external"',
            got="one that allocates by itself",
            todo="The arms are in the ledger; remove the file.",
        )
    table = records["allocation"]
    columns = table.columns
    wrong = np.flatnonzero(label_codes(columns["arm"], protocol.allocated_codes) < 0)
    findings = [
        Finding("stop", f"{table.where}, row {table.row_numbers[row]}, column arm",
                listed(protocol.allocated_codes), repr(columns["arm"][row]), "Correct the arm.")
        for row in wrong
    ]  # fmt: skip
    if not table.number:
        stops = [finding for finding in records.findings if finding.severity == "stop"]
        findings = [finding for finding in stops if "allocation" in finding.where] or [
            Finding("stop", "records/allocation.csv", "a row for each allocated client", "none",
                    "Write client and arm of every client there.")
        ]  # fmt: skip
    if findings:
        raise DataError(findings)
    dates = columns["date"]
    order = np.argsort(dates, kind="stable") if not np.isnat(dates).any() else np.arange(table.number)
    facts = _facts(records, protocol)
    found = []
    for row in order.tolist():
        client = str(columns["client"][row])
        own = facts.get(client, {})
        day = None if np.isnat(dates[row]) else dates[row].astype(object)
        factors = {stratum.code: own.get(stratum.code, "") for stratum in protocol.strata}
        found.append(Allocated(client, str(columns["arm"][row]), day, own.get("trainer", ""), factors))
    return tuple(found)


def _facts(records: Records, protocol: Protocol) -> dict[str, dict[str, str]]:
    """Trainer and strata of every client, from the table ``clients``."""
    columns = records["clients"].columns
    names = {"trainer", *(stratum.code for stratum in protocol.strata)} & set(columns)
    return {
        str(client): {name: str(columns[name][row]) for name in names if columns[name].dtype.kind == "O"}
        for row, client in enumerate(columns["client"])
    }
