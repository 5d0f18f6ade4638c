"""From the texts of an export to values, and its rows on their way.

Days, marks of partner reps, states of a booking and codes; which rows are left out and why, and what was
noticed of those that stay.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from studykit.errors import DataError, Finding, Severity
from studykit.lookback.export_columns import plain_name
from studykit.lookback.export_tables import ExportTable
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, Bools, Integers, NoticedRows, day_number
from studykit.records.cells import (
    FIRST_YEAR,
    LAST_YEAR,
    DateReadings,
    Trouble,
    date_readings,
    decimal_mark,
    is_day_count,
    read_number,
)
from studykit.records.raw_table import RawColumn
from studykit.records.schema import SESSIONS as SESSION_TABLE
from studykit.records.schema import Column
from studykit.results import RowCount, frozen_array

Got = str | Callable[[Bools], str]


DateOrder = Literal["day first", "month first"]
DATE_ORDERS: tuple[DateOrder, ...] = ("day first", "month first")
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
_YES, _NO = (
    frozenset({"yes", "y", "true", "x", "done", "✓", "✔"}),
    frozenset({"no", "n", "false", "-", "none"}),
)
_REPS = SESSION_TABLE.column("partner_reps")
MOST_REPS = int(_REPS.highest)


@dataclass(frozen=True, slots=True, eq=False)
class Dates:
    """Days of one column by text; `UNKNOWN_DAY` where a text is no day, or one of two, under the order."""

    days: Integers
    order: DateOrder | None
    findings: tuple[Finding, ...]


_FEW = 0.05  # of the rows: slips in a column that is otherwise clear


def parse_dates(column: RawColumn, where: str, order: DateOrder | None) -> Dates:
    """Read every text of a column as a day, in one order of day and month for the whole column.

    Parameters
    ----------
    column : RawColumn
    where : str
        Place to name.
    order : {"day first", "month first"}, optional
        As stated by the user.

    Raises
    ------
    DataError
        If the order matters, was not stated, and the column does not settle it.

    Notes
    -----
    A few texts that could be two days, in a column whose other dates are clear, are not understood; they
    do not stop the rest.
    """
    read = [date_readings(text) for text in column.texts]
    findings: list[Finding] = []
    doubtful = False
    if order is None and any(not item.ordered for item in read):
        order, doubtful, finding = _settled(column, read, where)
        findings += [finding] if finding else []
    days = np.full(len(read), UNKNOWN_DAY, dtype=np.int64)
    for place, item in enumerate(read):
        day = item.month_first if order == "month first" else item.day_first
        known = day is not None and FIRST_YEAR <= day.year <= LAST_YEAR
        if day is not None and known and not (doubtful and item.ambiguous):
            days[place] = day_number(day)
    counts = [text for text in column.texts if is_day_count(text)]
    if counts:
        read_as = date_readings(counts[0]).day_first
        findings.append(
            Finding("note", where, "dates as people write them",
                    f"a spreadsheet's count of days, {counts[0]}", f"It was read as {read_as}.")
        )  # fmt: skip
    return Dates(days, order, tuple(findings))


def _settled(
    column: RawColumn, read: Sequence[DateReadings], where: str
) -> tuple[DateOrder | None, bool, Finding | None]:
    """The order that the column itself settles, and whether dates that can be two days stay unread."""
    rows = np.bincount(column.place, minlength=len(column.texts))
    only_day = [item.day_first is not None and item.month_first is None for item in read]
    only_month = [item.month_first is not None and item.day_first is None for item in read]
    ambiguous = [item.ambiguous for item in read]
    day_rows, month_rows, open_rows = (int(rows[mask].sum()) for mask in (only_day, only_month, ambiguous))
    known = int(rows[[item.day_first is not None or item.month_first is not None for item in read]].sum())
    fewer, more = sorted((day_rows, month_rows))
    if more and fewer <= _FEW * more:
        order: DateOrder = "day first" if day_rows > month_rows else "month first"
        shown = column.texts[(only_day if day_rows > month_rows else only_month).index(True)]
        if open_rows == 0 and known == day_rows + month_rows:
            return order, False, None
        return order, False, Finding(
            "note", where, "a stated order of day and month", "none",
            f"Read {order}, since {shown} allows no other.",
        )  # fmt: skip
    if open_rows + day_rows + month_rows <= _FEW * known:
        return None, True, None
    if more:
        got = (
            f"{column.texts[only_day.index(True)]} and {column.texts[only_month.index(True)]}, which cannot "
            "both be"
        )
    else:
        place = ambiguous.index(True)
        got = f"{column.texts[place]}, which can be {read[place].day_first} or {read[place].month_first}"
    raise DataError(
        [
            Finding("stop", where, "one order of day and month, which the column itself shows", got,
                    "Say which: --date-order day (day first) or --date-order month (month first).")
        ]
    )  # fmt: skip


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
    """Marks of partner reps by text: 1, 0 or `UNKNOWN`, and whether a text was not understood."""

    value: Integers
    trouble: Bools
    blank_is_no: bool


def parse_marks(column: RawColumn) -> Marks:
    """Read yes, no, ticks and counts; blanks beside ticks only mean no.

    A count above what a session can hold, a negative one, and any other word are not understood.
    """
    texts = column.texts
    mark, doubt = decimal_mark([text for text in texts if text])
    value = np.full(len(texts), UNKNOWN, dtype=np.int64)
    trouble = np.zeros(len(texts), dtype=bool)
    reps = Column("partner_reps", "number", _REPS.meaning, lowest=_REPS.lowest, highest=_REPS.highest)
    for place, text in enumerate(texts):
        word = text.casefold()
        if word in _YES or word in _NO:
            value[place] = int(word in _YES)
        elif text:
            number = read_number(text, reps, mark="." if doubt else mark)
            if isinstance(number, float):
                value[place] = int(number > 0)
            else:
                trouble[place] = isinstance(number, Trouble)
    blank_is_no = bool((value == 1).any()) and not (value == 0).any()
    if blank_is_no and "" in texts:
        value[texts.index("")] = 0
    return Marks(value, trouble, blank_is_no and "" in texts)


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
        dates = parse_dates(column, self._where(self.table.where, name), self.order)
        self.findings += dates.findings
        days = in_rows(column, dates.days)
        if needed:
            self.leave_out(~column.filled, f"no {spoken}", name, expected="a date", got="an empty cell",
                           todo="Fill it in.")  # fmt: skip
        (self.leave_out if needed else self.notice)(
            column.filled & (days == UNKNOWN_DAY), f"a {spoken} that cannot be read", name, severity="stop",
            expected="one day of the calendar", todo="Correct it, as YYYY-MM-DD.",
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
