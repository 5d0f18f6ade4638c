"""Countable days of many clients at once: closures for everybody, capped pauses of each.

`studykit.retention.clock` is the definition, and says which days of a pause stop the clock; this keeps
the answer in two sorted arrays, so that a million sessions are judged without a loop.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.results import Result, frozen_array

Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class CountableDays(Result):
    """A calendar from ``first`` to ``last`` on which each client has days that do not count.

    Parameters
    ----------
    first, last : int
        Window, days on any common scale.
    open_days : ndarray of int, shape (last - first + 1,)
        Number of days without closure from ``first`` to each day, both included.
    paused : ndarray of int, shape (k,)
        Days of pauses that are no closure days, as ``client * days + (day - first)``, ascending.
    """

    first: int
    last: int
    open_days: Integers
    paused: Integers

    def count(self, client: Integers, day: Integers) -> Integers:
        """Countable days from ``first`` to ``day``, both included; shapes are broadcast.

        Examples
        --------
        >>> days = countable_days_of(0, 30, closures=[(10, 16)], paused_client=[1], paused_day=[20])
        >>> days.count(np.array([0, 1]), np.array([20, 20])).tolist()
        [14, 13]
        """
        return np.asarray(self.open_days[day - self.first] - self._paused_until(client, day), dtype=np.int64)

    def day_of(self, client: Integers, number: Integers) -> Integers:
        """First day on which a client's count reaches ``number``; ``last + 1`` where it does not.

        Examples
        --------
        >>> days = countable_days_of(0, 30, closures=[(10, 16)], paused_client=[1], paused_day=[20])
        >>> days.day_of(np.array([0, 1, 0]), np.array([14, 14, 99])).tolist()
        [20, 21, 31]
        """
        found = self.first + np.searchsorted(self.open_days, number, side="left")
        unsure = np.flatnonzero(found <= self.last) if self.paused.size else np.empty(0, dtype=np.int64)
        while unsure.size:  # every pass adds the paused days met so far; they only push the day back
            paused = self._paused_until(client[unsure], found[unsure])
            later = self.first + np.searchsorted(self.open_days, number[unsure] + paused, side="left")
            moved = later > found[unsure]
            found[unsure] = later
            unsure = unsure[moved & (later <= self.last)]
        return np.asarray(np.minimum(found, self.last + 1), dtype=np.int64)

    def _paused_until(self, client: Integers, day: Integers) -> Integers:
        if not self.paused.size:
            return np.zeros(1, dtype=np.int64)
        span = self.last - self.first + 1
        upto = np.searchsorted(self.paused, client * span + (day - self.first), side="right")
        return np.asarray(upto - np.searchsorted(self.paused, client * span, side="left"), dtype=np.int64)


def countable_days_of(
    first: int,
    last: int,
    *,
    closures: Iterable[tuple[int, int]] = (),
    paused_client: ArrayLike = (),
    paused_day: ArrayLike = (),
) -> CountableDays:
    """Make the calendar.

    Parameters
    ----------
    first, last : int
        Window, both included.
    closures : iterable of (int, int)
        First and last days of closures, for everybody; parts outside the window do not matter.
    paused_client, paused_day : array_like of int, shape (k,)
        Days that do not count for one client, within all caps.

    Raises
    ------
    ArgumentError
        If the window is empty or the columns differ in length.
    """
    if last < first:
        raise ArgumentError(
            where="countable days", expected="a last day not before the first", got=f"{first} to {last}"
        )
    days = np.arange(first, last + 1)
    closed = np.zeros(days.size, dtype=bool)
    for start, end in closures:
        closed |= (days >= start) & (days <= end)
    client, day = np.asarray(paused_client, dtype=np.int64), np.asarray(paused_day, dtype=np.int64)
    if client.shape != day.shape:
        raise ArgumentError(
            where="countable days", expected="a client for each paused day", got=f"{client.size}, {day.size}"
        )
    inside = (day >= first) & (day <= last)
    client, day = client[inside], day[inside]
    open_day = ~closed[day - first]
    return CountableDays(
        first=first,
        last=last,
        open_days=frozen_array(np.cumsum(~closed), np.int64),
        paused=frozen_array(np.unique(client[open_day] * days.size + (day[open_day] - first))),
    )
