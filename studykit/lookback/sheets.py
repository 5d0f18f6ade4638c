"""Which sheets of a workbook hold the sessions: all that have one header; every other one is named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from studykit.errors import DataError, Finding
from studykit.records.cells import Trouble
from studykit.records.nearest import nearest_known
from studykit.records.workbook import Sheet

SESSIONS = "sessions"
FURTHER = ("clients", "pauses", "departures", "closures", "trainers")


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


def choose_sheets(sheets: Sequence[Sheet], where: str, said: Sequence[str] = ()) -> SheetsOfOneBook:
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
    first = sheet.rows[0] if sheet.rows else ()
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
        raise DataError([
            Finding("stop", where, "sheets with sessions that all have the same column names",
                    "different ones on " + _counted([*chosen, *rivals]),
                    "Give them one header row, or say which to read: --sheet NAME, once for each.")
        ])  # fmt: skip
    return chosen


def _nearly(columns: frozenset[str], others: frozenset[str]) -> bool:
    """Whether most columns are the same: a year to which a column was added, say."""
    shared = len(columns & others)
    return shared > 1 and 2 * shared > max(len(columns), len(others))


def _counted(sheets: Sequence[Sheet]) -> str:
    return ", ".join(f"{sheet.title} ({rows_below(sheet)} rows)" for sheet in sheets)


def rows_below(sheet: Sheet) -> int:
    """Rows in which something stands, without the header."""
    return max(sheet.filled - 1, 0)


def told_of_sheets(book: SheetsOfOneBook, where: str) -> list[Finding]:
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
