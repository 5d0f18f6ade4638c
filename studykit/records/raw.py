"""A table as it stands in a file: texts only, with the place of every cell."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from studykit.records.cells import Trouble

_GUARDED = re.compile(r"'+[=+\-@\t\r]")


@dataclass(frozen=True, slots=True)
class RawTable:
    """Cells as texts, blanks included, before anything is understood.

    Parameters
    ----------
    name : str
        Table name of the schema.
    where : str
        File, and sheet of a workbook.
    header : tuple of str
        First row, as written.
    rows : tuple of tuple of str
        Every further row that is not blank, each as long as the header.
    row_numbers : tuple of int
        Row in the file; the header is row 1.
    lettered : bool
        Whether columns have letters (workbooks).
    troubles : mapping of (int, int) to Trouble
        Cells, by index of row and column, that cannot be read whatever their column.
    """

    name: str
    where: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    row_numbers: tuple[int, ...]
    lettered: bool = False
    troubles: Mapping[tuple[int, int], Trouble] = field(default_factory=dict)

    def place(self, row: int, column: int, name: str) -> str:
        """The place of one cell, as a person would look it up."""
        letter = f" ({column_letter(column)})" if self.lettered else ""
        return f"{self.where}, row {self.row_numbers[row]}, column {name}{letter}"


def column_letter(index: int) -> str:
    """Letter of a column in a workbook, counted from 0.

    Examples
    --------
    >>> column_letter(0), column_letter(25), column_letter(27)
    ('A', 'Z', 'AB')
    """
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def guarded(text: str) -> str:
    """The text as a cell that no spreadsheet program runs as a formula.

    Examples
    --------
    >>> guarded("=SUM(A1)"), guarded("plain"), unguarded(guarded("'=x"))
    ("'=SUM(A1)", 'plain', "'=x")
    """
    return f"'{text}" if re.match(r"'*[=+\-@\t\r]", text) else text


def unguarded(text: str) -> str:
    """The text without the mark that `guarded` put before it."""
    return text[1:] if _GUARDED.match(text) else text
