"""Fifth stage: booked and attended sessions, pauses, closures, and the status at the horizon.

Days are counted from each client's own allocation. Shapes (trials, clients, sessions).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.results import frozen_array
from studykit.trial.departures import Leaving
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_clients import ClientTraits

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Attendance:
    """Sessions of every client.

    Parameters
    ----------
    day : ndarray of int, shape (trials, clients, sessions)
        Planned days, one a client each at most.
    booked, attended : ndarray of bool, same shape
        A session is not booked in a pause, on a closed day, or by a client who is away.
    pause_first, pause_last, pause_entered : ndarray of int, shape (trials, clients)
        A pause of no days has ``pause_last < pause_first``; every pause is entered before it begins,
        by a client who still trains.
    closures : ndarray of int, shape (trials, clients, closures, 2)
        First and last day.
    through_day : ndarray of int, shape (trials, clients)
        Last day that the records cover.
    """

    day: Integers
    booked: Flags
    attended: Flags
    pause_first: Integers
    pause_last: Integers
    pause_entered: Integers
    closures: Integers
    through_day: Integers


def last_day_needed(settings: TrialSettings) -> int:
    """Day after allocation through which a client must be followed for all analyses of retention."""
    closed = sum(last - first + 1 for first, last in settings.attendance.closures)
    paused = settings.attendance.pause_days[1] if settings.attendance.pause_share > 0.0 else 0
    return settings.retention.horizon_day + settings.retention.absence_days + closed + paused


def simulate_attendance(
    settings: TrialSettings,
    traits: ClientTraits,
    leaving: Leaving,
    *,
    rng: np.random.Generator,
    whole_study: bool = False,
) -> Attendance:
    """Book and attend sessions.

    Parameters
    ----------
    settings : TrialSettings
    traits : ClientTraits
    leaving : Leaving
        Of the arms that are simulated.
    rng : numpy.random.Generator
        Drawn from in the same way whatever the arm.
    whole_study : bool
        Follow every client until the last one's follow-up ends, as records do; otherwise to the horizon
        only, which is all that the primary analysis of retention needs.

    Returns
    -------
    Attendance
    """
    model, shape = settings.attendance, traits.trainer.shape
    through = _through(settings, traits, whole_study=whole_study)
    sessions = int(through.max() * model.booked_per_week / 7.0) + 1
    first = rng.integers(1, 8, size=shape)
    gap = 7.0 / model.booked_per_week
    day = first[..., None] + np.floor(np.arange(sessions) * gap).astype(np.int64)
    pause_first, pause_last, pause_entered = _pauses(settings, leaving, rng)
    closures = (
        np.asarray(model.closures, dtype=np.int64).reshape(-1, 2) - traits.allocated_day[..., None, None]
    )
    away = (day >= pause_first[..., None]) & (day <= pause_last[..., None])
    for index in range(closures.shape[2]):
        begin, end = closures[:, :, index, 0, None], closures[:, :, index, 1, None]
        away |= (day >= begin) & (day <= end)
    booked = leaving.trains(day) & ~away & (day <= through[..., None])
    centre = np.log(model.attended / (1.0 - model.attended))
    chance = 1.0 / (1.0 + np.exp(-(centre + model.sd_attended * traits.attendance)))
    attended = booked & (rng.random(day.shape, dtype=np.float32) < chance[..., None])
    for large in (day, booked, attended):  # made here, so they are frozen without another copy
        large.setflags(write=False)
    return Attendance(
        day=day,
        booked=booked,
        attended=attended,
        pause_first=frozen_array(pause_first, np.int64),
        pause_last=frozen_array(pause_last, np.int64),
        pause_entered=frozen_array(pause_entered, np.int64),
        closures=frozen_array(closures, np.int64),
        through_day=frozen_array(through, np.int64),
    )


def _through(settings: TrialSettings, traits: ClientTraits, *, whole_study: bool) -> Integers:
    """Last day of data of every client."""
    if not whole_study:
        return np.full(traits.trainer.shape, settings.retention.horizon_day, dtype=np.int64)
    ends = traits.allocated_day.max(axis=1, keepdims=True) + last_day_needed(settings)
    return np.asarray(ends - traits.allocated_day, dtype=np.int64)


def _pauses(
    settings: TrialSettings, leaving: Leaving, rng: np.random.Generator
) -> tuple[Integers, Integers, Integers]:
    """First and last day of one pause for some clients, and the day it was entered."""
    model, shape = settings.attendance, leaving.left.shape
    has = rng.random(shape) < model.pause_share
    first = rng.integers(8, max(settings.retention.horizon_day, 9), size=shape)
    days = rng.integers(model.pause_days[0], model.pause_days[1] + 1, size=shape)
    entered = first - rng.integers(1, 8, size=shape)
    has &= leaving.trains(first[..., None])[..., 0]
    return first, np.where(has, first + days - 1, first - 1), entered


def retained_at_horizon(settings: TrialSettings, attendance: Attendance) -> Flags:
    """Whether each client is active at the horizon, by the retention clock; shape (trials, clients).

    The same as `studykit.retention.clock.is_active`, for all clients of all trials at once: a client
    has at most one pause, entered in time and no longer than the cap.

    Parameters
    ----------
    settings : TrialSettings
    attendance : Attendance

    Returns
    -------
    ndarray of bool
    """
    horizon = settings.retention.horizon_day
    seen = np.where(attendance.attended & (attendance.day <= horizon), attendance.day, 0)
    last = seen.max(axis=-1)
    pause = _days_between(attendance.pause_first, attendance.pause_last, after=last, through=horizon)
    stopped = pause
    for index in range(attendance.closures.shape[2]):
        begin, end = attendance.closures[:, :, index, 0], attendance.closures[:, :, index, 1]
        stopped = stopped + _days_between(begin, end, after=last, through=horizon)
        both = np.maximum(begin, attendance.pause_first), np.minimum(end, attendance.pause_last)
        stopped = stopped - _days_between(*both, after=last, through=horizon)
    return np.asarray(horizon - last - stopped < settings.retention.absence_days)


def _days_between(first: Integers, end: Integers, *, after: Integers, through: int) -> Integers:
    """Days of the stretch from ``first`` to ``end`` that are later than ``after``, up to ``through``."""
    days = np.minimum(end, through) - np.maximum(first, after + 1) + 1
    return np.asarray(np.maximum(days, 0), dtype=np.int64)
