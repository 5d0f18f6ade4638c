"""Tables as they stand in an export: every column as the texts that occur in it, and which row has which.

Attendance exports have many rows and few different texts, so each text is understood once.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.errors import DataError, Finding, FolderError
from studykit.lookback.log import Integers, NoticedRows
from studykit.records.delimited import announced_delimiter, decode, split_records, without_tail
from studykit.records.nearest import nearest_known
from studykit.records.raw import RawTable, unguarded
from studykit.records.workbook import open_sheets, sheet_table
from studykit.results import frozen_array

SESSIONS = "sessions"
FURTHER = ("clients", "pauses", "departures", "closures", "trainers")
_DELIMITERS = (",", ";", "\t", "|")
_WORKBOOK = ".xlsx"
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
        Rows that could not be taken apart; they are not among the rows here.
    """

    where: str
    header: tuple[str, ...]
    columns: tuple[WrittenColumn, ...]
    row_numbers: Integers
    noticed: tuple[NoticedRows, ...] = ()

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.row_numbers)


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


def open_attendance(path: str | Path, *, tables: Mapping[str, str | Path] | None = None) -> Opened:
    """Take the files of an export apart, without understanding them yet.

    Parameters
    ----------
    path : str or Path
        CSV (comma, semicolon, tab or bar; UTF-8, UTF-16 or an older Windows encoding) or XLSX. In a workbook
        of several sheets the attendance is on the sheet ``sessions``, else on the first.
    tables : mapping of str to path, optional
        Further files, by what they hold.

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
    found, digest, findings = _open_file(Path(path))
    if SESSIONS not in found:
        first = next(iter(found))
        found[SESSIONS] = found.pop(first)
    kept = {name: table for name, table in found.items() if name == SESSIONS or name in FURTHER}
    hashes = [digest]
    for name, place in given.items():
        more, digest, trouble = _open_file(Path(place))
        kept[name] = more.get(name) or next(iter(more.values()))
        hashes.append(digest)
        findings += trouble
    return Opened(Path(path).name, kept, tuple(hashes), tuple(findings))


def _open_file(path: Path) -> tuple[dict[str, WrittenTable], tuple[str, str], list[Finding]]:
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
    if data.startswith(b"PK\x03\x04"):
        tables, findings = _from_workbook(data, where)
    elif path.suffix.casefold() == _WORKBOOK and data:
        what, todo = "a file of another kind, or a damaged one", "Export it again, or rename it if it is CSV."
        raise DataError([Finding("stop", where, "a workbook in the .xlsx format", what, todo)])
    else:
        table, findings = _from_text(data, where)
        tables = {path.stem: table}
    return tables, digest, findings


# --- workbooks -----------------------------------------------------------------------------------


def _from_workbook(data: bytes, where: str) -> tuple[dict[str, WrittenTable], list[Finding]]:
    sheets, trouble = open_sheets(data, where)
    if trouble is not None:
        raise DataError([trouble])
    findings: list[Finding] = []
    found: dict[str, WrittenTable] = {}
    for place, (title, values, formulas) in enumerate(sheets):
        name = title.strip().casefold()
        if place and name not in (SESSIONS, *FURTHER):
            findings.append(_unused_sheet(name, f"{where}, sheet {title}"))
            continue
        raw, more = sheet_table(name, f"{where}, sheet {title}", values, formulas)
        if raw is None and (place == 0 or name == SESSIONS):
            raise DataError(more)
        findings += more
        if raw is not None:
            found[name] = _from_raw(raw)
    return found, findings


def _unused_sheet(name: str, where: str) -> Finding:
    near = nearest_known(name, (SESSIONS, *FURTHER), cutoff=0.8)
    if near:
        return Finding("stop", where, f"a sheet named {near}", name, "Rename the sheet; it was not used.")
    return Finding("note", where, f"a sheet named {', '.join((SESSIONS, *FURTHER))}", name, "It is not used.")


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
