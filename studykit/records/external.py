"""Allocations of a trial that was allocated elsewhere, from ``records/allocation.csv``."""

from __future__ import annotations

import numpy as np

from studykit.errors import DataError, DesignError, Finding
from studykit.protocol.types import Protocol
from studykit.records.client_rows import label_codes
from studykit.records.nearest import listed
from studykit.records.tables import Allocated, Records


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
