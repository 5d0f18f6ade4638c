"""Typed records: what a reader (or a simulation) hands to the derivation of rows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError, Finding
from studykit.records.schema import TABLES, table
from studykit.results import Result, frozen_array


@dataclass(frozen=True, slots=True)
class RecordTable(Result):
    """One table, typed column by column.

    Parameters
    ----------
    name : str
        As in `studykit.records.schema`.
    where : str
        The place to name in a finding, e.g. ``records/strength.csv``.
    columns : mapping of str to ndarray, each of shape (rows,)
        Text, code and choice columns: object arrays of str, ``""`` where empty. Dates:
        ``datetime64[D]``, ``NaT`` where empty. Numbers and whole numbers: float, ``nan`` where empty.
        Yes/no: float 1, 0 or ``nan``. A column of the schema that the file lacks is present and empty.
    row_numbers : ndarray of int, shape (rows,)
        Row in the file; the header is row 1.
    """

    name: str
    where: str
    columns: Mapping[str, NDArray[Any]]
    row_numbers: NDArray[np.int64]

    @property
    def number(self) -> int:
        """Rows in the table."""
        return int(self.row_numbers.size)


@dataclass(frozen=True, slots=True)
class Records(Result):
    """All tables of a study folder; a table without a file is present and empty.

    Parameters
    ----------
    tables : mapping of str to RecordTable
    findings : tuple of Finding
        Everything noticed on reading; rows with a ``stop`` finding are not in the tables.
    hashes : tuple of (str, str)
        File and SHA-256 of its bytes.
    unread_clients : frozenset of str
        Clients whose row in ``clients`` or ``screening`` has a ``stop`` finding: known, though not
        in the table.
    unread : bool
        Whether nothing was read at all: the workbook is damaged, or stands beside other tables.
    there : mapping of str to (int, tuple of str)
        Rows, and columns of the schema or the protocol, of every table that has a file or sheet.
    """

    tables: Mapping[str, RecordTable]
    findings: tuple[Finding, ...]
    hashes: tuple[tuple[str, str], ...]
    unread_clients: frozenset[str] = frozenset()
    unread: bool = False
    there: Mapping[str, tuple[int, tuple[str, ...]]] = field(default_factory=dict)

    def __getitem__(self, name: str) -> RecordTable:
        return self.tables[name]


@dataclass(frozen=True, slots=True)
class Allocated(Result):
    """One allocated client, with the facts fixed at allocation."""

    client: str
    arm: str
    allocated_on: dt.date | None
    trainer: str
    factors: Mapping[str, str]  # stratifiers of the protocol, the trainer among them if it is one
    withdrawn: Mapping[str, dt.date] = field(default_factory=dict)  # touch, consent, data: the day of each


_EMPTY: Mapping[str, Any] = {
    "date": np.datetime64("NaT", "D"),
    "number": np.nan,
    "whole": np.nan,
    "yes_no": np.nan,
}
_DTYPES: Mapping[str, Any] = {"date": "datetime64[D]", "number": float, "whole": float, "yes_no": float}


def typed_column(kind: str, values: Sequence[Any]) -> NDArray[Any]:
    """One column of a `RecordTable`, read-only; ``None`` and ``""`` are empty.

    Parameters
    ----------
    kind : str
        Kind of the schema's column.
    values : sequence
        Texts, numbers or dates; for ``yes_no`` also ``"yes"``, ``"no"``, true and false.

    Examples
    --------
    >>> typed_column("yes_no", ["yes", "", "no"])
    array([ 1., nan,  0.])
    """
    words = {"yes": 1.0, "no": 0.0}
    empty = _EMPTY.get(kind, "")
    filled = [empty if value is None or (isinstance(value, str) and not value) else value for value in values]
    if kind == "yes_no":
        filled = [words.get(value, value) if isinstance(value, str) else value for value in filled]
    column = np.empty(len(filled), dtype=_DTYPES.get(kind, object))
    column[:] = filled
    column.setflags(write=False)
    return column


def record_table(
    name: str,
    columns: Mapping[str, Sequence[Any]] | None = None,
    *,
    where: str = "",
    row_numbers: Sequence[int] | None = None,
) -> RecordTable:
    """A typed table from columns, those of the schema that are not given being empty.

    Parameters
    ----------
    name : str
        As in `studykit.records.schema`.
    columns : mapping of str to sequence
        Columns of the schema by name; further columns are kept as they are given (numbers as numbers,
        anything else as text).
    where : str
        The place to name in findings; by default ``records/`` and the file name.
    row_numbers : sequence of int
        Rows in the file; by default from row 2.

    Raises
    ------
    ArgumentError
        If columns have different lengths.

    Examples
    --------
    >>> table = record_table("pauses", {"client": ["C01"], "first_day": [dt.date(2026, 3, 2)]})
    >>> table.number, table.columns["last_day"]
    (1, array(['NaT'], dtype='datetime64[D]'))
    """
    given = columns or {}
    lengths = {len(values) for values in given.values()}
    if len(lengths) > 1:
        raise ArgumentError(
            where=f"table {name}", expected="columns of one length", got=", ".join(map(str, sorted(lengths)))
        )
    size = lengths.pop() if lengths else 0
    schema = {column.name: column.kind for column in table(name).columns}
    typed = {column: typed_column(kind, given.get(column, [None] * size)) for column, kind in schema.items()}
    for column, values in given.items():
        if column not in schema:
            typed[column] = typed_column("number" if _numeric(values) else "text", values)
    numbers = frozen_array(range(2, size + 2) if row_numbers is None else row_numbers, np.int64)
    return RecordTable(name, where or f"records/{name}.csv", MappingProxyType(typed), numbers)


def _numeric(values: Sequence[Any]) -> bool:
    """Whether there are numbers, and nothing but numbers and empty cells."""
    filled = [value for value in values if value is not None]
    return bool(filled) and all(isinstance(value, int | float | np.number) for value in filled)


def records_of(
    tables: Iterable[RecordTable] = (),
    *,
    findings: Sequence[Finding] = (),
    hashes: Sequence[tuple[str, str]] = (),
    unread_clients: Iterable[str] = (),
    unread: bool = False,
    there: Mapping[str, tuple[int, tuple[str, ...]]] | None = None,
) -> Records:
    """All tables of a study; those that are not given are there and empty.

    Examples
    --------
    >>> records_of()["strength"].number
    0
    """
    given = {entry.name: entry for entry in tables}
    whole = {entry.name: given.get(entry.name) or record_table(entry.name) for entry in TABLES}
    clients = frozenset(unread_clients)
    return Records(MappingProxyType(whole), tuple(findings), tuple(hashes), clients, unread, there or {})
