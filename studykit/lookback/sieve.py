"""Rows of an export on their way: which are left out and why, and what was noticed of those that stay."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from studykit.errors import Severity
from studykit.lookback.export_tables import ExportTable
from studykit.lookback.log import Integers, NoticedRows
from studykit.records.raw_table import RawColumn
from studykit.results import RowCount, frozen_array

Flags = NDArray[np.bool_]
Got = str | Callable[[Flags], str]


@dataclass(slots=True)
class Sieve:
    """The rows of one table; a row is left out once, for the first reason that holds.

    Parameters
    ----------
    table : ExportTable
    """

    table: ExportTable
    kept: Flags = field(init=False)
    noticed: list[NoticedRows] = field(init=False)

    def __post_init__(self) -> None:
        self.kept = np.ones(self.table.rows, dtype=bool)
        self.noticed = list(self.table.noticed)

    def column(self, index: int) -> RawColumn:
        """One column of the table."""
        return self.table.columns[index]

    def where(self, index: int | None) -> str:
        """Place of a column."""
        return self.table.where if index is None else f"{self.table.where}, column {self.table.header[index]}"

    def shown(self, index: int, rows: Flags) -> str:
        """What stands in the first of some rows."""
        first = int(np.flatnonzero(rows)[0])
        column = self.column(index)
        return repr(column.texts[int(column.place[first])])

    def leave_out(
        self, rows: Flags, reason: str, *, index: int | None = None, severity: Severity = "stop",
        expected: str = "", got: Got = "", todo: str = "",
    ) -> None:  # fmt: skip
        """Leave rows out, with one finding for all of them; ``got`` may depend on the rows of a sheet."""
        rows = rows & self.kept
        if not rows.any():
            return
        self.kept &= ~rows
        self._add(rows, reason, False, index, severity, (expected, got, todo))

    def notice(
        self, rows: Flags, reason: str, *, index: int | None = None, severity: Severity = "warn",
        expected: str = "", got: Got = "", todo: str = "",
    ) -> None:  # fmt: skip
        """Point at rows that are used all the same."""
        rows = rows & self.kept
        if rows.any():
            self._add(rows, reason, True, index, severity, (expected, got, todo))

    def _add(
        self,
        rows: Flags,
        reason: str,
        used: bool,
        index: int | None,
        severity: Severity,
        said: tuple[str, Got, str],
    ) -> None:
        expected, got, todo = said
        for where, part in self.table.parts():
            numbers = frozen_array(self.table.row_numbers[part][rows[part]], np.int64)
            if not len(numbers):
                continue
            here = np.zeros_like(rows)
            here[part] = rows[part]
            shown = got if isinstance(got, str) else got(here)
            if not shown and index is not None:
                shown = self.shown(index, here)
            place = where if index is None else f"{where}, column {self.table.header[index]}"
            self.noticed.append(NoticedRows(reason, numbers, used, place, severity, expected, shown, todo))

    def count(self) -> RowCount:
        """Rows supplied, used and left out by reason."""
        left_out: dict[str, int] = {}
        for item in self.noticed:
            if not item.used:
                left_out[item.reason] = left_out.get(item.reason, 0) + len(item.rows)
        supplied = self.table.rows + sum(len(item.rows) for item in self.table.noticed if not item.used)
        return RowCount(supplied, int(self.kept.sum()), tuple(left_out.items()))


def in_rows(column: RawColumn, by_text: Integers) -> Integers:
    """Values by text spread over the rows."""
    return np.asarray(by_text[column.place], dtype=np.int64)
