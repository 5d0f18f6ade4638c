"""Day first or month first: settled by what a column shows, by runs of its rows, and by the calendar.

Files that were kept by two people, or opened on two machines, hold both orders. A share does not tell: three
weeks of month-first dates are few, and those that can be two days would move by months without a word.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from studykit.errors import DataError, Finding
from studykit.lookback.log import UNKNOWN_DAY, Bools, Integers, day_number, row_list
from studykit.records.cells import FIRST_YEAR, LAST_YEAR, DateReadings, date_readings, is_day_count
from studykit.records.raw_table import RawColumn

DateOrder = str
DATE_ORDERS: tuple[DateOrder, ...] = ("day first", "month first")
FEW = 0.05  # of the rows: slips in a column that is otherwise clear
RUN = 3  # rows one after the other under the other order are no slips any more
SORTED = 0.9  # of steps from row to row in one direction
BEYOND = 60  # days after the last clear date
ENOUGH = 100  # clear dates, from which a weekday without any is a day on which nobody trains


@dataclass(frozen=True, slots=True, eq=False)
class Dates:
    """Days of one column.

    Parameters
    ----------
    days : ndarray of int
        By text; `UNKNOWN_DAY` where a text is no day, or one of two, under the order.
    order : {"day first", "month first"} or None
    findings : tuple of Finding
    doubted : ndarray of bool, shape (rows,)
        Rows that can be two days, among rows of the other order.
    """

    days: Integers
    order: DateOrder | None
    findings: tuple[Finding, ...]
    doubted: Bools


def parse_dates(
    column: RawColumn, where: str, order: DateOrder | None, *, numbers: Integers | None = None
) -> Dates:
    """Read every text of a column as a day, in one order of day and month for the whole column.

    Parameters
    ----------
    column : RawColumn
    where : str
        Place to name.
    order : {"day first", "month first"}, optional
        As stated by the user.
    numbers : ndarray of int, shape (rows,), optional
        Of the rows in the file, in its order.

    Raises
    ------
    DataError
        If the order matters, was not stated, and the column does not settle it or shows both.

    Notes
    -----
    A few texts that could be two days, in a column whose other dates are clear, are not understood; they
    do not stop the rest.
    """
    read = [date_readings(text) for text in column.texts]
    findings: list[Finding] = []
    doubtful = False
    doubted = np.zeros(len(column.place), dtype=bool)
    said = order is not None
    if any(not item.ordered for item in read):
        if order is None:
            order, doubtful, finding = _settled(column, read, where)
            findings += [finding] if finding else []
        if order is not None:
            doubted, contrary = _against(column, read, order)
            other = int((contrary < 0).sum())
            if not said and (longest_run(contrary) >= RUN or other > FEW * (contrary > 0).sum()):
                rows = (np.arange(len(contrary)) + 2 if numbers is None else numbers)[contrary < 0]
                raise DataError([_mixed(where, order, rows)])
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
    return Dates(days, order, tuple(findings), doubted)


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
    if more and 2 * fewer <= more:  # what speaks for the other order is looked at row by row
        order: DateOrder = "day first" if day_rows > month_rows else "month first"
        shown = column.texts[(only_day if day_rows > month_rows else only_month).index(True)]
        if open_rows == 0 and known == day_rows + month_rows:
            return order, False, None
        return order, False, Finding(
            "note", where, "a stated order of day and month", "none",
            f"Read {order}, since {shown} allows no other.",
        )  # fmt: skip
    if open_rows + day_rows + month_rows <= FEW * known:
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


def _mixed(where: str, order: DateOrder, rows: Integers) -> Finding:
    other = next(item for item in DATE_ORDERS if item != order)
    return Finding(
        "stop", f"{where}, {row_list(rows)}", f"one order of day and month, {order} as in most rows",
        f"rows that are {other}",
        f"Write the dates of these rows as YYYY-MM-DD. To leave them out: --date-order {order.split()[0]}.",
    )  # fmt: skip


def _against(column: RawColumn, read: Sequence[DateReadings], order: DateOrder) -> tuple[Bools, Integers]:
    """Rows that may belong to the other order, and what each says of the order: 1, 0 or -1 (the other)."""
    one, two = ("month_first", "day_first") if order == "month first" else ("day_first", "month_first")
    own, other = (
        np.array([_number(getattr(item, name)) for item in read], dtype=np.int64)[column.place]
        for name in (one, two)
    )
    ambiguous = np.array([item.ambiguous for item in read], dtype=bool)[column.place]
    free = (own == other) & (own != UNKNOWN_DAY)
    strong = np.where(own == UNKNOWN_DAY, np.where(other == UNKNOWN_DAY, 0, -1), 0)
    strong[(other == UNKNOWN_DAY) & (own != UNKNOWN_DAY)] = 1
    clear = np.flatnonzero(free | (strong != 0))
    weak = strong.copy()
    if clear.size:
        day = np.where(own[clear] == UNKNOWN_DAY, other[clear], own[clear])
        rows = np.flatnonzero(ambiguous)
        late = (own[rows] > day.max() + BEYOND) & (other[rows] <= day.max() + BEYOND)
        strong[rows[late]] = -1
        strong[rows] += np.where(late, 0, _by_place(clear, day, rows, own[rows], other[rows]))
        weak = strong.copy()
        weekdays = np.bincount(day % 7, minlength=7)
        if clear.size >= ENOUGH:
            shut = weekdays == 0
            weak[rows[shut[own[rows] % 7] & ~shut[other[rows] % 7] & (strong[rows] == 0)]] = -1
    said = np.flatnonzero(strong)
    doubted = np.zeros(len(strong), dtype=bool)
    if (strong < 0).any():
        padded = np.concatenate(([1], strong[said], [1]))
        after = np.searchsorted(said, np.arange(len(strong)), side="left")
        near = np.minimum(padded[after], padded[np.minimum(after + 1, len(padded) - 1)])
        doubted = ambiguous & np.where(strong == 0, near < 0, strong < 0)
    return doubted, weak


def _number(day: object) -> int:
    return UNKNOWN_DAY if day is None else day_number(day)  # type: ignore[arg-type]


def _by_place(clear: Integers, day: Integers, rows: Integers, own: Integers, other: Integers) -> Integers:
    """What the rows before and after say, where rows stand in the order of their days: 1, 0 or -1."""
    steps = np.diff(day)
    rising = np.mean(steps >= 0) if steps.size else 0.0
    falling = np.mean(steps <= 0) if steps.size else 0.0
    if len(clear) < ENOUGH // 5 or max(rising, falling) < SORTED:
        return np.zeros(len(rows), dtype=np.int64)
    place = np.searchsorted(clear, rows)
    before, after = day[np.maximum(place - 1, 0)], day[np.minimum(place, len(clear) - 1)]
    low, high = np.minimum(before, after) - 3, np.maximum(before, after) + 3
    low = np.where((place == 0) & (rising >= falling), -(10**9), low)
    high = np.where((place == len(clear)) & (rising >= falling), 10**9, high)
    low = np.where((place == len(clear)) & (rising < falling), -(10**9), low)
    high = np.where((place == 0) & (rising < falling), 10**9, high)
    fits, others = (low <= own) & (own <= high), (low <= other) & (other <= high)
    return np.where(fits & ~others, 1, np.where(others & ~fits, -1, 0))


def longest_run(said: Integers) -> int:
    """Most rows one after the other that speak for the other order; rows that say nothing do not count.

    Examples
    --------
    >>> longest_run(np.array([1, -1, 0, -1, 1, -1]))
    2
    """
    spoken = said[said != 0] < 0
    ends = np.flatnonzero(np.diff(np.concatenate(([False], spoken, [False])).astype(np.int64)))
    return int((ends[1::2] - ends[::2]).max(initial=0))
