"""The retention clock of one client, in whole days: who still trains, who has left, who came back.

Day 0 is the start (allocation in a trial, joining in a look back). A *countable* day is one on which
the client could have been expected: neither a closure of the studio nor a registered pause. A client
is active on a day when fewer than `RetentionRule.absence_days` countable days have passed since the
last attended session (or since the start, when there was none). On the first day that completes that
number without attendance the departure is *confirmed*; it is dated twice, by the last attended session
and by the day of confirmation, because it can be known only on the second.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.results import Result, frozen_array

DatedBy = Literal["confirmed_on", "last_attended"]


class Closure(NamedTuple):
    """Days on which the studio was closed for everybody, both ends included."""

    first: int
    last: int


class Pause(NamedTuple):
    """A client's registered break, both ends included.

    ``registered`` is the day it was entered; None means that it was entered in time. A pause entered
    after the gap it would explain has been judged does not undo that departure.
    """

    first: int
    last: int
    registered: int | None = None


@dataclass(frozen=True, slots=True)
class RetentionRule(Result):
    """When an absence becomes a departure.

    Parameters
    ----------
    absence_days : int
        Countable days without attendance that make a departure. The default, four weeks, is a common
        definition of exercise drop-out in published studies of fitness members.
    pause_cap_days : int
        Longest part of one pause that stops the clock; closure days inside a pause are not used up.
    pause_total_cap_days : int
        Most days of pause that stop the clock within any ``pause_window_days`` days (a judgement of
        this project: 56 days in 26 weeks).
    pause_window_days : int
        Length of that moving window.
    """

    absence_days: int = 28
    pause_cap_days: int = 28
    pause_total_cap_days: int = 56
    pause_window_days: int = 182

    def __post_init__(self) -> None:
        for name, least in (
            ("absence_days", 1),
            ("pause_cap_days", 0),
            ("pause_total_cap_days", 0),
            ("pause_window_days", 1),
        ):
            if getattr(self, name) < least:
                raise ArgumentError(
                    where=f"retention rule, {name}",
                    expected=f"a whole number of days from {least}",
                    got=repr(getattr(self, name)),
                )


FOUR_WEEKS = RetentionRule()
"""The default rule."""


@dataclass(frozen=True, slots=True)
class ClientHistory:
    """What the records say about one client, in days since the start.

    Parameters
    ----------
    attended : tuple of int
        Days with an attended session, from ``observed_from`` to ``data_through``; any order, repeats
        allowed (two sessions on one day are one attended day).
    pauses : tuple of Pause
        Registered breaks; a pair ``(first, last)`` is taken as a `Pause` entered in time.
    closures : tuple of Closure
        Days on which the studio was closed, pairs ``(first, last)``.
    data_through : int
        Last day on which attendance is known; later days are unknown, never absences.
    observed_from : int
        First day on which attendance is known. 0 in a trial; later for a member who had joined
        before the records begin (the absence is then counted from this day).

    Raises
    ------
    ArgumentError
        If a session lies outside the known days, or an interval ends before it begins.

    Examples
    --------
    >>> history = ClientHistory(attended=(2, 5, 9), data_through=60)
    >>> departures(history)
    (Departure(last_attended=9, counted_from=9, confirmed_on=37, returned_on=None),)
    >>> is_active(history, 36), is_active(history, 37), is_active(history, 61)
    (True, False, None)
    """

    attended: tuple[int, ...]
    data_through: int
    pauses: tuple[Pause, ...] = ()
    closures: tuple[Closure, ...] = ()
    observed_from: int = field(default=0)

    def __post_init__(self) -> None:
        days = tuple(sorted({int(day) for day in self.attended}))
        object.__setattr__(self, "attended", days)
        object.__setattr__(self, "pauses", tuple(Pause(*pause) for pause in self.pauses))
        object.__setattr__(self, "closures", tuple(Closure(*closure) for closure in self.closures))
        if self.data_through < self.observed_from or self.observed_from < 0:
            raise ArgumentError(
                where="client history",
                expected="0 <= observed_from <= data_through",
                got=f"observed_from {self.observed_from}, data_through {self.data_through}",
            )
        outside = [day for day in days if not self.observed_from <= day <= self.data_through]
        if outside:
            raise ArgumentError(
                where="client history, attended",
                expected=f"days from {self.observed_from} to {self.data_through}",
                got=", ".join(map(str, outside[:5])),
                todo="Leave out sessions before the start and after the data end, and count them.",
            )
        for name, intervals in (("pauses", self.pauses), ("closures", self.closures)):
            for interval in intervals:
                if interval.last < interval.first:
                    raise ArgumentError(
                        where=f"client history, {name}",
                        expected="a first day not after the last day",
                        got=f"{interval.first} to {interval.last}",
                    )


@dataclass(frozen=True, slots=True)
class Departure(Result):
    """A client stopped training.

    Parameters
    ----------
    last_attended : int or None
        Day of the last attended session; None when there was none since the start.
    counted_from : int
        The day after which the absence was counted: ``last_attended``, or the first known day.
    confirmed_on : int
        The countable day that completed the absence.
    returned_on : int or None
        Day of the next attended session, when the client came back later.
    """

    last_attended: int | None
    counted_from: int
    confirmed_on: int
    returned_on: int | None


@dataclass(frozen=True, slots=True)
class Spell(Result):
    """One client's time to the first departure, for a retention curve.

    Parameters
    ----------
    time : int
        Days since the start: of the departure, or of the end of follow-up.
    event : bool
        True for a departure, False when the client was followed to ``time`` without one.
    last_attended : int or None
        Last attended session up to ``time``.
    entry : int
        First day under observation; later than 0 for a member who joined before the records begin.
    """

    time: int
    event: bool
    last_attended: int | None
    entry: int = 0


def stopped_days(history: ClientHistory, rule: RetentionRule) -> NDArray[np.bool_]:
    """Which days do not count, closures and pauses within their caps; shape (days,).

    Indexed by day from 0 to the last day that the history mentions.
    """
    ends = [history.data_through, *(p.last for p in history.pauses), *(c.last for c in history.closures)]
    stopped = np.zeros(max(ends) + 1, dtype=bool)
    for closure in history.closures:
        stopped[max(closure.first, 0) : max(closure.last + 1, 0)] = True
    paused = np.zeros_like(stopped)
    in_order = sorted(history.pauses, key=_entry_order)
    for pause in in_order:
        _add_pause(pause, stopped=stopped, paused=paused, history=history, rule=rule)
    return stopped


def _entry_order(pause: Pause) -> tuple[int, int, int]:
    """Pauses use up the caps in the order in which they were entered."""
    return (pause.first if pause.registered is None else pause.registered, pause.first, pause.last)


def _add_pause(
    pause: Pause,
    *,
    stopped: NDArray[np.bool_],
    paused: NDArray[np.bool_],
    history: ClientHistory,
    rule: RetentionRule,
) -> None:
    """Mark the days on which this pause stops the clock: in time, and within both caps."""
    judged = _judged_gaps(history, rule, stopped) if pause.registered is not None else ()
    used = 0
    for day in range(max(pause.first, 0), pause.last + 1):
        too_late = any(
            start < day <= end and pause.registered is not None and pause.registered > confirmed
            for start, end, confirmed in judged
        )
        window = paused[max(0, day - rule.pause_window_days + 1) : day + 1]
        if used >= rule.pause_cap_days or too_late or stopped[day]:
            continue
        if int(window.sum()) >= rule.pause_total_cap_days:
            continue
        used += 1
        stopped[day] = paused[day] = True


def _judged_gaps(
    history: ClientHistory, rule: RetentionRule, stopped: NDArray[np.bool_]
) -> tuple[tuple[int, float, int], ...]:
    """Gaps that became departures: (counted from, last day without attendance, confirmed on)."""
    return tuple(
        (
            departure.counted_from,
            np.inf if departure.returned_on is None else departure.returned_on - 1,
            departure.confirmed_on,
        )
        for departure in _departures(history, rule, stopped)
    )


def _departures(
    history: ClientHistory, rule: RetentionRule, stopped: NDArray[np.bool_]
) -> tuple[Departure, ...]:
    """Departures under a given set of days that do not count."""
    counted = np.cumsum(~stopped)
    attended = frozenset(history.attended)
    anchors = sorted({history.observed_from, *history.attended})
    found = []
    for start, following in pairwise([*anchors, None]):
        assert start is not None
        confirmed = int(np.searchsorted(counted, counted[start] + rule.absence_days))
        if confirmed >= (history.data_through + 1 if following is None else following):
            continue
        found.append(Departure(start if start in attended else None, start, confirmed, following))
    return tuple(found)


def departures(history: ClientHistory, rule: RetentionRule = FOUR_WEEKS) -> tuple[Departure, ...]:
    """All departures that the data can confirm, in order of time.

    Parameters
    ----------
    history : ClientHistory
        Attendance, pauses and closures of one client.
    rule : RetentionRule
        When an absence becomes a departure.

    Returns
    -------
    tuple of Departure
        Empty when the client never left. A departure that the client ended by coming back is kept,
        with ``returned_on``.

    Examples
    --------
    A pause from day 10 to day 23 stops the clock for its 14 days:

    >>> departures(ClientHistory((9, 60), pauses=(Pause(10, 23),), data_through=100))
    (Departure(last_attended=9, counted_from=9, confirmed_on=51, returned_on=60),
     Departure(last_attended=60, counted_from=60, confirmed_on=88, returned_on=None))
    """
    return _departures(history, rule, stopped_days(history, rule))


def countable_days(
    history: ClientHistory, rule: RetentionRule = FOUR_WEEKS, *, after: int, through: int
) -> int:
    """Number of countable days later than ``after``, up to and including ``through``.

    Examples
    --------
    >>> countable_days(ClientHistory((), 50, closures=(Closure(10, 16),)), after=5, through=20)
    8
    """
    stopped = stopped_days(history, rule)
    inside = int(stopped[max(after + 1, 0) : through + 1].sum())
    return max(through - after, 0) - inside


def is_active(history: ClientHistory, day: int, *, rule: RetentionRule = FOUR_WEEKS) -> bool | None:
    """Whether the client still trains on ``day``.

    Parameters
    ----------
    history : ClientHistory
        Attendance, pauses and closures of one client.
    day : int
        Days since the start, from ``history.observed_from``.
    rule : RetentionRule
        When an absence becomes a departure.

    Returns
    -------
    bool or None
        None for a day after the data end: never counted as retained nor as departed. A client seen
        shortly before could only be retained, but one who had stayed away could still come back, so
        that knowing the first without the second would count the good news alone.

    Raises
    ------
    ArgumentError
        If ``day`` lies before the first known day.
    """
    if day < history.observed_from:
        raise ArgumentError(
            where="retention clock, day",
            expected=f"a day from {history.observed_from}, the first one known",
            got=str(day),
        )
    if day > history.data_through:
        return None
    anchor = max((seen for seen in history.attended if seen <= day), default=history.observed_from)
    return countable_days(history, rule, after=anchor, through=day) < rule.absence_days


def spell(
    history: ClientHistory,
    horizon: int,
    *,
    rule: RetentionRule = FOUR_WEEKS,
    dated_by: DatedBy = "confirmed_on",
) -> Spell:
    """Time to the first departure, followed to the horizon or to the end of the data.

    Parameters
    ----------
    history : ClientHistory
        Attendance, pauses and closures of one client.
    horizon : int
        Last day of interest, in days since the start, ``>= 1``.
    rule : RetentionRule
        When an absence becomes a departure.
    dated_by : {"confirmed_on", "last_attended"}
        ``"confirmed_on"`` dates a departure by the day it became known; the curve at the horizon then
        agrees with the share active at the horizon, returns apart. ``"last_attended"`` dates it by the
        first day after the last attended session; follow-up then ends where a departure could no
        longer have been known, `RetentionRule.absence_days` countable days before the data end.

    Returns
    -------
    Spell
        ``time`` is 0 for a client with no day of follow-up: leave those out, and count them.

    Examples
    --------
    >>> history = ClientHistory((2, 5, 9), data_through=60)
    >>> spell(history, 182)
    Spell(time=37, event=True, last_attended=9, entry=0)
    >>> spell(history, 30).event
    False
    """
    if horizon < 1:
        raise ArgumentError(where="retention clock, horizon", expected="a day from 1", got=str(horizon))
    stopped = stopped_days(history, rule)
    first = next(iter(_departures(history, rule, stopped)), None)
    if dated_by == "confirmed_on":
        end = min(horizon, history.data_through)
        left = None if first is None else first.confirmed_on
    else:
        end = min(horizon, _last_judged_day(history, rule, stopped))
        left = None if first is None else first.counted_from + 1
    event = left is not None and left <= end
    time = left if event and left is not None else end
    last = max((day for day in history.attended if day <= time), default=None)
    return Spell(time, event, last, history.observed_from)


def _last_judged_day(history: ClientHistory, rule: RetentionRule, stopped: NDArray[np.bool_]) -> int:
    """The latest day whose absence the data can still judge; the first known day when there is none."""
    counted = np.cumsum(~stopped)[: history.data_through + 1]
    needed = counted[-1] - rule.absence_days
    day = int(np.searchsorted(counted, needed, side="right")) - 1
    return max(day, history.observed_from)


def active_status(
    histories: tuple[ClientHistory, ...], day: int, *, rule: RetentionRule = FOUR_WEEKS
) -> NDArray[np.float64]:
    """1.0 active, 0.0 departed, nan unknown, for each client; shape (n,), read-only."""
    answers = [is_active(history, day, rule=rule) for history in histories]
    return frozen_array([np.nan if answer is None else float(answer) for answer in answers], float)
