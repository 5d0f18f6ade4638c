"""The retention clock of many clients at once, on a calendar of days: for simulation and large records.

`studykit.retention.clock` is the definition; this is the same clock in arrays, for clients observed from
day 0 on whose pauses were all entered in time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.results import frozen_array
from studykit.retention.censored import CensoredTimes
from studykit.retention.clock import FOUR_WEEKS, RetentionRule

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class RetentionCalendar:
    """Who still trains, day by day.

    Parameters
    ----------
    active : ndarray of bool, shape (n, days)
        Whether each client still trains on each day from 0 on; returns make it True again.
    confirmed_on : ndarray of int, shape (n,)
        Day on which the first departure was confirmed, -1 where there was none.
    """

    active: Bools
    confirmed_on: NDArray[np.int64]

    def times(self, horizon: int) -> CensoredTimes:
        """Times to the first departure, followed to the horizon or the end of the calendar.

        Raises
        ------
        ArgumentError
            If the calendar has no day after day 0.
        """
        end = min(horizon, self.active.shape[1] - 1)
        event = (self.confirmed_on >= 0) & (self.confirmed_on <= end)
        return CensoredTimes(np.where(event, self.confirmed_on, end), event)


def retention_calendar(
    attended: ArrayLike, *, stopped: ArrayLike | None = None, rule: RetentionRule = FOUR_WEEKS
) -> RetentionCalendar:
    """Run the clock on day-by-day attendance.

    Parameters
    ----------
    attended : array_like of bool, shape (n, days)
        Whether each client attended on each day from 0 (the start) to the last day of the data.
    stopped : array_like of bool, shape (days,) or (n, days), optional
        Days that do not count: closures, and pauses within their caps.
    rule : RetentionRule
        Only ``absence_days`` is used here: caps are applied by whoever makes ``stopped``.

    Returns
    -------
    RetentionCalendar

    Raises
    ------
    ArgumentError
        If shapes differ.

    Examples
    --------
    >>> came = [[day in (2, 5, 9) for day in range(61)]]
    >>> calendar = retention_calendar(came)
    >>> calendar.confirmed_on.tolist(), bool(calendar.active[0, 36]), bool(calendar.active[0, 37])
    ([37], True, False)
    """
    came = np.asarray(attended, dtype=bool)
    halted = np.zeros(came.shape[-1:], dtype=bool) if stopped is None else np.asarray(stopped, dtype=bool)
    if came.ndim != 2 or halted.shape not in (came.shape, came.shape[1:]):
        raise ArgumentError(
            where="retention calendar",
            expected="attendance of shape (clients, days) and stopped days of shape (days,) or the same",
            got=f"shapes {came.shape} and {halted.shape}",
        )
    counted = np.cumsum(~halted, axis=-1, dtype=np.int32)
    since = np.where(came, counted, counted[..., :1])
    absent = counted - np.maximum.accumulate(since, axis=1)
    active = absent < rule.absence_days
    ever = ~active.all(axis=1)
    return RetentionCalendar(
        active=frozen_array(active),
        confirmed_on=frozen_array(np.where(ever, np.argmin(active, axis=1), -1), np.int64),
    )
