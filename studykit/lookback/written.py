"""Tables as they stand in an export: every column as the texts that occur in it, and which row has which.

Attendance exports have many rows and few different texts, so each text is understood once.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.errors import DataError, Finding, FolderError
from studykit.lookback.log import Integers, NoticedRows
from studykit.lookback.sheets import FURTHER, SESSIONS, choose_sheets, rows_below, told_of_sheets
from studykit.records.delimited import announced_delimiter, decode, split_records, without_tail
from studykit.records.raw import RawTable, unguarded
from studykit.records.workbook import OLDER_OR_LOCKED, Sheet, open_sheets, sheet_table
from studykit.results import frozen_array

_DELIMITERS = (",", ";", "\t", "|")
_WORKBOOK = ".xlsx"
_WORKBOOKS = (b"PK\x03\x04", OLDER_OR_LOCKED)  # how they begin, whatever their name
_OTHER_WORKBOOKS = (".xls", ".ods", ".xlsm", ".xlsb", ".numbers")


@dataclass(frozen=True, slots=True, eq=False)
class WrittenColumn:
    """One column: ``texts[place[row]]`` is what stands in a row, without blanks around it."""

    place: NDArray[np.int32]
    texts: tuple[str, ...]

    @property
    def filled(self) -> NDArray[np.bool_]:
        """Rows in which something stands, shape (rows,)."""
        return np.array([bool(text) for text in self.texts], dtype=bool)[self.place]


@dataclass(frozen=True, slots=True, eq=False)
class WrittenTable:
    """One table of an export.

    Parameters
    ----------
    where : str
        File, and sheet of a workbook.
    header : tuple of str
    columns : tuple of WrittenColumn
        One for each name of the header.
    row_numbers : ndarray of int
        Row in the file; the header is usually row 1.
    noticed : tuple of NoticedRows
        Rows that could not be taken apart or were not read; they are not among the rows here.
    sheets : tuple of (str, int)
        Place and number of rows of each sheet, where several were read together.
    """

    where: str
    header: tuple[str, ...]
    columns: tuple[WrittenColumn, ...]
    row_numbers: Integers
    noticed: tuple[NoticedRows, ...] = ()
    sheets: tuple[tuple[str, int], ...] = ()

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.row_numbers)

    def parts(self) -> Iterator[tuple[str, slice]]:
        """Place and rows of every sheet; of the whole where there is one."""
        begin = 0
        for where, rows in self.sheets or ((self.where, self.rows),):
            yield where, slice(begin, begin + rows)
            begin += rows

    def row_name(self, index: int) -> str:
        """A row as a person would look it up, with its sheet where there are several."""
        where = next(where for where, rows in self.parts() if rows.start <= index < rows.stop)
        return f"row {self.row_numbers[index]}" + (f" of {where}" if self.sheets else "")


@dataclass(frozen=True, slots=True)
class Opened:
    """All tables that were given, before anything is understood.

    Parameters
    ----------
    source : str
        Name of the attendance file.
    tables : mapping of str to WrittenTable
        ``sessions``, and those of ``clients``, ``pauses``, ``departures``, ``closures`` and ``trainers``
        that were given.
    hashes : tuple of (str, str)
        File and its SHA-256.
    findings : tuple of Finding
    """

    source: str
    tables: Mapping[str, WrittenTable]
    hashes: tuple[tuple[str, str], ...]
    findings: tuple[Finding, ...] = field(default=())


def open_attendance(
    path: str | Path, *, tables: Mapping[str, str | Path] | None = None, sheets: Sequence[str] = ()
) -> Opened:
    """Take the files of an export apart, without understanding them yet.

    Parameters
    ----------
    path : str or Path
        CSV (comma, semicolon, tab or bar; UTF-8, UTF-16 or an older Windows encoding) or XLSX. In a workbook
        of several sheets the attendance is on the sheet ``sessions``, else on the first, and on all that have
        the same column names.
    tables : mapping of str to path, optional
        Further files, by what they hold.
    sheets : sequence of str
        The sheets with the attendance, where that is not clear.

    Raises
    ------
    FolderError
        If a file is not there or cannot be read.
    DataError
        If a file cannot be taken apart at all.
    """
    given = dict(tables or {})
    unknown = sorted(set(given) - set(FURTHER))
    if unknown:
        raise DataError(
            [Finding("stop", "tables", f"one of {', '.join(FURTHER)}", ", ".join(unknown), "Name it so.")]
        )
    kept, digest, findings = _open_file(Path(path), SESSIONS, sheets)
    hashes = [digest]
    for name, place in given.items():
        more, digest, trouble = _open_file(Path(place), name)
        kept |= more
        hashes.append(digest)
        findings += trouble
    return Opened(Path(path).name, kept, tuple(hashes), tuple(findings))


def with_what_was_left_out(copy: Opened, original: Opened) -> Opened:
    """A copy with codes, and beside it the rows and sheets of the original that are not in it."""
    tables = {
        name: replace(table, noticed=(*original.tables[name].noticed, *table.noticed))
        for name, table in copy.tables.items()
    }
    return replace(copy, tables=tables, findings=(*original.findings, *copy.findings))


def _open_file(
    path: Path, name: str, sheets: Sequence[str] = ()
) -> tuple[dict[str, WrittenTable], tuple[str, str], list[Finding]]:
    """The table of this name; of the attendance's workbook the further ones as well."""
    where = path.name
    try:
        data = path.read_bytes()
    except OSError as error:
        raise FolderError(
            where=str(path),
            expected="a file to read",
            got=error.strerror or type(error).__name__,
            todo="Check the spelling, and close the file in other programs.",
        ) from None
    if path.suffix.casefold() in _OTHER_WORKBOOKS:
        raise DataError([Finding("stop", where, "CSV or XLSX", path.suffix, "Save it again as .xlsx.")])
    digest = (where, hashlib.sha256(data).hexdigest())
    if data.startswith(_WORKBOOKS) or (path.suffix.casefold() == _WORKBOOK and data):
        tables, findings = _from_workbook(data, where, name, sheets)
    else:
        table, findings = _from_text(data, where)
        tables = {name: table}
    return tables, digest, findings


# --- workbooks -----------------------------------------------------------------------------------


def _from_workbook(
    data: bytes, where: str, name: str, said: Sequence[str]
) -> tuple[dict[str, WrittenTable], list[Finding]]:
    sheets, trouble = open_sheets(data, where)
    if trouble is not None:
        raise DataError([trouble])
    own = [sheet for sheet in sheets if sheet.title.strip().casefold() == name]
    if name in FURTHER and own:
        return {name: _of_sheet(own[0], where)}, []
    book = choose_sheets(sheets, where, said)
    table = _joined([_of_sheet(sheet, where) for sheet in book.sessions], where)
    unread = tuple(_not_read(sheet, where) for sheet in book.unread if rows_below(sheet))
    found = {name: replace(table, noticed=(*table.noticed, *unread))}
    if name == SESSIONS:
        found |= {title: _of_sheet(sheet, where) for title, sheet in book.further.items()}
    return found, told_of_sheets(book, where)


def _of_sheet(sheet: Sheet, where: str) -> WrittenTable:
    raw, trouble = sheet_table(sheet.title, f"{where}, sheet {sheet.title}", sheet)
    if raw is None:
        raise DataError(trouble)
    return _from_raw(raw)


def _not_read(sheet: Sheet, where: str) -> NoticedRows:
    numbers = [number for number, row in enumerate(sheet.rows, start=1) if row][1:]
    return NoticedRows(
        "on a sheet that was not read", frozen_array(numbers, np.int64), False,
        f"{where}, sheet {sheet.title}", "warn", "the column names of the sheet with the sessions",
        f"a sheet of {len(numbers)} rows with others",
        "If it holds sessions, give it the same header row, or name it: --sheet NAME.",
    )  # fmt: skip


def _joined(tables: Sequence[WrittenTable], where: str) -> WrittenTable:
    """Sheets of one header one below the other, in the order of columns of the first."""
    first, *others = tables
    if not others:
        return first
    columns = []
    for name in first.header:
        ways = [table.columns[[*map(str.casefold, table.header)].index(name.casefold())] for table in tables]
        columns.append(_column([way.texts[place] for way in ways for place in way.place.tolist()]))
    return WrittenTable(
        f"{where}, {len(tables)} sheets",
        first.header,
        tuple(columns),
        frozen_array(np.concatenate([table.row_numbers for table in tables]), np.int64),
        tuple(item for table in tables for item in table.noticed),
        tuple((table.where, table.rows) for table in tables),
    )


def _from_raw(raw: RawTable) -> WrittenTable:
    """Sheet cells; a row with a cell that cannot be read whatever its column is set aside."""
    troubled = sorted({row for row, _ in raw.troubles})
    kept = [row for row in range(len(raw.rows)) if row not in set(troubled)]
    width = len(without_tail(raw.header))
    columns = [
        _column([raw.rows[row][index] if index < len(raw.rows[row]) else "" for row in kept])
        for index in range(width)
    ]
    numbers = np.array(raw.row_numbers, dtype=np.int64)
    noticed: tuple[NoticedRows, ...] = ()
    if troubled:
        first = raw.troubles[min(raw.troubles)]
        noticed = (
            NoticedRows("a cell that holds no value", numbers[troubled], False, raw.where, "stop",
                        first.expected, first.got, first.todo),
        )  # fmt: skip
    header = tuple(name.strip() for name in raw.header[:width])
    return WrittenTable(raw.where, header, tuple(columns), frozen_array(numbers[kept], np.int64), noticed)


# --- text ----------------------------------------------------------------------------------------


def _from_text(data: bytes, where: str) -> tuple[WrittenTable, list[Finding]]:
    text, trouble = decode(data, where, foreign=True)
    findings = [trouble] if trouble is not None else []
    if not text.strip():
        nothing = Finding("stop", where, "a header row and sessions", "an empty file", "Export it again.")
        raise DataError([trouble if trouble is not None else nothing])
    announced = announced_delimiter(text)
    body = text.split("\n", 1)[1] if announced and "\n" in text else text
    blank = len(body) - len(body.lstrip("\r\n"))
    skipped = bool(announced) + body[:blank].count("\n")
    body = body[blank:]
    delimiter = announced or _delimiter(body)
    try:
        frame = pd.read_csv(
            io.StringIO(body), sep=delimiter, header=None, dtype="category", keep_default_na=False,
            na_filter=False, skip_blank_lines=False,
        )  # fmt: skip
    except (pd.errors.ParserError, pd.errors.EmptyDataError):
        return _slowly(body, delimiter, where, skipped), findings
    return _from_frame(frame, where, skipped), findings


def _delimiter(text: str) -> str:
    """The mark that divides the first line into most parts, and other lines into as many."""
    lines = [line for line in text[:20_000].splitlines() if line.strip()][:20]

    def worth(mark: str) -> tuple[int, int]:
        wanted = lines[0].count(mark)
        return (sum(line.count(mark) == wanted for line in lines) if wanted else 0, wanted)

    return max(_DELIMITERS, key=worth)


def _from_frame(frame: pd.DataFrame, where: str, skipped: int) -> WrittenTable:
    columns = [_from_categories(frame[name]) for name in frame.columns]
    header = tuple(column.texts[int(column.place[0])] for column in columns)
    width = len(without_tail(header))
    filled = np.zeros(len(frame), dtype=bool)
    for column in columns:
        filled |= column.filled
    filled[0] = False
    numbers = np.arange(1, len(frame) + 1, dtype=np.int64) + skipped
    kept = tuple(_of_rows(column, filled) for column in columns[:width])
    noticed = _beyond_the_header(columns[width:], numbers, where)
    return WrittenTable(where, header[:width], kept, frozen_array(numbers[filled], np.int64), noticed)


def _of_rows(column: WrittenColumn, rows: NDArray[np.bool_]) -> WrittenColumn:
    """The column in some rows only, with the texts that occur there: the header is no text of the column."""
    place = column.place[rows]
    used = np.bincount(place, minlength=len(column.texts)) > 0
    moved = (np.cumsum(used) - 1).astype(np.int32)
    texts = tuple(text for text, is_used in zip(column.texts, used, strict=True) if is_used)
    return WrittenColumn(frozen_array(moved[place], np.int32), texts)


def _beyond_the_header(
    columns: Sequence[WrittenColumn], numbers: Integers, where: str
) -> tuple[NoticedRows, ...]:
    """Rows that hold something to the right of the last column name."""
    beyond = np.zeros(len(numbers), dtype=bool)
    for column in columns:
        beyond |= column.filled
    if not beyond.any():
        return ()
    return (
        NoticedRows("cells without a column name", frozen_array(numbers[beyond], np.int64), True, where,
                    "warn", "a name above every filled column", "cells to the right of the last name",
                    "Name the column; these cells are not used."),
    )  # fmt: skip


def _from_categories(series: pd.Series) -> WrittenColumn:
    """Codes and texts of a category column; texts that differ in outer blanks only become one."""
    written = [unguarded(str(text).strip()) for text in series.cat.categories]
    texts = sorted(set(written))
    place = {text: index for index, text in enumerate(texts)}
    moved = np.array([place[text] for text in written], dtype=np.int32)
    return WrittenColumn(moved[np.asarray(series.cat.codes)], tuple(texts))


def _column(cells: Sequence[str]) -> WrittenColumn:
    return _from_categories(pd.Series(list(cells), dtype="category"))


def _slowly(text: str, delimiter: str, where: str, skipped: int) -> WrittenTable:
    """Row by row, for a file with rows of other lengths than the header or quotation marks left open."""
    records, broken = split_records(text, delimiter, where)
    numbered = [
        (number, record)
        for number, record in enumerate(records, start=1 + skipped)
        if any(cell.strip() for cell in record)
    ]
    if len(numbered) < 2:
        raise DataError(
            broken or [Finding("stop", where, "a header row and sessions", "less", "Export it again.")]
        )
    header = tuple(cell.strip() for cell in without_tail(tuple(numbered[0][1])))
    width = len(header)
    kept: list[tuple[int, list[str]]] = []
    ragged: list[tuple[int, list[str]]] = []
    for number, record in numbered[1:]:
        (kept if len(without_tail(tuple(record))) <= width else ragged).append((number, record))
    columns = tuple(
        _column([record[index] if index < len(record) else "" for _, record in kept])
        for index in range(width)
    )
    noticed = [
        NoticedRows("another number of cells than the header", frozen_array([number for number, _ in ragged],
                    np.int64), False, where, "stop", f"at most {width} cells, as in the header", "more",
                    "A comma inside a cell splits it: put that cell in quotation marks.")
    ] if ragged else []  # fmt: skip
    noticed += [
        NoticedRows("rows after a quotation mark that never closes",
                    frozen_array([len(records) + 1 + skipped], np.int64), False, where, "stop",
                    item.expected, item.got, item.todo)
        for item in broken
    ]  # fmt: skip
    numbers = frozen_array([number for number, _ in kept], np.int64)
    return WrittenTable(where, header, columns, numbers, tuple(noticed))
