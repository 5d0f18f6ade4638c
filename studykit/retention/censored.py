"""Times to departure of which some are known only to be longer than what was seen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.results import frozen_array
from studykit.retention.clock import Spell

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def _positions(wrong: NDArray[np.bool_]) -> str:
    """The first places where something is wrong, counted from 1."""
    places = (np.flatnonzero(wrong) + 1).tolist()
    shown = ", ".join(map(str, places[:10]))
    return f"row {shown}" if len(places) == 1 else f"rows {shown}{' …' if len(places) > 10 else ''}"


@dataclass(frozen=True, slots=True, eq=False)
class CensoredTimes:
    """Times to departure, in days since the start, some of them censored.

    Tied times are ties: give whole days, or times rounded to the resolution of the records.

    Parameters
    ----------
    time : array_like of float, shape (n,)
        Day of the departure, or last day of follow-up; ``> entry``.
    event : array_like of bool, shape (n,)
        True for a departure; False when follow-up ended without one.
    entry : array_like of float, shape (n,), optional
        Day on which follow-up began; 0 unless given. A client counts as at risk on days later than
        ``entry``, up to and including ``time``.
    cut_off : float, optional
        No time may be later than this day.

    Raises
    ------
    ArgumentError
        If shapes differ, a time is missing, negative, zero, not after its entry or later than
        ``cut_off``, or an event is not yes or no; the rows are named, counted from 1.

    Examples
    --------
    >>> times = CensoredTimes([10, 182, 90], [True, False, True])
    >>> len(times), times.events
    (3, 2)
    >>> CensoredTimes([10, -3], [True, True])
    Traceback (most recent call last):
    ...
    studykit.errors.ArgumentError: censored times, row 2: expected a time above 0; found -3.0. ...
    """

    time: Floats
    event: Bools
    entry: Floats
    cut_off: float

    def __init__(
        self, time: ArrayLike, event: ArrayLike, *, entry: ArrayLike | None = None, cut_off: float = np.inf
    ) -> None:
        times = _as_floats(time, "time")
        entries = np.zeros_like(times) if entry is None else _as_floats(entry, "entry")
        happened = _as_bools(event)
        if not times.shape == happened.shape == entries.shape:
            raise ArgumentError(
                where="censored times",
                expected="time, event and entry of one length",
                got=f"{times.size}, {happened.size} and {entries.size}",
            )
        _check(times, entries, cut_off)
        object.__setattr__(self, "time", frozen_array(times))
        object.__setattr__(self, "event", frozen_array(happened))
        object.__setattr__(self, "entry", frozen_array(entries))
        object.__setattr__(self, "cut_off", float(cut_off))

    def __len__(self) -> int:
        return int(self.time.size)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, CensoredTimes) and all(
            np.array_equal(getattr(self, name), getattr(other, name)) for name in ("time", "event", "entry")
        )

    __hash__ = None  # type: ignore[assignment]  # arrays inside

    @property
    def events(self) -> int:
        """Number of departures."""
        return int(self.event.sum())

    @property
    def last_day(self) -> float:
        """The latest day on which anybody was followed."""
        return float(self.time.max())

    def select(self, rows: NDArray[Any]) -> CensoredTimes:
        """The times of some rows, by a mask or by positions."""
        return CensoredTimes(self.time[rows], self.event[rows], entry=self.entry[rows], cut_off=self.cut_off)

    def followed_to(self, day: float) -> CensoredTimes:
        """The same clients with follow-up ended on ``day``; those who entered later are not in it.

        Examples
        --------
        >>> CensoredTimes([10, 182, 90], [True, False, True]).followed_to(60).time.tolist()
        [10.0, 60.0, 60.0]
        """
        kept = self.entry < day
        return CensoredTimes(
            np.minimum(self.time, day)[kept],
            (self.event & (self.time <= day))[kept],
            entry=self.entry[kept],
            cut_off=day,
        )

    def at_risk(self, days: ArrayLike) -> NDArray[np.int64]:
        """Number of clients at risk just before each day: entered earlier, still followed that day.

        On day 0 itself, those who start there.
        """
        wanted = np.asarray(days, dtype=float)
        still = self.time.size - np.searchsorted(np.sort(self.time), wanted, side="left")
        entered_late = self.entry.size - np.searchsorted(np.sort(self.entry), wanted, side="left")
        starting = np.where(wanted == 0.0, np.sum(self.entry == 0.0), 0)
        return np.asarray(still - entered_late + starting, dtype=np.int64)


def from_spells(spells: Iterable[Spell], *, cut_off: float = np.inf) -> CensoredTimes:
    """The times of `studykit.retention.clock.spell`, in the same order.

    Examples
    --------
    >>> from_spells([Spell(37, True, 9), Spell(182, False, 180)]).event.tolist()
    [True, False]
    """
    rows: Sequence[Spell] = tuple(spells)
    return CensoredTimes(
        [row.time for row in rows],
        [row.event for row in rows],
        entry=[row.entry for row in rows],
        cut_off=cut_off,
    )


def _as_floats(values: ArrayLike, name: str) -> Floats:
    try:
        array = np.asarray(values, dtype=float)
    except (TypeError, ValueError) as error:
        raise ArgumentError(where=f"censored times, {name}", expected="numbers", got=repr(values)) from error
    if array.ndim != 1:
        raise ArgumentError(
            where=f"censored times, {name}", expected="one dimension", got=f"shape {array.shape}"
        )
    return array


def _as_bools(values: ArrayLike) -> Bools:
    array = np.asarray(values)
    if array.dtype != np.bool_:
        wrong = ~np.isin(array, (0, 1)) if array.dtype.kind in "iuf" else np.ones(array.shape, dtype=bool)
        if wrong.any():
            raise ArgumentError(
                where=f"censored times, {_positions(wrong)}",
                expected="an event that is True or False",
                got=repr(array[wrong].flat[0].item()),
            )
    return np.asarray(array, dtype=bool)


def _check(times: Floats, entries: Floats, cut_off: float) -> None:
    """Refuse impossible times, naming the rows."""
    problems = (
        (~np.isfinite(times), times, "a finite time", "Leave the client out, and count it."),
        (~np.isfinite(entries) | (entries < 0.0), entries, "an entry day from 0", ""),
        (
            times <= 0.0,
            times,
            "a time above 0",
            "A client without a day of follow-up is left out, and counted.",
        ),
        (times <= entries, times, "a time after the day of entry", ""),
        (times > cut_off, times, f"no time after the cut-off, day {cut_off:g}", "Check the dates."),
    )
    for wrong, values, expected, todo in problems:
        if wrong.any():
            raise ArgumentError(
                where=f"censored times, {_positions(wrong)}",
                expected=expected,
                got=str(values[wrong][0].item()),
                todo=todo,
            )
    if not times.size:
        raise ArgumentError(where="censored times", expected="at least one client", got="none")
