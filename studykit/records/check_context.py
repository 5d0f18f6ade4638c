"""What the checks across tables look at, and how they name a place."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from studykit.errors import Finding, Severity
from studykit.protocol.types import Protocol
from studykit.records.record_tables import Allocated, Records, RecordTable

Days = NDArray[np.datetime64]
NO_DAY = np.datetime64("NaT", "D")


@dataclass(frozen=True)
class Scene:
    """Records beside the protocol and the allocations."""

    records: Records
    protocol: Protocol
    allocated: tuple[Allocated, ...]
    today: dt.date | None

    @cached_property
    def allocated_on(self) -> dict[str, np.datetime64]:
        """Day of allocation of every allocated client."""
        return {client.client: np.datetime64(client.allocated_on or "NaT", "D") for client in self.allocated}

    @cached_property
    def consented_on(self) -> dict[str, np.datetime64]:
        """Day of consent, where it is recorded."""
        columns = self.records["screening"].columns
        return {
            client: day
            for client, day in zip(columns["client"], columns["consent_date"], strict=True)
            if not np.isnat(day)
        }

    def since(self, table: RecordTable, column: str, days: dict[str, np.datetime64]) -> NDArray[np.float64]:
        """Days from each client's day in ``days`` to the date of each row; ``nan`` where not known."""
        start = np.array([days.get(client, NO_DAY) for client in table.columns["client"]], "datetime64[D]")
        gap = table.columns[column] - start
        return np.where(np.isnat(gap), np.nan, gap.astype("timedelta64[D]").astype(float))


def place(table: RecordTable, row: int, column: str = "") -> str:
    """The place of a cell or a row, as a person would look it up."""
    return f"{table.where}, row {table.row_numbers[row]}" + (f", column {column}" if column else "")


def first_of(
    severity: Severity,
    table: RecordTable,
    rows: Sequence[int],
    *,
    column: str,
    expected: str,
    got: str,
    todo: str = "",
) -> Finding:
    """One finding for rows of one kind: the first is named, the others are counted."""
    others = len(rows) - 1
    more = f" (and {others} more row{'s' * (others > 1)} like it)" if others else ""
    return Finding(severity, place(table, rows[0], column), expected, got + more, todo)


def rows_by_value(table: RecordTable, column: str, rows: Sequence[int]) -> dict[str, list[int]]:
    """Rows of each value of a column, in order of first appearance."""
    found: dict[str, list[int]] = {}
    for row in rows:
        found.setdefault(str(table.columns[column][row]), []).append(int(row))
    return found


def listing(codes: Sequence[str], *, most: int = 5) -> str:
    """The first codes, for a message.

    Examples
    --------
    >>> listing(["C01", "C02"]), listing(["C01", "C02", "C03"], most=2)
    ('C01, C02', 'C01, C02, …')
    """
    return ", ".join(codes[:most]) + (", …" if len(codes) > most else "")
