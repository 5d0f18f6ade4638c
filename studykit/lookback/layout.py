"""What stands around the sessions in files that people keep: titles, totals, merged cells, a column a day.

A look back needs one row for each session. What can be brought into that form without guessing is, and told;
for the rest it is said what to do with that very file.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from studykit.errors import DataError, Finding
from studykit.lookback.log import Bools, Integers, NoticedRows
from studykit.lookback.wanted_columns import WANTED, plain_name
from studykit.records.cells import Trouble, date_readings
from studykit.records.raw_table import RawColumn, raw_column
from studykit.records.workbook import Sheet
from studykit.results import frozen_array

Row = Sequence[str | Trouble]

LOOKED_AT = 40  # rows among which a header is looked for
LEAST_DAYS = 4  # columns named by days or weeks, from which a sheet counts as wide
_TOTAL = re.compile(
    r"((grand|sub|weekly|monthly|yearly)[ -]?)?(totals?|sums?|summe|gesamt|insgesamt|average|mean)"
    r"( sessions| clients| visits)?\s*:?", re.IGNORECASE,
)  # fmt: skip
_WEEK = re.compile(
    r"(?:(?P<y1>20\d\d)[ /-]*)?(?:w|wk|kw|week)\.?[ -]*(?P<w>\d{1,2})(?:[ ,/-]*(?P<y2>20\d\d))?",
    re.IGNORECASE,
)
_MONTH = re.compile(
    r"(20\d\d[-/. ](0?[1-9]|1[0-2])|(0?[1-9]|1[0-2])[-/. ]20\d\d"
    r"|(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*[-/. ]*(20\d\d)?)", re.IGNORECASE,
)  # fmt: skip
_PARTNER = re.compile(
    r"(?:with |\+ ?)?\b(?:PR|partner(?:[ -]?resisted)?(?: reps?)?)\b[ :]*(?:x ?\d+|\d+ ?x?)?", re.IGNORECASE
)
_WITHOUT = re.compile(r"\b(?:no|not|without|kein|keine|ohne)\b", re.IGNORECASE)
ONE_ROW_EACH = (
    "Ask the booking program for a list with one row for each session (client, date, trainer, status). "
    "From paper, type one row for each session."
)


def said_in_note(text: str) -> bool | None:
    """Whether a remark tells of partner reps, of none, or of neither.

    Examples
    --------
    >>> said_in_note("PR x3, tired"), said_in_note("no partner reps"), said_in_note("knee")
    (True, False, None)
    """
    found = _PARTNER.search(text)
    return None if found is None else _WITHOUT.search(text[: found.start()]) is None


# --- where the table begins ----------------------------------------------------------------------


def header_row(rows: Iterable[Row]) -> int:
    """Row of the header, counted from 1: the first that names two wanted columns, or days side by side.

    Where no row does, it is the first one that fills more than one cell.

    Examples
    --------
    >>> header_row([["Attendance 2025"], [], ["Member", "Visit date"], ["C1", "2025-03-04"]])
    3
    """
    first = 0
    for number, row in enumerate(rows, start=1):
        if number > LOOKED_AT and first:
            break
        cells = [cell for cell in row if not isinstance(cell, Trouble) and cell.strip()]
        if len(cells) > 1:
            first = first or number
            days = sum(_names_a_day(cell) for cell in cells)
            if days >= LEAST_DAYS or (not days and len(_wanted_names(cells)) > 1):
                return number
    return first or 1


def _wanted_names(cells: Sequence[str]) -> set[str]:
    names = {plain_name(cell) for cell in cells}
    return {
        wanted.name
        for table in WANTED.values()
        for wanted in table
        if names & {plain_name(wanted.name), *map(plain_name, wanted.other_names)}
    }


def _names_a_day(text: str) -> bool:
    read = date_readings(text)
    return (read.day_first is not None or read.month_first is not None) or _monday(text) is not None


def settled_sheet(sheet: Sheet, header: int = 0) -> tuple[Sheet, tuple[Finding, ...]]:
    """The sheet from its header on, what stands in merged cells in each of them.

    Parameters
    ----------
    sheet : Sheet
    header : int
        Row of the header as stated, 0 where it is to be found.
    """
    rows = [list(row) for row in sheet.rows]
    begins = header or header_row(rows)
    for top, bottom, left, _ in sheet.merged:
        if top < begins or top > len(rows) or len(rows[top - 1]) < left:
            continue
        for row in rows[top:bottom]:
            row += [""] * (left - len(row))
            row[left - 1] = rows[top - 1][left - 1]
    titles = [number for number, row in enumerate(rows[: begins - 1], start=1) if row]
    kept = tuple(() if number < begins else tuple(row) for number, row in enumerate(rows, start=1))
    return replace(sheet, rows=kept), told_titles(sheet.title, titles, begins)


def told_titles(where: str, titles: Sequence[int], header: int) -> tuple[Finding, ...]:
    """That rows above the header were taken as a title."""
    if not titles:
        return ()
    return (
        Finding("note", f"{where}, row {titles[0]}", "the names of the columns in row 1",
                f"a title, and the names in row {header}",
                "The rows above them are not used. If that is wrong: --header-row N."),
    )  # fmt: skip


# --- rows that are no sessions -------------------------------------------------------------------


def surplus_rows(
    where: str, header: Sequence[str], columns: Sequence[RawColumn], numbers: Integers
) -> tuple[Bools, list[NoticedRows]]:
    """Rows that repeat the header, and totals: both are no sessions of anybody."""
    again = np.ones(len(numbers), dtype=bool)
    totals = np.zeros(len(numbers), dtype=bool)
    for name, column in zip(header, columns, strict=True):
        if name:
            again &= column.of_rows([text.casefold() == name.casefold() for text in column.texts])
        totals |= column.of_rows([_TOTAL.fullmatch(text) is not None for text in column.texts])
    again &= any(header)
    noticed = [
        NoticedRows(reason, frozen_array(numbers[rows], np.int64), False, where, "note",
                    "one row for each session", got, "They are not counted as sessions.")
        for rows, reason, got in (
            (again, "the names of the columns again", "the header in the middle of the rows"),
            (totals & ~again, "a total", "a total of other rows"),
        ) if rows.any()
    ]  # fmt: skip
    return ~(again | totals), noticed


# --- a column for each day or week ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LongForm:
    """A table with one row for each session.

    Parameters
    ----------
    header : tuple of str
    columns : tuple of RawColumn
    row_numbers : ndarray of int
        Row of the sheet behind each session.
    told : tuple of Finding
    """

    header: tuple[str, ...]
    columns: tuple[RawColumn, ...]
    row_numbers: Integers
    told: tuple[Finding, ...]


def long_form(
    where: str, header: Sequence[str], columns: Sequence[RawColumn], numbers: Integers
) -> LongForm | None:
    """A sheet with a column for each day or week as one row for each filled cell; none for other sheets.

    Raises
    ------
    DataError
        If there is a column for each month: days of sessions are needed.
    """
    _refuse_months(where, header, columns)
    wide = {place: name for place, name in enumerate(header) if name and _names_a_day(name)}
    if len(wide) < LEAST_DAYS or "date" in map(plain_name, header):
        return None
    others = [place for place, name in enumerate(header) if name and place not in wide]
    found: list[tuple[int, str, str, str]] = []  # row, day, status, partner reps
    weekly = any(_monday(name) for name in wide.values())
    for place, name in wide.items():
        for row, text in enumerate(columns[place].cells()):
            found += [(row, day, *_tick(text)) for day in _days(name, text) if text not in ("", "-", "0")]
    found.sort(key=lambda item: item[0])
    rows = [row for row, *_ in found]
    marks = any(mark for *_, mark in found)
    cells = [raw_column([columns[place].cells()[row] for row in rows]) for place in others]
    own = [raw_column([*texts]) for texts in zip(*(item[1:] for item in found), strict=True)][: 2 + marks]
    told = [
        Finding("note", where, "one row for each session",
                f"a column for each of {len(wide)} {'weeks' if weekly else 'days'}",
                f"Each filled cell was read as a session: {len(found)} of them."),
        *([Finding("warn", where, "the day of each session", "weeks only",
                   "Sessions were dated from the Monday of their week on.")] if weekly else []),
    ]  # fmt: skip
    names = (*(header[place] for place in others), "date", "status", "partner_reps")
    return LongForm(
        names[: len(others) + 2 + marks], tuple(column.trimmed() for column in (*cells, *own)),
        frozen_array(numbers[rows], np.int64), tuple(told),
    )  # fmt: skip


def _tick(text: str) -> tuple[str, str]:
    """What a cell of a wide sheet says: of attendance, and of partner reps."""
    said = said_in_note(text)
    rest = _PARTNER.sub("", text, count=1).strip(" +,;/()") if said else text
    came = not rest or rest.isdigit() or bool(said)
    return "attended" if came else rest, "yes" if said else ""


def _days(name: str, text: str) -> list[str]:
    """The day of a column; of a week as many days from its Monday on as there were sessions."""
    monday = _monday(name)
    if monday is None:
        return [name]
    times = int(text) if text.isdigit() and 1 <= int(text) <= 7 else 1
    return [(monday + dt.timedelta(days=day)).isoformat() for day in range(times)]


def _monday(text: str) -> dt.date | None:
    """Monday of a week such as ``2025-W12`` or ``KW 12 2025``; ``None`` for anything else."""
    found = _WEEK.fullmatch(text.strip())
    year = found and (found["y1"] or found["y2"])
    if not found or not year:
        return None
    try:
        return dt.date.fromisocalendar(int(year), int(found["w"]), 1)
    except ValueError:
        return None


def _refuse_months(where: str, header: Sequence[str], columns: Sequence[RawColumn]) -> None:
    months = [name for name in header if _MONTH.fullmatch(name.strip())]
    column = next((name for name, cells in zip(header, columns, strict=True) if _holds_months(cells)), "")
    what = f"a column for each month ({months[0]}, …)" if len(months) >= LEAST_DAYS else ""
    if column and not any(_holds_days(cells) for cells in columns):
        what = f"months in column {column}, and no days"
    if what:
        raise DataError([Finding("stop", where, "the day of each session", what, ONE_ROW_EACH)])


def _holds_months(column: RawColumn) -> bool:
    texts = [text for text in column.texts if text]
    return bool(texts) and all(_MONTH.fullmatch(text) for text in texts)


def _holds_days(column: RawColumn) -> bool:
    texts = [text for text in column.texts if text][:20]
    return bool(texts) and sum(_names_a_day(text) for text in texts) > len(texts) / 2


def told_colours(where: str, coloured: int, columns: int, marked: bool) -> tuple[Finding, ...]:
    """That colours are not read, where they may be what marks partner reps."""
    if marked or coloured <= 2 * columns:
        return ()
    return (
        Finding("warn", where, "marks of partner reps as words or numbers", f"{coloured} cells with a colour",
                "Colours are not read. If one marks partner reps: filter by it, and type x into a new column "
                "partner_reps of those rows."),
    )  # fmt: skip


NOTES: Mapping[str, None] = dict.fromkeys(("note", "notes", "remark", "remarks", "comment", "comments"))
