"""Retention curves by Kaplan and Meier, with numbers at risk and pointwise intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.results import Interval, Result, check_confidence_level, frozen_array
from studykit.retention.censored import CensoredTimes

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LOG_LOG = "log(-log), Greenwood variance"
NO_DEPARTURE = "exact: no departure among those at risk"
NOBODY_LEFT = "exact: nobody left among those whose departure was seen"


@dataclass(frozen=True, slots=True)
class RetainedShare(Result):
    """Share still training after a day, from a curve.

    Parameters
    ----------
    day : float
        Days since the start.
    value : float
        Share retained, 0 to 1.
    standard_error : float
        By Greenwood's formula; 0 when nobody or everybody has left.
    at_risk, departed : int
        Clients at risk just before the day; departures up to it.
    """

    day: float
    value: float
    standard_error: float
    at_risk: int
    departed: int

    @property
    def p_value(self) -> float:
        """Not a number: no question is asked of one share."""
        return math.nan

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """Pointwise interval on the log(-log) scale; exact where nobody or everybody has left."""
        check_confidence_level(confidence_level)
        tail = (1.0 - confidence_level) / 2.0
        if self.value == 1.0:
            return Interval(tail ** (1.0 / max(self.at_risk, 1)), 1.0, confidence_level, NO_DEPARTURE)
        if self.value == 0.0:
            upper = 1.0 - tail ** (1.0 / max(self.departed, 1))
            return Interval(0.0, upper, confidence_level, NOBODY_LEFT)
        lower, upper = _log_log_ends(
            np.array([self.value]), np.array([self.standard_error]), confidence_level
        )
        return Interval(float(lower[0]), float(upper[0]), confidence_level, LOG_LOG)


@dataclass(frozen=True, slots=True)
class QuantileTime(Result):
    """Day by which a share of clients has left.

    Parameters
    ----------
    share_departed : float
        0.5 for the median.
    value : float
        First day on which the curve has fallen to ``1 - share_departed``; infinite when it has not.
    curve : RetentionCurve
        Where it was read.
    """

    share_departed: float
    value: float
    curve: RetentionCurve

    @property
    def reached(self) -> bool:
        """Whether the curve has fallen that far."""
        return math.isfinite(self.value)

    @property
    def p_value(self) -> float:
        """Not a number: no question is asked of one curve."""
        return math.nan

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """Days at which the ends of the pointwise intervals fall so far (Brookmeyer & Crowley 1982)."""
        band = self.curve.band(confidence_level)
        target = 1.0 - self.share_departed
        return Interval(
            _first_day_at_most(band.days, band.lower, target),
            _first_day_at_most(band.days, band.upper, target),
            confidence_level,
            f"inversion of the pointwise intervals, {LOG_LOG}",
        )

    def __str__(self) -> str:
        return f"day {self.value:g}" if self.reached else "not reached"


@dataclass(frozen=True, slots=True)
class CurveBand(Result):
    """A curve with its pointwise interval: steps at ``days``, the first at 0."""

    days: Floats
    retained: Floats
    lower: Floats
    upper: Floats
    confidence_level: float
    method: str


@dataclass(frozen=True, slots=True, eq=False)
class RetentionCurve(Result):
    """Share still training, as a step function of days since the start.

    Parameters
    ----------
    days : ndarray, shape (k,)
        Days with a departure, ascending.
    retained : ndarray, shape (k,)
        Share retained from that day on.
    at_risk : ndarray of int, shape (k,)
        Clients at risk just before the day: entered before it, still followed on it.
    departures : ndarray of int, shape (k,)
        Departures on the day.
    variance : ndarray, shape (k,)
        Greenwood's variance of ``retained``.
    times : CensoredTimes
        The times behind it.
    from_day : float
        The curve is conditional on still training on this day.
    """

    days: Floats
    retained: Floats
    at_risk: Integers
    departures: Integers
    variance: Floats
    times: CensoredTimes
    from_day: float = 0.0

    @property
    def last_day(self) -> float:
        """The curve is known up to this day: the last follow-up."""
        return self.times.last_day

    def at(self, day: float) -> RetainedShare:
        """Share retained after ``day``.

        Raises
        ------
        ArgumentError
            If nobody was followed to that day and not all had left, or it lies before ``from_day``.

        Examples
        --------
        >>> curve = kaplan_meier(CensoredTimes([10, 20, 30, 40], [True, False, True, False]))
        >>> curve.at(30).value
        0.375
        """
        step = int(np.searchsorted(self.days, day, side="right")) - 1
        value = 1.0 if step < 0 else float(self.retained[step])
        if day < self.from_day or (day > self.last_day and value > 0.0):
            raise ArgumentError(
                where="retention curve",
                expected=f"a day from {self.from_day:g} to {self.last_day:g}, where clients were followed",
                got=f"{day:g}",
            )
        return RetainedShare(
            day=float(day),
            value=value,
            standard_error=0.0 if step < 0 else math.sqrt(float(self.variance[step])),
            at_risk=self._followed_from(day),
            departed=0 if step < 0 else int(self.departures[: step + 1].sum()),
        )

    def _followed_from(self, day: float) -> int:
        """Clients at risk on a day; where the curve begins, those who are followed from there on."""
        on_the_day = int(self.numbers_at_risk([day])[0])
        if day > self.from_day:
            return on_the_day
        return max(on_the_day, int(np.sum((self.times.entry <= day) & (self.times.time > day))))

    def median(self) -> QuantileTime:
        """Day by which half have left; may not be reached."""
        return self.quantile(0.5)

    def quantile(self, share_departed: float) -> QuantileTime:
        """Day by which a share has left: the first with ``retained <= 1 - share_departed``.

        Notes
        -----
        Where the curve is flat at exactly that height, some software takes the middle of the flat.
        """
        if not 0.0 < share_departed < 1.0:
            raise ArgumentError(
                where="share_departed", expected="a share between 0 and 1", got=repr(share_departed)
            )
        value = _first_day_at_most(self.days, self.retained, 1.0 - share_departed)
        return QuantileTime(share_departed, value, self)

    def numbers_at_risk(self, days: ArrayLike) -> Integers:
        """Clients at risk just before each day; shape of ``days``, read-only."""
        return frozen_array(self.times.at_risk(days))

    def stops_at(self, least_at_risk: int) -> float:
        """Last day with at least ``least_at_risk`` clients at risk: where a drawn curve ends.

        Examples
        --------
        >>> curve = kaplan_meier(CensoredTimes([10, 20, 30, 40], [True, False, True, False]))
        >>> curve.stops_at(2)
        30.0
        """
        ends = np.unique(self.times.time)
        enough = ends[self.times.at_risk(ends) >= least_at_risk]
        return float(enough[-1]) if enough.size else self.from_day

    def band(self, confidence_level: float = 0.95) -> CurveBand:
        """The curve as steps from ``from_day``, with pointwise intervals.

        Where nobody has left yet, or everybody has, the ends are those of `RetainedShare`.
        """
        check_confidence_level(confidence_level)
        shares = [self.at(day) for day in (self.from_day, *self.days)]
        ends = [share.confidence_interval(confidence_level) for share in shares]
        return CurveBand(
            days=frozen_array([self.from_day, *self.days], float),
            retained=frozen_array([share.value for share in shares], float),
            lower=frozen_array([end.lower for end in ends], float),
            upper=frozen_array([end.upper for end in ends], float),
            confidence_level=confidence_level,
            method=f"pointwise, {LOG_LOG}",
        )


def kaplan_meier(times: CensoredTimes, *, from_day: float = 0.0) -> RetentionCurve:
    r"""Retention curve by the product-limit estimator of Kaplan and Meier.

    Parameters
    ----------
    times : CensoredTimes
        With delayed entry where members had joined before the records begin.
    from_day : float
        Departures up to this day are left out and the curve is conditional on still training then:
        for delayed entry, where the first days have too few at risk (see `first_day_at_risk`).

    Returns
    -------
    RetentionCurve
        Departures on a day come before censoring on the same day.

    Notes
    -----
    :math:`\hat S(t)=\prod_{t_j\le t}(1-d_j/n_j)`, with Greenwood's variance
    :math:`\hat S(t)^2\sum d_j/\{n_j(n_j-d_j)\}` (Kaplan & Meier 1958; Greenwood 1926).

    Examples
    --------
    >>> kaplan_meier(CensoredTimes([10, 20, 30, 40], [True, False, True, False])).retained.tolist()
    [0.75, 0.375]
    """
    counted = times.event & (times.time > from_day)
    days, departures = np.unique(times.time[counted], return_counts=True)
    at_risk = times.at_risk(days)
    retained = np.cumprod((at_risk - departures) / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        increments = departures / (at_risk * (at_risk - departures))
        variance = np.where(retained > 0.0, retained**2 * np.cumsum(increments), 0.0)
    return RetentionCurve(
        days=frozen_array(days, float),
        retained=frozen_array(retained, float),
        at_risk=frozen_array(at_risk),
        departures=frozen_array(departures, np.int64),
        variance=frozen_array(variance, float),
        times=times,
        from_day=float(from_day),
    )


def first_day_at_risk(times: CensoredTimes, least_at_risk: int) -> float:
    """First day after which at least ``least_at_risk`` clients are at risk; infinite when there is none.

    Examples
    --------
    >>> late = CensoredTimes([90, 95, 99], [True, False, True], entry=[0, 20, 50])
    >>> first_day_at_risk(late, 2)
    20.0
    """
    starts = np.unique(times.entry)
    after = np.array([np.sum((times.entry <= day) & (times.time > day)) for day in starts])
    enough = starts[after >= least_at_risk]
    return float(enough[0]) if enough.size else math.inf


def _log_log_ends(retained: Floats, standard_error: Floats, confidence_level: float) -> tuple[Floats, Floats]:
    """Ends of the interval that is symmetric for log(-log S); 0 < S < 1."""
    from scipy.special import ndtri

    z = float(ndtri(0.5 + confidence_level / 2.0))
    log_retained = np.log(retained)
    half = z * standard_error / (retained * np.abs(log_retained))
    return np.exp(log_retained * np.exp(half)), np.exp(log_retained * np.exp(-half))


def _first_day_at_most(days: Floats, heights: Floats, target: float) -> float:
    """First day whose height is at most ``target``, up to rounding; infinite when there is none."""
    reached = np.flatnonzero(heights <= target + 1e-12)
    return float(days[reached[0]]) if reached.size else math.inf
