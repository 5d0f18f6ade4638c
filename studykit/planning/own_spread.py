"""Spreads, correlations and shares from one's own records, each with an interval: plain estimators."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtri

from studykit.errors import FitError
from studykit.protocol.types import Assumption, Evidence
from studykit.records.rows import StudyRows
from studykit.retention.censored import CensoredTimes

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
LEAST_CLIENTS = 8
_MODERATE_FROM = 40  # clients; fewer are weak evidence, as are shares between fewer than ten trainers
_MANY_TRAINERS = 10


@dataclass(frozen=True, slots=True)
class Figure:
    """A number with its interval, and how many clients it rests on."""

    value: float
    low: float
    high: float
    clients: int


def _too_few(what: str, least: int, got: int) -> FitError:
    return FitError(
        where=what,
        expected=f"at least {least} clients",
        got=str(got),
        todo="Keep the assumption of the protocol.",
    )


def spread_of(residuals: Floats, *, freedom: int, level: float = 0.95) -> Figure:
    """Standard deviation with the chi-square interval of a normal sample.

    Parameters
    ----------
    residuals : ndarray, shape (n, k)
        Centred; columns (exercises) are pooled, and count as one where the interval is concerned.
    freedom : int
        Degrees of freedom of one column.

    Raises
    ------
    FitError
        With fewer than three degrees of freedom.

    Examples
    --------
    >>> found = spread_of(np.array([[-2.0], [0.0], [2.0], [0.0]]), freedom=3)
    >>> round(found.value, 3), round(found.low, 3), round(found.high, 3)
    (1.633, 0.925, 6.089)
    """
    from scipy.stats import chi2

    if freedom < 3:
        raise _too_few("spread", 4, len(residuals))
    variance = float(np.nanmean(np.nansum(residuals**2, axis=0))) / freedom
    low, high = (
        math.sqrt(variance * freedom / float(chi2.ppf(share, freedom)))
        for share in (0.5 + level / 2.0, 0.5 - level / 2.0)
    )
    return Figure(math.sqrt(variance), low, high, len(residuals))


def correlation_of(first: Floats, second: Floats, *, lost: int = 0, level: float = 0.95) -> Figure:
    """Correlation, averaged over columns by Fisher's z, with its interval.

    Parameters
    ----------
    first, second : ndarray, shape (n, k)
        Centred; columns are averaged, and count as one where the interval is concerned.
    lost : int
        Degrees of freedom that centring took beyond the mean.

    Raises
    ------
    FitError
        With fewer than five clients.

    Notes
    -----
    Standard error 1 / sqrt(n - 3 - lost) of z (Fisher 1921; from memory).

    Examples
    --------
    >>> x = np.array([[-2.0], [-1.0], [0.0], [1.0], [2.0], [0.0]])
    >>> round(correlation_of(x, x + np.array([[1.0], [-1.0], [0.0], [1.0], [-1.0], [0.0]])).value, 3)
    0.8
    """
    freedom = len(first) - 3 - lost
    if freedom < 2:
        raise _too_few("correlation", 5 + lost, len(first))
    own = (first * second).sum(axis=0) / np.sqrt((first**2).sum(axis=0) * (second**2).sum(axis=0))
    z = float(np.arctanh(np.clip(own, -0.999, 0.999)).mean())
    reach = float(ndtri(0.5 + level / 2.0)) / math.sqrt(freedom)
    return Figure(math.tanh(z), math.tanh(z - reach), math.tanh(z + reach), len(first))


def intraclass_correlation(values: Floats, groups: Integers, *, level: float = 0.95) -> Figure:
    """Share of the spread that lies between groups, by analysis of variance, not below 0.

    Parameters
    ----------
    values : ndarray, shape (n,)
    groups : ndarray of int, shape (n,)
    level : float

    Raises
    ------
    FitError
        With fewer than two groups, or no more clients than groups.

    Notes
    -----
    (MSB - MSW) / (MSB + (n0 - 1) MSW) with the interval from F; n0 is the size of a group, corrected for
    unequal ones (Donner 1986, International Statistical Review 54:67; from memory). Shares of yes and no are
    treated in the same way (Ridout, Demetrio & Firth 1999, Biometrics 55:137; from memory).

    Examples
    --------
    Four judges on six objects (Shrout & Fleiss 1979, Psychological Bulletin 86:420): ICC(1,1) = 0.17.

    >>> ratings = [9, 2, 5, 8, 6, 1, 3, 2, 8, 4, 6, 8, 7, 1, 2, 6, 10, 5, 6, 9, 6, 2, 4, 7]
    >>> round(intraclass_correlation(np.array(ratings, float), np.repeat(np.arange(6), 4)).value, 2)
    0.17
    """
    from scipy.stats import f

    codes, place = np.unique(groups, return_inverse=True)
    number, total = codes.size, values.size
    if number < 2 or total <= number:
        raise FitError(
            where="share of the spread between trainers",
            expected="two trainers or more, with several clients",
            got=f"{total} clients of {number}", todo="Keep the assumption of the protocol.",
        )  # fmt: skip
    size = np.bincount(place).astype(float)
    mean = np.bincount(place, values) / size
    between = float((size * (mean - values.mean()) ** 2).sum()) / (number - 1)
    within = float(((values - mean[place]) ** 2).sum()) / (total - number)
    usual = (total - float((size**2).sum()) / total) / (number - 1)
    if within <= 0.0:
        return Figure(float(between > 0.0), 0.0, 1.0, total)
    ratio = between / within
    ends = (
        ratio / float(f.ppf(share, number - 1, total - number))
        for share in (0.5 + level / 2.0, 0.5 - level / 2.0)
    )
    value, low, high = (max(0.0, (one - 1.0) / (one + usual - 1.0)) for one in (ratio, *ends))
    return Figure(value, low, high, total)


def weibull_shape(times: CensoredTimes, *, level: float = 0.95) -> Figure:
    """Shape of a Weibull curve: below 1 most leave early.

    Parameters
    ----------
    times : CensoredTimes
        Followed from the start.
    level : float

    Raises
    ------
    FitError
        With fewer than five departures.

    Notes
    -----
    Maximum likelihood of the shape, the scale profiled out; interval on the logarithm from the observed
    information (Kalbfleisch & Prentice 2002, section 3.5; from memory).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> days = np.ceil(100 * rng.weibull(0.8, 400))
    >>> found = weibull_shape(CensoredTimes(np.minimum(days, 180), days <= 180))
    >>> found.low < 0.8 < found.high
    True
    """
    time, event = np.asarray(times.time), np.asarray(times.event)
    number = int(event.sum())
    if number < 5:
        raise FitError(
            where="shape of the retention curve", expected="five departures or more", got=str(number),
            todo="Keep the assumption of the protocol.",
        )  # fmt: skip
    logs = np.log(time)

    def score(log_shape: float) -> float:
        """Derivative of the profile likelihood in the logarithm of the shape."""
        shape = math.exp(log_shape)
        weight = np.exp(shape * (logs - logs.max()))
        return (
            number
            + shape * float(logs[event].sum())
            - number * shape * float((weight * logs).sum() / weight.sum())
        )

    best = float(brentq(score, math.log(0.05), math.log(20.0)))
    step = 1e-4
    information = -(score(best + step) - score(best - step)) / (2.0 * step)
    reach = float(ndtri(0.5 + level / 2.0)) / math.sqrt(max(information, 1e-9))
    return Figure(math.exp(best), math.exp(best - reach), math.exp(best + reach), len(times))


@dataclass(slots=True)
class OwnRecords:
    """One's own records, and what was found in them so far.

    Parameters
    ----------
    rows : StudyRows
        All clients together.
    source : str
        What is written as the source of each figure.
    found : dict of str to Assumption
        By key of the assumption.
    remarks : list of str
    """

    rows: StudyRows
    source: str
    found: dict[str, Assumption] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)

    def put(
        self,
        key: str,
        estimate: Callable[[], Figure],
        *,
        limits: tuple[float, float] = (-math.inf, math.inf),
        trainers: int | None = None,
    ) -> None:
        """Add one figure; where it cannot be estimated, say why."""
        try:
            own = estimate()
        except FitError as reason:
            self.remarks.append(f"{key}: kept as the protocol assumes it: {reason}")
            return
        value, low, high = (
            min(max(number, limits[0]), limits[1]) for number in (own.value, own.low, own.high)
        )
        enough = own.clients >= _MODERATE_FROM and (trainers is None or trainers >= _MANY_TRAINERS)
        evidence: Evidence = "moderate" if enough else "weak"
        of = f"{own.clients} clients" + ("" if trainers is None else f", {trainers} trainers")
        self.found[key] = Assumption(
            value=value, low=min(low, value), high=max(high, value), source=f"{self.source} ({of})",
            evidence=evidence,
        )  # fmt: skip
