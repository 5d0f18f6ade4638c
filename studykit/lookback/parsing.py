"""From the texts of an export to values, and its rows on their way.

Days, marks of partner reps, states of a booking and codes; which rows are left out and why, and what was
noticed of those that stay.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from studykit.errors import Finding, Severity
from studykit.lookback.date_orders import DateOrder, parse_dates
from studykit.lookback.export_tables import ExportTable
from studykit.lookback.layout import said_in_note
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, Bools, Integers, NoticedRows
from studykit.lookback.wanted_columns import plain_name
from studykit.records.cells import decimal_mark, read_number
from studykit.records.raw_table import RawColumn
from studykit.records.schema import SESSIONS as SESSION_TABLE
from studykit.records.schema import Column
from studykit.results import RowCount, frozen_array

Got = str | Callable[[Bools], str]


ATTENDED, MISSED, BOOKED = 1, 2, 3
STATES = {"attended": ATTENDED, "cancelled": MISSED, "no show": MISSED, "booked": BOOKED}
_STATE_WORDS: Mapping[str, tuple[str, ...]] = {
    "attended": ("attended", "present", "completed", "complete", "done", "checked in", "check in", "arrived",
                 "showed", "show", "came", "yes", "y", "true", "1", "x"),
    "cancelled": ("cancelled", "canceled", "cancelled late", "late cancelled", "late canceled", "late cancel",
                  "late cancellation", "early cancel", "early cancelled", "cancellation", "cancel",
                  "cancelled by client", "cancelled by trainer", "rescheduled"),
    "no show": ("no show", "noshow", "absent", "missed", "did not attend", "not attended", "did not come",
                "no", "n", "false", "0"),
    "booked": ("booked", "reserved", "scheduled", "pending", "waiting list", "waitlist", "waitlisted",
               "confirmed", "open"),
}  # fmt: skip
_YES = frozenset({"yes", "y", "true", "x", "done", "✓", "✔", "☑", "ja", "j", "oui", "sí", "si", "sim"})
_NO = frozenset({"no", "n", "false", "-", "none", "✗", "✘", "☐", "nein", "nej", "non", "nee", "não"})
_NOT_RECORDED = frozenset({"n/a", "na", "n.a.", "?", "unknown", "not known", "not recorded"})
_COUNTED = re.compile(r"[x×]?\s*(\d{1,5})(?:\s*[-–]\s*(\d{1,5}))?\s*(?:x|×|reps?\.?|repetitions|times)?")
_NUMBER = re.compile(r"[+\-−]?\d[\d.,]*$")
MARKS = {"yes": 1, "no": 0, "unknown": UNKNOWN}
_REPS = SESSION_TABLE.column("partner_reps")
MOST_REPS = int(_REPS.highest)


def parse_states(column: RawColumn, said: Mapping[str, str]) -> Integers:
    """State of a booking by text, 0 where a text is not understood.

    Parameters
    ----------
    column : RawColumn
    said : mapping of str to str
        Words of the export to ``attended``, ``cancelled``, ``no show`` or ``booked``.
    """
    words = {plain_name(word): state for state, known in _STATE_WORDS.items() for word in known}
    words |= {plain_name(word): state for word, state in said.items()}
    return np.array([STATES.get(words.get(plain_name(text), ""), 0) for text in column.texts], dtype=np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """Marks of partner reps by text.

    Parameters
    ----------
    value : ndarray of int
        1, 0 or `UNKNOWN`.
    trouble, unexplained, blank : ndarray of bool
        A number that cannot be; a word that nobody explained; nothing on partner reps.
    blank_is_no : bool
        Something stands only where there were any.
    """

    value: Integers
    trouble: Bools
    unexplained: Bools
    blank: Bools
    blank_is_no: bool


def parse_marks(column: RawColumn, said: Mapping[str, str], *, notes: bool = False) -> Marks:
    """Read yes, no, ticks and counts, and words as they were explained.

    Parameters
    ----------
    column : RawColumn
    said : mapping of str to str
        Words of the export to ``yes``, ``no`` or ``unknown``.
    notes : bool
        The column holds remarks, of which only those on partner reps matter.
    """
    texts = column.texts
    mark, doubt = decimal_mark([text for text in texts if text])
    known = {plain_name(word): MARKS[meaning] for word, meaning in said.items()}
    value = np.full(len(texts), UNKNOWN, dtype=np.int64)
    trouble, unexplained, blank = (np.zeros(len(texts), dtype=bool) for _ in range(3))
    for place, text in enumerate(texts):
        word, told = plain_name(text), said_in_note(text)
        if word in known:
            value[place] = known[word]
        elif told is not None:
            value[place] = int(told)
        elif not text or notes:
            blank[place] = True
        elif text.casefold() in _YES or text.casefold() in _NO:
            value[place] = int(text.casefold() in _YES)
        elif text.casefold() not in _NOT_RECORDED:
            count = _count(text, "." if doubt else mark)
            value[place] = UNKNOWN if count is None else int(count > 0)
            trouble[place], unexplained[place] = count is None, count is None and not _NUMBER.match(text)
            trouble[place] &= not unexplained[place]
    blank_is_no = bool((value == 1).any()) and not (value == 0).any()
    if blank_is_no:
        value[blank] = 0
    return Marks(value, trouble, unexplained, blank, blank_is_no and bool(blank.any()))


def _count(text: str, mark: Any) -> float | None:
    """How many partner reps a text says: ``8``, ``3 reps``, ``2x``, ``8-10``; none where it does not."""
    reps = Column("partner_reps", "number", _REPS.meaning, lowest=_REPS.lowest, highest=_REPS.highest)
    number = read_number(text, reps, mark=mark)
    if isinstance(number, float):
        return number
    found = _COUNTED.fullmatch(text.casefold())
    highest = max((int(part) for part in found.groups() if part), default=0) if found else MOST_REPS + 1
    return float(highest) if highest <= MOST_REPS else None


@dataclass(frozen=True, slots=True, eq=False)
class Codes:
    """Codes of a column by text: index into ``codes``, `UNKNOWN` where a cell is empty."""

    codes: tuple[str, ...]
    place: Integers
    respelt: tuple[tuple[str, str], ...]


def parse_codes(columns: Sequence[RawColumn]) -> tuple[Codes, ...]:
    """One list of codes for the same column of several tables; capitals make no difference.

    Parameters
    ----------
    columns : sequence of RawColumn
        The first introduces the spelling.
    """
    spelling: dict[str, str] = {}
    respelt = [_respelt(column, spelling) for column in columns]
    codes = tuple(sorted(spelling.values()))
    index = {code.casefold(): place for place, code in enumerate(codes)}
    return tuple(
        Codes(
            codes,
            np.array([index[text.casefold()] if text else UNKNOWN for text in column.texts], dtype=np.int64),
            changed,
        )
        for column, changed in zip(columns, respelt, strict=True)
    )


def _respelt(column: RawColumn, spelling: dict[str, str]) -> tuple[tuple[str, str], ...]:
    """Learn the spellings of a column; what is written another way than before."""
    settled = [(text, spelling.setdefault(text.casefold(), text)) for text in column.texts if text]
    return tuple((text, code) for text, code in settled if text != code)


# --- rows ------------------------------------------------------------------------------------------


@dataclass(slots=True)
class RowFilter:
    """The rows of one table; a row is left out once, for the first reason that holds.

    Parameters
    ----------
    table : ExportTable
    places : mapping of str to int
        Where its wanted columns stand; the methods take their names.
    order : {"day first", "month first"}, optional
        Of its dates, as stated by the user.
    findings : list of Finding
        What is found besides single rows is added here.
    """

    table: ExportTable
    places: Mapping[str, int]
    order: DateOrder | None
    findings: list[Finding]
    kept: Bools = field(init=False)
    noticed: list[NoticedRows] = field(init=False)

    def __post_init__(self) -> None:
        self.kept = np.ones(self.table.rows, dtype=bool)
        self.noticed = list(self.table.noticed)

    def __contains__(self, name: str) -> bool:
        return name in self.places

    def column(self, name: str) -> RawColumn:
        """One column of the table."""
        return self.table.columns[self.places[name]]

    def all_rows(self, value: int) -> Integers:
        """One value in every row."""
        return np.full(self.table.rows, value, dtype=np.int64)

    def codes(self, name: str, codes: Codes, **said: Any) -> Integers:
        """Index of the code by row; rows without a code are left out."""
        found = in_rows(self.column(name), codes.place)
        words = {"expected": f"a {name} code", "got": "an empty cell", "todo": "Fill it in."}
        self.leave_out(found == UNKNOWN, f"no {name} code", name, **words | said)
        return found

    def days(self, name: str, *, needed: bool) -> Integers:
        """Days of one column by row; rows without one are left out where it is needed."""
        if name not in self:
            return self.all_rows(UNKNOWN_DAY)
        column, spoken = self.column(name), name.replace("_", " ")
        dates = parse_dates(
            column, self._where(self.table.where, name), self.order, numbers=self.table.row_numbers
        )
        self.findings += dates.findings
        days = in_rows(column, dates.days)
        days[dates.doubted] = UNKNOWN_DAY
        if needed:
            self.leave_out(~column.filled, f"no {spoken}", name, expected="a date", got="an empty cell",
                           todo="Fill it in.")  # fmt: skip
        (self.leave_out if needed else self.notice)(
            column.filled & (days == UNKNOWN_DAY) & ~dates.doubted, f"a {spoken} that cannot be read", name,
            severity="stop", expected="one day of the calendar", todo="Correct it, as YYYY-MM-DD.",
        )  # fmt: skip
        (self.leave_out if needed else self.notice)(
            dates.doubted, f"a {spoken} that can be two days, among dates in the other order", name,
            severity="stop", expected=f"{dates.order}, as in most rows", todo="Write it as YYYY-MM-DD.",
        )  # fmt: skip
        return days

    def leave_out(
        self, rows: Bools, reason: str, name: str, *, severity: Severity = "stop", expected: str,
        got: Got = "", todo: str,
    ) -> None:  # fmt: skip
        """Leave rows out, with one finding for all of them; ``got`` may depend on the rows of a sheet."""
        rows = rows & self.kept
        self.kept &= ~rows
        self._add(rows, reason, False, name, severity, (expected, got, todo))

    def notice(
        self, rows: Bools, reason: str, name: str, *, severity: Severity = "warn", expected: str,
        got: Got = "", todo: str,
    ) -> None:  # fmt: skip
        """Point at rows that are used all the same."""
        self._add(rows & self.kept, reason, True, name, severity, (expected, got, todo))

    def _add(
        self,
        rows: Bools,
        reason: str,
        used: bool,
        name: str,
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
            shown = (got if isinstance(got, str) else got(here)) or self._shown(name, here)
            place = self._where(where, name)
            self.noticed.append(NoticedRows(reason, numbers, used, place, severity, expected, shown, todo))

    def _where(self, where: str, name: str) -> str:
        return f"{where}, column {self.table.header[self.places[name]]}"

    def _shown(self, name: str, rows: Bools) -> str:
        """What stands in the first of some rows."""
        column = self.column(name)
        return repr(column.texts[int(column.place[int(np.flatnonzero(rows)[0])])])

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
