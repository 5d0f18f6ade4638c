"""The parts of the data-generating model, each with its defaults and where they come from.

All strength quantities are on the analysis scale: logarithms of the load, unless the scale is
``"as_measured"``. A share is between 0 and 1. Defaults marked (judgement) have no published source.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError

Scale = Literal["log", "as_measured"]


def _refuse_unless(fine: bool, where: str, expected: str, got: object) -> None:
    if not fine:
        raise ArgumentError(where=f"trial settings, {where}", expected=expected, got=repr(got))


def check_share(value: float, where: str) -> None:
    """Refuse anything but a share from 0 to 1."""
    _refuse_unless(0.0 <= value <= 1.0, where, "a share between 0 and 1", value)


def check_not_negative(value: float, where: str) -> None:
    """Refuse negative, infinite and missing numbers."""
    _refuse_unless(math.isfinite(value) and value >= 0.0, where, "a number from 0", value)


@dataclass(frozen=True, slots=True)
class Machine:
    """One exercise and its weight stack.

    Parameters
    ----------
    code : str
        Exercise code of the protocol; ``""`` for an outcome without exercises.
    level : float
        Typical (geometric mean) baseline score of a client at the first level of every factor, in ``unit``.
    unit : str
    stack_step : float
        Smallest step of the stack in ``unit``; 0 records the score unrounded.
    to_outcome : float
        What a load in ``unit`` is multiplied by to be in the outcome's unit.
    effect_share : float
        Part of the effect of an arm that shows on this exercise: 0 where it gets no partner reps.
    side : str
        Of the body, where the two sides of a client get different arms.
    """

    code: str
    level: float = 50.0
    unit: str = "kg"
    stack_step: float = 2.5
    effect_share: float = 1.0
    to_outcome: float = 1.0
    side: str = ""

    def __post_init__(self) -> None:
        check_not_negative(self.stack_step, f"machine {self.code}, stack_step")
        _refuse_unless(
            math.isfinite(self.level), f"machine {self.code}, level", "a finite number", self.level
        )


@dataclass(frozen=True, slots=True)
class PlannedVisit:
    """One test occasion; ``missed`` is the share of tests missed by clients who still train."""

    code: str
    day: int
    baseline: bool = False
    missed: float = 0.15

    def __post_init__(self) -> None:
        check_share(self.missed, f"visit {self.code}, missed")


@dataclass(frozen=True, slots=True)
class ClientFactor:
    """A client fact known before allocation, such as sex.

    Parameters
    ----------
    code : str
        Stratum code of the protocol, or a column of the clients' table.
    levels : tuple of str
    shares : tuple of float
        Share of clients at each level; they add up to 1.
    strength_shift : tuple of float
        Added to the baseline score on the analysis scale, e.g. ``log(1.8)`` for men.
    gain_share : tuple of float
        Multiplies the reference gain, e.g. 0.25 for clients who are already trained.
    hazard_shift : tuple of float
        Added to the log hazard of departing.
    """

    code: str
    levels: tuple[str, ...]
    shares: tuple[float, ...]
    strength_shift: tuple[float, ...] = ()
    gain_share: tuple[float, ...] = ()
    hazard_shift: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        number = len(self.levels)
        for name, neutral in (("strength_shift", 0.0), ("gain_share", 1.0), ("hazard_shift", 0.0)):
            if not getattr(self, name):
                object.__setattr__(self, name, (neutral,) * number)
        for name in ("shares", "strength_shift", "gain_share", "hazard_shift"):
            given = getattr(self, name)
            _refuse_unless(
                len(given) == number, f"factor {self.code}, {name}", f"{number} numbers, one a level", given
            )
        fine = min(self.shares, default=-1.0) >= 0.0 and abs(sum(self.shares) - 1.0) < 1e-9
        _refuse_unless(fine, f"factor {self.code}, shares", "shares that add up to 1", self.shares)


@dataclass(frozen=True, slots=True)
class StrengthModel:
    """How scores differ between clients, grow, and are measured.

    Parameters
    ----------
    scale : {"log", "as_measured"}
    primary_day : int
        Day at which gains and effects below are stated.
    sd_client, sd_client_exercise : float
        Between clients of one stratum: common to all exercises, and of single exercises. Together 0.25
        (published spreads of leg and bench press within a sex; the split is a judgement).
    measurement_sd : float
        One test, rounding apart: 0.045 (reliability studies of ten-repetition tests).
    learning : float
        Gain by practice from the first test to the second, alike in all arms; each later step half of it.
    gain : float
        Mean gain of the reference arm at the primary day: log 1.22.
    gain_time_scale : float
        Days; gains grow with log(1 + day / scale). 10 days fits 22 % at 12 and 30 % at 26 weeks.
    sd_gain, sd_gain_exercise : float
        Between clients at the primary day; both grow with the gain, so that scores fan out.
    gain_baseline_correlation : float
        Between a client's baseline level and gain.
    effects : tuple of float, one per arm
        Effect of each arm under full delivery at the primary day, the reference arm (0) first.
    sd_trainer : float
        Between trainers, of the gain at the primary day.
    sd_trainer_by_arm : float
        Between trainers, of the effect of an arm.

    Notes
    -----
    A gain grows as ``growth(day) = log(1 + day / scale) / log(1 + primary_day / scale)``; the published
    curve of supervised single sets to the limit is linear in log time.
    """

    scale: Scale = "log"
    primary_day: int = 84
    sd_client: float = 0.19
    sd_client_exercise: float = 0.16
    measurement_sd: float = 0.045
    learning: float = 0.03
    gain: float = math.log(1.22)
    gain_time_scale: float = 10.0
    sd_gain: float = 0.076
    sd_gain_exercise: float = 0.068
    gain_baseline_correlation: float = 0.0
    effects: tuple[float, ...] = (0.0, math.log(1.02))
    sd_trainer: float = 0.016
    sd_trainer_by_arm: float = 0.02

    def __post_init__(self) -> None:
        for name in (
            "sd_client",
            "sd_client_exercise",
            "measurement_sd",
            "sd_gain",
            "sd_gain_exercise",
            "sd_trainer",
            "sd_trainer_by_arm",
        ):
            check_not_negative(getattr(self, name), name)
        _refuse_unless(
            abs(self.gain_baseline_correlation) <= 1.0,
            "gain_baseline_correlation",
            "a correlation from -1 to 1",
            self.gain_baseline_correlation,
        )
        fine = len(self.effects) >= 2 and self.effects[0] == 0.0
        _refuse_unless(fine, "effects", "one number per arm, 0 for the reference arm first", self.effects)
        _refuse_unless(self.gain_time_scale > 0.0, "gain_time_scale", "days above 0", self.gain_time_scale)
        _refuse_unless(self.primary_day > 0, "primary_day", "a day from 1", self.primary_day)

    def growth(self, days: NDArray[np.float64]) -> NDArray[np.float64]:
        """Part of the gain at the primary day that is reached on each day; 0 at and before allocation.

        Examples
        --------
        >>> StrengthModel().growth(np.array([-7.0, 42.0, 84.0])).round(3)
        array([0.   , 0.736, 1.   ])
        """
        since = np.maximum(np.asarray(days, dtype=float), 0.0)
        full = math.log1p(self.primary_day / self.gain_time_scale)
        return np.asarray(np.log1p(since / self.gain_time_scale) / full, dtype=float)

    def practice(self, visits: int) -> NDArray[np.float64]:
        """Learning effect at the first, second, … test.

        Examples
        --------
        >>> StrengthModel(learning=0.04).practice(4)
        array([0.  , 0.04, 0.06, 0.07])
        """
        return np.asarray(self.learning * 2.0 * (1.0 - 0.5 ** np.arange(visits)), dtype=float)


@dataclass(frozen=True, slots=True)
class RetentionModel:
    """When clients leave.

    Parameters
    ----------
    horizon_day, absence_days : int
        As in the protocol: retained means fewer than ``absence_days`` countable days without a session.
    pause_cap_days : int
        Longest pause that stops the clock; simulated pauses are no longer.
    retained : tuple of float, one per arm
        Share retained at the horizon; 0.70 is interpolated between open gyms and supervised trials (weak).
    shape : float
        Weibull shape: 0.85, derived from two published pairs of points; below 1 most leave early.
    sd_trainer : float
        Between trainers, of the log hazard; 0.29 goes with an intraclass correlation of 0.05 (by analogy).
    per_gain : float
        Change of the log hazard per standard deviation of a client's gain; negative: who gains, stays.
    gain_seen : {"observed", "true"}
        ``"observed"``: the gain at the last test, so that scores are missing at random given the scores
        seen; ``"true"``: the client's own gain, so that they are not.
    return_share, return_after : float
        Share of leavers who come back, and mean days beyond the absence until they do (judgement).
    """

    horizon_day: int = 182
    absence_days: int = 28
    pause_cap_days: int = 28
    retained: tuple[float, ...] = (0.70, 0.72)
    shape: float = 0.85
    sd_trainer: float = 0.29
    per_gain: float = 0.0
    gain_seen: Literal["observed", "true"] = "observed"
    return_share: float = 0.10
    return_after: float = 30.0

    def __post_init__(self) -> None:
        for value in self.retained:
            _refuse_unless(0.0 < value <= 1.0, "retained", "shares above 0, at most 1", self.retained)
        _refuse_unless(self.shape > 0.0, "departure shape", "a number above 0", self.shape)
        check_not_negative(self.sd_trainer, "sd_trainer of departures")
        check_share(self.return_share, "return_share")
        _refuse_unless(
            self.horizon_day > self.absence_days > 0,
            "horizon_day",
            "a day later than absence_days",
            self.horizon_day,
        )


@dataclass(frozen=True, slots=True)
class AttendanceModel:
    """Which sessions are booked and attended.

    Parameters
    ----------
    booked_per_week : float
        2 (judgement).
    attended : float
        Share of booked sessions attended by clients who still train: 0.88 for paid coaching (judgement).
    sd_attended : float
        Between clients, on the log-odds scale.
    pause_share : float
        Share of clients with a registered pause before the horizon: 0.15 (judgement).
    pause_days : (int, int)
        Shortest and longest pause.
    closures : tuple of (int, int)
        First and last day on which the studio is closed, counted from the first day of the study; in
        order, and no two overlapping.
    """

    booked_per_week: float = 2.0
    attended: float = 0.88
    sd_attended: float = 0.6
    pause_share: float = 0.15
    pause_days: tuple[int, int] = (7, 28)
    closures: tuple[tuple[int, int], ...] = ()

    def __post_init__(self) -> None:
        _refuse_unless(
            0.0 < self.booked_per_week <= 7.0,
            "booked_per_week",
            "sessions a week, at most 7",
            self.booked_per_week,
        )
        _refuse_unless(
            0.0 < self.attended < 1.0, "attended", "a share strictly between 0 and 1", self.attended
        )
        check_not_negative(self.sd_attended, "sd_attended")
        check_share(self.pause_share, "pause_share")
        shortest, longest = self.pause_days
        _refuse_unless(
            1 <= shortest <= longest, "pause_days", "shortest and longest, in order", self.pause_days
        )
        days = [day for first, last in self.closures for day in (first, last + 1)]
        _refuse_unless(
            days == sorted(days),
            "closures",
            "first and last days in order, each closure after the one before",
            self.closures,
        )


@dataclass(frozen=True, slots=True)
class DeliveryModel:
    """How far the arms are delivered as planned.

    Parameters
    ----------
    delivered : float
        Mean share of partner-rep sets done as planned: 0.80 (judgement); a client's effect is diluted by it.
    delivered_concentration : float
        Of the beta distribution between clients; larger means more alike.
    contaminated : float
        Share of reference clients who also get partner reps, and with them the effect: 0.10 (published for
        staff who give both treatments, in another field).
    contaminated_sessions : float
        Share of the sessions of such a client that have partner reps.
    sets, reps_per_set : int
        Partner-rep sets in a session and partner reps in a set, in steady state.
    effort, discomfort : tuple of float, one per arm
        Mean ratings from 0 to 10; discomfort 4.1 against 5.1 is published for sets to the limit.
    """

    delivered: float = 0.80
    delivered_concentration: float = 12.0
    contaminated: float = 0.10
    contaminated_sessions: float = 0.20
    sets: int = 2
    reps_per_set: int = 3
    effort: tuple[float, ...] = (7.6, 8.3)
    discomfort: tuple[float, ...] = (4.1, 5.1)

    def __post_init__(self) -> None:
        check_share(self.delivered, "delivered")
        check_share(self.contaminated, "contaminated")
        check_share(self.contaminated_sessions, "contaminated_sessions")
        _refuse_unless(
            self.delivered_concentration > 0.0,
            "delivered_concentration",
            "a number above 0",
            self.delivered_concentration,
        )


@dataclass(frozen=True, slots=True)
class HarmModel:
    """How often clients and trainers are hurt; one number per arm where it is a tuple (all judgement).

    Parameters
    ----------
    soreness : tuple of float
        Share of clients with ordinary soreness after the first sessions (mild, expected).
    mild, moderate, severe, serious : tuple of float
        Events per client and 26 weeks of training.
    trainer : float
        Events per trainer and study.
    """

    soreness: tuple[float, ...] = (0.25, 0.60)
    mild: tuple[float, ...] = (0.10, 0.14)
    moderate: tuple[float, ...] = (0.05, 0.07)
    severe: tuple[float, ...] = (0.005, 0.005)
    serious: tuple[float, ...] = (0.001, 0.001)
    trainer: float = 0.10

    def __post_init__(self) -> None:
        for name in ("soreness", "mild", "moderate", "severe", "serious"):
            for value in getattr(self, name):
                check_not_negative(value, f"harms, {name}")


@dataclass(frozen=True, slots=True)
class CalendarModel:
    """When clients come in.

    Parameters
    ----------
    first_day : date
        Day of the first allocation.
    recruitment_days : int
        Days over which clients are allocated.
    screened_eligible, eligible_consented : float
        Shares, for the screening table: 0.60 and 0.50 (judgement).
    """

    first_day: dt.date = dt.date(2026, 1, 12)
    recruitment_days: int = 84
    screened_eligible: float = 0.60
    eligible_consented: float = 0.50
