"""Typed records: what a reader (or a simulation) hands to the derivation of rows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.errors import Finding


@dataclass(frozen=True, slots=True)
class RecordTable:
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
class Records:
    """All tables of a study folder; a table without a file is present and empty.

    Parameters
    ----------
    tables : mapping of str to RecordTable
    findings : tuple of Finding
        Everything noticed on reading; rows with a ``stop`` finding are not in the tables.
    hashes : tuple of (str, str)
        File and SHA-256 of its bytes.
    """

    tables: Mapping[str, RecordTable]
    findings: tuple[Finding, ...]
    hashes: tuple[tuple[str, str], ...]

    def __getitem__(self, name: str) -> RecordTable:
        return self.tables[name]


@dataclass(frozen=True, slots=True)
class Allocated:
    """One allocated client, with the facts fixed at allocation."""

    client: str
    arm: str
    allocated_on: dt.date | None
    trainer: str
    factors: Mapping[str, str]  # stratifiers of the protocol, the trainer among them if it is one
