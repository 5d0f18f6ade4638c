"""The tables of an attendance export as they stand in its files, and the sheets of a workbook for them.

Sheets with sessions are all that have one header; every other one is named.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from studykit.errors import DataError, Finding, FolderError
from studykit.lookback.layout import (
    header_row,
    long_form,
    settled_sheet,
    surplus_rows,
    told_colours,
    told_titles,
)
from studykit.lookback.log import Integers, NoticedRows
from studykit.lookback.wanted_columns import SESSIONS
from studykit.records.cells import Trouble
from studykit.records.nearest import nearest_known
from studykit.records.raw_table import (
    RawColumn,
    RawTable,
    decode,
    first_rows,
    raw_column,
    take_apart,
    unguarded,
    without_tail,
)
from studykit.records.workbook import OLDER_OR_LOCKED, OTHER_WORKBOOKS, Sheet, open_sheets, sheet_table
from studykit.results import frozen_array

FURTHER = ("clients", "pauses", "departures", "closures", "trainers")
_WORKBOOK = ".xlsx"
_WORKBOOKS = (b"PK\x03\x04", OLDER_OR_LOCKED)  # how they begin, whatever their name


class SheetDoubt(DataError):  # noqa: N818 — a question, not a mistake
    """It is not clear which sheets hold sessions; ``titles`` are those that may."""

    def __init__(self, findings: Sequence[Finding], titles: tuple[str, ...]) -> None:
        super().__init__(findings)
        self.titles = titles


@dataclass(frozen=True, slots=True, eq=False)
class ExportTable:
    """One table of an export.

    Parameters
    ----------
    where : str
        File, and sheet of a workbook.
    header : tuple of str
    columns : tuple of RawColumn
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
    columns: tuple[RawColumn, ...]
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
    tables : mapping of str to ExportTable
        ``sessions``, and those of ``clients``, ``pauses``, ``departures``, ``closures`` and ``trainers``
        that were given.
    hashes : tuple of (str, str)
        File and its SHA-256.
    findings : tuple of Finding
    """

    source: str
    tables: Mapping[str, ExportTable]
    hashes: tuple[tuple[str, str], ...]
    findings: tuple[Finding, ...] = field(default=())


def open_attendance(
    path: str | Path,
    *,
    tables: Mapping[str, str | Path] | None = None,
    sheets: Sequence[str] = (),
    header: int = 0,
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
    header : int
        Row with the names of the columns of the attendance, where that is not clear.

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
    kept, digest, findings = _open_file(Path(path), SESSIONS, sheets, header)
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
    path: Path, name: str, sheets: Sequence[str] = (), header: int = 0
) -> tuple[dict[str, ExportTable], tuple[str, str], list[Finding]]:
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
    if path.suffix.casefold() in OTHER_WORKBOOKS:
        raise DataError([Finding("stop", where, "CSV or XLSX", path.suffix, "Save it again as .xlsx.")])
    digest = (where, hashlib.sha256(data).hexdigest())
    if data.startswith(_WORKBOOKS) or (path.suffix.casefold() == _WORKBOOK and data):
        tables, findings = _from_workbook(data, where, name, sheets, header)
    else:
        table, findings = _from_text(data, where, header)
        tables = {name: table}
    if name == SESSIONS:
        tables[name], told = _one_row_each(tables[name])
        findings = [*findings, *told]
    return tables, digest, findings


# --- workbooks -----------------------------------------------------------------------------------


def _from_workbook(
    data: bytes, where: str, name: str, said: Sequence[str], header: int
) -> tuple[dict[str, ExportTable], list[Finding]]:
    opened, trouble = open_sheets(data, where)
    if trouble is not None:
        raise DataError([trouble])
    settled = [settled_sheet(sheet, header if name == SESSIONS else 0) for sheet in opened]
    sheets = [sheet for sheet, _ in settled]
    own = [sheet for sheet in sheets if sheet.title.strip().casefold() == name]
    if name in FURTHER and own:
        return {name: _of_sheet(own[0], where)}, []
    book = _choose_sheets(sheets, where, said)
    table = _joined([_of_sheet(sheet, where) for sheet in book.sessions], where)
    unread = tuple(_not_read(sheet, where) for sheet in book.unread if _rows_below(sheet))
    found = {name: replace(table, noticed=(*table.noticed, *unread))}
    if name == SESSIONS:
        found |= {title: _of_sheet(sheet, where) for title, sheet in book.further.items()}
    titles = [
        replace(item, where=f"{where}, sheet {item.where}")
        for sheet, told in settled
        if sheet in book.sessions
        for item in told
    ]
    colours = told_colours(
        where, sum(sheet.coloured for sheet in book.sessions), len(book.sessions) * len(table.header),
        any("partner" in name.casefold() for name in table.header),
    )  # fmt: skip
    return found, [*titles, *colours, *_told_of_sheets(book, where)]


def _of_sheet(sheet: Sheet, where: str) -> ExportTable:
    raw, trouble = sheet_table(sheet.title, f"{where}, sheet {sheet.title}", sheet, foreign=True)
    if raw is None:
        raise DataError(trouble)
    return _of_raw(raw)


def _not_read(sheet: Sheet, where: str) -> NoticedRows:
    numbers = [number for number, row in enumerate(sheet.rows, start=1) if row][1:]
    return NoticedRows(
        "on a sheet that was not read", frozen_array(numbers, np.int64), False,
        f"{where}, sheet {sheet.title}", "warn", "the column names of the sheet with the sessions",
        f"a sheet of {len(numbers)} rows with others",
        "If it holds sessions, give it the same header row, or name it: --sheet NAME.",
    )  # fmt: skip


def _joined(tables: Sequence[ExportTable], where: str) -> ExportTable:
    """Sheets of one header one below the other, in the order of columns of the first."""
    first, *others = tables
    if not others:
        return first
    columns = []
    for name in first.header:
        ways = [table.columns[[*map(str.casefold, table.header)].index(name.casefold())] for table in tables]
        columns.append(raw_column([cell for way in ways for cell in way.cells()]).trimmed())
    return ExportTable(
        f"{where}, {len(tables)} sheets",
        first.header,
        tuple(columns),
        frozen_array(np.concatenate([table.row_numbers for table in tables]), np.int64),
        tuple(item for table in tables for item in table.noticed),
        tuple((table.where, table.rows) for table in tables),
    )


@dataclass(frozen=True, slots=True)
class SheetsOfOneBook:
    """What the sheets of a workbook are for.

    Parameters
    ----------
    sessions : tuple of Sheet
        All of one header, in the order of the workbook; at least one.
    further : mapping of str to Sheet
    unread : tuple of Sheet
        Those in which something stands and that are neither.
    """

    sessions: tuple[Sheet, ...]
    further: Mapping[str, Sheet]
    unread: tuple[Sheet, ...]


def _choose_sheets(sheets: Sequence[Sheet], where: str, said: Sequence[str] = ()) -> SheetsOfOneBook:
    """Find the sheets with sessions: those said, else ``sessions`` or the first, and all with its header.

    Parameters
    ----------
    sheets : sequence of Sheet
    where : str
        File to name.
    said : sequence of str
        Titles of the sheets with sessions, as stated by the user.

    Raises
    ------
    DataError
        If a sheet that was said is not there, if those that were said differ in their columns, or if it is
        not clear which sheets hold the sessions.
    """
    wanted = {_plain(title) for title in said}
    further = {_plain(sheet.title): sheet for sheet in sheets if _plain(sheet.title) in {*FURTHER} - wanted}
    others = [sheet for sheet in sheets if _plain(sheet.title) not in further]
    chosen = _said(others, where, wanted) if said else _found(others or list(sheets), where)
    unread = tuple(sheet for sheet in others if sheet not in chosen and sheet.filled)
    return SheetsOfOneBook(tuple(chosen), further, unread)


def _plain(text: str) -> str:
    return " ".join(text.casefold().split())


def _columns(sheet: Sheet) -> frozenset[str]:
    """Names in the first row, whatever their order."""
    first: Sequence[str | Trouble] = next((row for row in sheet.rows if row), ())
    return frozenset(_plain(cell) for cell in first if not isinstance(cell, Trouble) and cell.strip())


def _said(sheets: Sequence[Sheet], where: str, wanted: set[str]) -> list[Sheet]:
    chosen = [sheet for sheet in sheets if _plain(sheet.title) in wanted]
    missing = wanted - {_plain(sheet.title) for sheet in chosen}
    if missing:
        raise DataError([
            Finding("stop", where, f"a sheet named {', '.join(sorted(missing))}", _counted(sheets),
                    "Check the spelling of --sheet.")
        ])  # fmt: skip
    if len({_columns(sheet) for sheet in chosen}) > 1:
        raise DataError([
            Finding("stop", where, "the same column names on all sheets that are read together",
                    "different ones on " + _counted(chosen), "Give them one header row.")
        ])  # fmt: skip
    return chosen


def _found(sheets: Sequence[Sheet], where: str) -> list[Sheet]:
    named = [sheet for sheet in sheets if _plain(sheet.title) == SESSIONS]
    first = next(iter(named or [sheet for sheet in sheets if sheet.filled] or sheets))
    columns = _columns(first)
    chosen = [sheet for sheet in sheets if _columns(sheet) == columns]
    rows = sum(sheet.filled for sheet in chosen)
    rivals = [
        sheet
        for sheet in sheets
        if sheet not in chosen and (_nearly(columns, _columns(sheet)) or (not named and sheet.filled > rows))
    ]
    if rivals:
        told = Finding(
            "stop", where, "sheets with sessions that all have the same column names",
            "different ones on " + _counted([*chosen, *rivals]),
            "Give them one header row, or say which to read: --sheet NAME, once for each.",
        )  # fmt: skip
        raise SheetDoubt([told], tuple(sheet.title for sheet in (*chosen, *rivals)))
    return chosen


def _nearly(columns: frozenset[str], others: frozenset[str]) -> bool:
    """Whether most columns are the same: a year to which a column was added, say."""
    shared = len(columns & others)
    return shared > 1 and 2 * shared > max(len(columns), len(others))


def _counted(sheets: Sequence[Sheet]) -> str:
    return ", ".join(f"{sheet.title} ({_rows_below(sheet)} rows)" for sheet in sheets)


def _rows_below(sheet: Sheet) -> int:
    """Rows in which something stands, without the header."""
    return max(sheet.filled - 1, 0)


def _told_of_sheets(book: SheetsOfOneBook, where: str) -> list[Finding]:
    """What was read together, and sheets whose name is almost that of a table."""
    found = []
    if len(book.sessions) > 1:
        found.append(
            Finding("note", where, "the sessions on one sheet",
                    f"{len(book.sessions)} sheets with the same columns: {_counted(book.sessions)}",
                    "They were read together.")
        )  # fmt: skip
    for sheet in book.unread:
        near = nearest_known(_plain(sheet.title), (SESSIONS, *FURTHER), cutoff=0.8)
        if near:
            found.append(
                Finding("stop", f"{where}, sheet {sheet.title}", f"a sheet named {near}", sheet.title,
                        "Rename the sheet; it was not used.")
            )  # fmt: skip
    return found


# --- text ----------------------------------------------------------------------------------------


def _from_text(data: bytes, where: str, header: int) -> tuple[ExportTable, list[Finding]]:
    text, trouble = decode(data, where, foreign=True)
    if not text.strip():
        nothing = Finding("stop", where, "a header row and sessions", "an empty file", "Export it again.")
        raise DataError([trouble or nothing])
    begins = header or header_row(first_rows(text))
    found = take_apart(text, "", where, foreign=True, first=begins)
    if found.table is None or (found.broken and not found.table.rows and not found.ragged):
        nothing = Finding("stop", where, "a header row and sessions", "less", "Export it again.")
        raise DataError([found.broken or nothing])
    table = _of_raw(found.table)
    noticed = list(table.noticed)
    if found.ragged:
        noticed.append(
            NoticedRows("another number of cells than the header",
                        _row_numbers(row for row, _ in found.ragged), False, where, "stop",
                        f"at most {len(table.header)} cells, as in the header", "more",
                        "A comma inside a cell splits it: put that cell in quotation marks.")
        )  # fmt: skip
    if found.broken:
        noticed.append(
            NoticedRows("rows after a quotation mark that never closes", _row_numbers([found.last_row + 1]),
                        False, where, "stop", found.broken.expected, found.broken.got, found.broken.todo)
        )  # fmt: skip
    told = [*told_titles(where, range(1, begins), begins), *([trouble] if trouble else [])]
    return replace(table, noticed=tuple(noticed)), told


def _of_raw(raw: RawTable) -> ExportTable:
    """Named columns; a row with a cell that cannot be read whatever its column is set aside."""
    noticed = []
    if raw.troubles:
        first = raw.troubles[min(raw.troubles)]
        troubled = np.isin(np.arange(raw.rows), [row for row, _ in raw.troubles])
        noticed.append(
            NoticedRows("a cell that holds no value", _row_numbers(raw.row_numbers[troubled]), False,
                        raw.where, "stop", first.expected, first.got, first.todo)
        )  # fmt: skip
        raw = raw.select(~troubled)
    header = tuple(unguarded(name.strip()) for name in without_tail(raw.header))
    beyond = np.zeros(raw.rows, dtype=bool)
    for column in raw.columns[len(header) :]:
        beyond |= column.filled
    if beyond.any():
        noticed.append(
            NoticedRows("cells without a column name", _row_numbers(raw.row_numbers[beyond]), True, raw.where,
                        "warn", "a name above every filled column", "cells to the right of the last name",
                        "Name the column; these cells are not used.")
        )  # fmt: skip
    columns = tuple(column.trimmed() for column in raw.columns[: len(header)])
    kept, surplus = surplus_rows(raw.where, header, columns, raw.row_numbers)
    if surplus:
        columns = tuple(column.select(kept) for column in columns)
    return ExportTable(
        raw.where, header, columns, frozen_array(raw.row_numbers[kept], np.int64), (*noticed, *surplus)
    )


def _one_row_each(table: ExportTable) -> tuple[ExportTable, tuple[Finding, ...]]:
    """A sheet with a column for each day or week, as a table of sessions."""
    found = long_form(table.where, table.header, table.columns, table.row_numbers)
    if found is None:
        return table, ()
    return replace(
        table, header=found.header, columns=found.columns, row_numbers=found.row_numbers,
        sheets=() if not table.sheets else ((table.where, len(found.row_numbers)),),
    ), found.told  # fmt: skip


def _row_numbers(rows: Iterable[int]) -> Integers:
    return frozen_array([*rows], np.int64)
