"""Tables as they stand in a file: texts only, with the place of every cell; and CSV files.

Those of a study's own folder have to be UTF-8 with commas or semicolons; exports of other programs may have
tabs, bars and older encodings. Every column is kept as the different texts in it and which row has which: an
export has many rows and few different texts, so that each is understood once.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from studykit.errors import Finding
from studykit.records.cells import Trouble
from studykit.records.schema import Table
from studykit.results import frozen_array

_GUARDED = re.compile(r"'+[=+\-@\t\r]")
_SAVE_AS = 'Save it again as "CSV UTF-8".'
_MARKS = (b"\xff\xfe", b"\xfe\xff")
_DELIMITERS = (",", ";", "\t", "|")
_END_OF_FILE = "\x1c"  # a row of its own behind the last one: inside a cell where a quotation mark stays open


@dataclass(frozen=True, slots=True, eq=False)
class RawColumn:
    """One column: ``texts[place[row]]`` is what stands in a row.

    Parameters
    ----------
    place : ndarray of int, shape (rows,)
    texts : tuple of str
        Every text that occurs, once.
    """

    place: NDArray[np.int32]
    texts: tuple[str, ...]

    @property
    def filled(self) -> NDArray[np.bool_]:
        """Rows in which something stands, shape (rows,)."""
        return self.of_rows([bool(text.strip()) for text in self.texts])

    def of_rows(self, of_texts: list[bool]) -> NDArray[np.bool_]:
        """What holds for each text, spread over the rows."""
        return np.array(of_texts, dtype=bool)[self.place]

    def cells(self) -> list[str]:
        """The text of every row."""
        return [self.texts[place] for place in self.place.tolist()]

    def trimmed(self) -> RawColumn:
        """Without blanks around texts and the mark of `guarded`; sorted."""
        written = [unguarded(text.strip()) for text in self.texts]
        texts = sorted(set(written))
        moved = np.array([*map({text: at for at, text in enumerate(texts)}.get, written)], dtype=np.int32)
        return RawColumn(frozen_array(moved[self.place], np.int32), tuple(texts))

    def select(self, rows: NDArray[np.bool_]) -> RawColumn:
        """Some rows, with the texts that occur there."""
        used, place = np.unique(self.place[rows], return_inverse=True)
        return RawColumn(frozen_array(place, np.int32), tuple(self.texts[at] for at in used.tolist()))


@dataclass(frozen=True, slots=True, eq=False)
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
    columns : tuple of RawColumn
        One for each cell of the header, of every further row that is not blank.
    row_numbers : ndarray of int, shape (rows,)
        Row in the file; the header is row 1.
    lettered : bool
        Whether columns have letters (workbooks).
    troubles : mapping of (int, int) to Trouble
        Cells, by index of row and column, that cannot be read whatever their column.
    """

    name: str
    where: str
    header: tuple[str, ...]
    columns: tuple[RawColumn, ...]
    row_numbers: NDArray[np.int64]
    lettered: bool = False
    troubles: Mapping[tuple[int, int], Trouble] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.row_numbers)

    def place(self, row: int, column: int, name: str) -> str:
        """The place of one cell, as a person would look it up."""
        return self._place(int(self.row_numbers[row]), column, name)

    def heading(self, column: int, name: str) -> str:
        """The place of a column's name."""
        return self._place(1, column, name)

    def _place(self, row: int, column: int, name: str) -> str:
        letter = f" ({column_letter(column)})" if self.lettered else ""
        return f"{self.where}, row {row}, column {name}{letter}"

    def select(self, rows: NDArray[np.bool_]) -> RawTable:
        """Some rows."""
        moved = np.cumsum(rows) - 1
        return replace(
            self,
            columns=tuple(column.select(rows) for column in self.columns),
            row_numbers=frozen_array(self.row_numbers[rows], np.int64),
            troubles={
                (int(moved[row]), column): trouble
                for (row, column), trouble in self.troubles.items()
                if rows[row]
            },
        )


def raw_column(cells: Sequence[str]) -> RawColumn:
    """A column from the texts of its rows.

    Examples
    --------
    >>> raw_column(["no", "yes", "no"])
    RawColumn(place=array([0, 1, 0], dtype=int32), texts=('no', 'yes'))
    """
    codes = {text: code for code, text in enumerate(dict.fromkeys(cells))}
    place = np.fromiter(map(codes.__getitem__, cells), np.int32, len(cells))
    return RawColumn(frozen_array(place, np.int32), tuple(codes))


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


def repeated_names(header: Iterable[str], where: str, plain: Callable[[str], str]) -> list[Finding]:
    """A finding for every column name that stands in a header more than once, spelt alike or nearly so."""
    counted = Counter(plain(name) for name in header if name.strip())
    return [
        Finding("stop", f"{where}, row 1, column {name}", "each column once", f"{number} of them",
                "Remove or rename all but one.")
        for name, number in counted.items() if number > 1
    ]  # fmt: skip


def csv_text(rows: Iterable[Iterable[object]]) -> str:
    r"""Rows as the text of a CSV file, the header first.

    Examples
    --------
    >>> csv_text([["client", "note"], ["C01", "a, b"]])
    'client,note\nC01,"a, b"\n'
    """
    stream = io.StringIO(newline="")
    csv.writer(stream, lineterminator="\n").writerows(rows)
    return stream.getvalue()


# --- text ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class TextRows:
    """A text file taken apart.

    Parameters
    ----------
    table : RawTable or None
        The rows that fit the header; None where no row holds anything.
    header_row, last_row : int
        Rows of the header and of the last row that was read, in the file.
    ragged : tuple of (int, int)
        Rows that do not fit the header and are not in the table: number in the file, and cells.
    broken : Finding or None
        Why the reading ended before the file did.
    delimiter : str
    """

    table: RawTable | None
    header_row: int
    last_row: int
    ragged: tuple[tuple[int, int], ...]
    broken: Finding | None
    delimiter: str


def read_delimited(data: bytes, table: Table, where: str) -> tuple[RawTable | None, tuple[Finding, ...]]:
    """Cells of one CSV file of a study.

    Parameters
    ----------
    data : bytes
        The file as it is.
    table : Table
        Its schema.
    where : str
        The place to name in findings.

    Returns
    -------
    (RawTable or None, tuple of Finding)
        None where nothing could be read.
    """
    text, trouble = decode(data, where)
    if not text.strip():
        nothing = Finding("stop", where, "a header row", "an empty file", "Restore the file, or remove it.")
        return None, (trouble or nothing,)
    found = take_apart(text, table.name, where)
    if found.delimiter == "\t":
        return None, (
            Finding("stop", f"{where}, row 1", "commas or semicolons between columns", "tabs", _SAVE_AS),
        )
    known = {column.name for column in table.columns}
    header = () if found.table is None else found.table.header
    if not any(cell.strip().casefold().replace(" ", "_") in known for cell in header):
        return None, (
            Finding(
                "stop",
                f"{where}, row 1",
                f"the names of the columns: {', '.join(column.name for column in table.columns[:3])}, …",
                "none of them",
                "Put the header back as row 1; an empty table with its header is made by: studykit new.",
            ),
        )
    findings = [found.broken] if found.broken else []
    if found.header_row > 1 + bool(announced_delimiter(text)):
        findings.append(
            Finding("warn", f"{where}, row 1", "the header in row 1", f"the header in row {found.header_row}",
                    "Remove the blank rows above it.")
        )  # fmt: skip
    findings += [
        _ragged(cells, len(header), f"{where}, row {row}", found.delimiter) for row, cells in found.ragged
    ]
    return found.table, tuple(findings)


def _ragged(cells: int, wanted: int, where: str, delimiter: str) -> Finding:
    todo = "Compare the row with the header; it was left out."
    if cells > wanted and delimiter == ",":
        todo = (
            "A comma inside a cell (a decimal comma, one in a remark) splits it: put it in quotation marks."
        )
    return Finding("stop", where, f"{wanted} cells, as in the header", f"{cells} cells", todo)


def first_rows(text: str) -> Iterator[list[str]]:
    """Rows of a foreign text from the first on, as far as they can be taken apart, to look for its header."""
    delimiter = announced_delimiter(text) or _likely_delimiter(text, _DELIMITERS)
    try:
        yield from csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    except csv.Error:
        return


def take_apart(text: str, name: str, where: str, *, foreign: bool = False, first: int = 1) -> TextRows:
    """Rows and cells of a text.

    Parameters
    ----------
    text : str
    name, where : str
        Of the table.
    foreign : bool
        For exports of other programs: tabs and bars divide cells, too, rows may be shorter than the header,
        cells may be filled under a heading that is empty, and quotation marks may stand inside a cell as
        long as all rows are whole.
    first : int
        Row with which the table begins; those above it are passed over.
    """
    if not foreign:
        return _take_apart(text, name, where, foreign=False, strict=True)
    found = _take_apart(text, name, where, foreign=True, strict=False, first=first)
    whole = not (found.ragged or found.broken)
    return found if whole else _take_apart(text, name, where, foreign=True, strict=True, first=first)


def _take_apart(text: str, name: str, where: str, *, foreign: bool, strict: bool, first: int = 1) -> TextRows:
    announced = announced_delimiter(text)
    delimiter = announced or _likely_delimiter(text, _DELIMITERS if foreign else _DELIMITERS[:3])
    header: tuple[str, ...] = ()
    cells: list[str] = []  # of all rows, one row after the other
    numbers: list[int] = []
    ragged: list[tuple[int, int]] = []
    header_row, row, broken = 0, 0, None
    try:
        for row, record in enumerate(_records(text, delimiter, strict), start=1):
            if row < first or not "".join(record).strip() or (announced and row == 1):
                continue
            if not header:
                header, header_row = tuple(record) if foreign else without_tail(record), row
            elif (foreign or len(record) >= len(header)) and (
                len(record) <= len(header) or (strict and len(without_tail(record)) <= len(header))
            ):
                numbers.append(row)
                cells += record[: len(header)]
                cells += [""] * (len(header) - len(record))
            else:
                ragged.append((row, len(record)))
    except csv.Error as error:
        broken = Finding(
            "stop", f"{where}, row {row + 1}", "quotation marks in pairs, and ordinary cells",
            f"a row that cannot be taken apart ({error})",
            "Mend that row; it and the rows after it were not read.",
        )  # fmt: skip
    columns = tuple(raw_column(cells[index :: len(header)]) for index in range(len(header)))
    table = RawTable(name, where, header, columns, frozen_array(numbers, np.int64)) if header else None
    return TextRows(table, header_row, row, tuple(ragged), broken, delimiter)


def _records(text: str, delimiter: str, strict: bool) -> Iterator[list[str]]:
    """Rows as lists of cells; `csv.Error` where a quotation mark never closes or, if strict, too early."""
    lines = io.StringIO(text, newline="")
    if strict:
        yield from csv.reader(lines, delimiter=delimiter, strict=True)
        return
    last: list[str] | None = None
    for record in csv.reader(chain(lines, (_END_OF_FILE,)), delimiter=delimiter):
        if last is not None:
            yield last
        last = record
    if last != [_END_OF_FILE]:
        raise csv.Error("unexpected end of data")


def decode(data: bytes, where: str, *, foreign: bool = False) -> tuple[str, Finding | None]:
    """The text of a file, and what is wrong with its encoding.

    Parameters
    ----------
    data : bytes
    where : str
    foreign : bool
        For exports of other programs: UTF-16 with its mark and the older Windows encoding are read too,
        the latter with a warning, since nothing in the file names it.
    """
    if data.startswith(_MARKS):
        if foreign:
            return data.decode("utf-16", errors="replace"), None
        return "", Finding("stop", where, "a UTF-8 file", "UTF-16 text", _SAVE_AS)
    if b"\0" in data:
        row = data[: data.index(b"\0")].count(b"\n") + 1
        return "", Finding(
            "stop",
            f"{where}, row {row}",
            "a text file",
            "a NUL byte, as in a damaged file or one of another kind",
            "Restore the file from a copy.",
        )
    try:
        return data.decode("utf-8-sig"), None
    except UnicodeDecodeError as error:
        trouble = _not_utf8(data, error.start, where)
    if foreign:
        return data.decode("cp1252", errors="replace"), replace(
            trouble, severity="warn", todo=f"It was read as Windows-1252. If letters look wrong: {_SAVE_AS}"
        )
    return "", trouble


def _not_utf8(data: bytes, position: int, where: str) -> Finding:
    """Name the row, and the text as an older Windows encoding would show it."""
    row = data[:position].count(b"\n") + 1
    start = data.rfind(b"\n", 0, position) + 1
    end = data.find(b"\n", position)
    line = data[start : len(data) if end < 0 else end].decode("cp1252", errors="replace").strip()
    place = data[start:position].decode("cp1252", errors="replace")
    cell = max(place.count(","), place.count(";")) + 1
    return Finding(
        "stop",
        f"{where}, row {row}, cell {cell}",
        "a UTF-8 file",
        f"another encoding, most likely an older Windows one: {line[:60]!r}",
        _SAVE_AS,
    )


def announced_delimiter(text: str) -> str:
    """The delimiter that some spreadsheet programs name in a line of its own, such as ``sep=;``."""
    first = text.split("\n", 1)[0].strip().casefold()
    return first[-1] if first in ("sep=;", "sep=,", "sep=\t") else ""


def _likely_delimiter(text: str, marks: tuple[str, ...]) -> str:
    """The mark that divides the first line into most parts, and other lines into as many."""
    lines = [line for line in text[:20_000].splitlines() if line.strip()][:20] or [""]

    def worth(mark: str) -> tuple[int, int]:
        wanted = lines[0].count(mark)
        return (sum(line.count(mark) == wanted for line in lines) if wanted else 0, wanted)

    return max(marks, key=worth)


def without_tail(cells: Sequence[str]) -> tuple[str, ...]:
    """Without the empty cells at the end that spreadsheet programs leave behind."""
    last = max((index for index, cell in enumerate(cells) if cell.strip()), default=-1)
    return tuple(cells[: last + 1])
