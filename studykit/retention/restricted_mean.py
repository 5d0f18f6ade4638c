"""Mean days retained up to a horizon: the area under the retention curve, and its comparison.

With every client followed to the horizon the estimate is the plain mean of days retained (a client
retained throughout counts the horizon), its standard error is the usual one, and the comparison is
Welch's t; censoring is then a matter of degree, not another method.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError, FitError
from studykit.results import Estimate, Result
from studykit.retention.censored import CensoredTimes
from studykit.retention.curves import kaplan_meier

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RestrictedMean(Result):
    """Mean days retained up to a horizon, in one arm.

    Parameters
    ----------
    value : float
        Area under the retention curve from 0 to ``horizon``, in days.
    greenwood_variance : float
        Variance of ``value`` by Greenwood's sum, without a small-sample factor.
    clients : int
        Clients in the arm.
    horizon : float
        Days since the start.
    """

    value: float
    greenwood_variance: float
    clients: int
    horizon: float

    @property
    def estimate(self) -> Estimate:
        """With the factor n / (n - 1) and t(n - 1): exact textbook inference when nobody is censored."""
        if self.clients < 2:
            raise FitError(
                where="restricted mean", expected="at least two clients in the arm", got=str(self.clients)
            )
        factor = self.clients / (self.clients - 1.0)
        return Estimate(
            self.value,
            math.sqrt(self.greenwood_variance * factor),
            self.clients - 1.0,
            "clients minus one",
            math.nan,
        )


def restricted_mean(times: CensoredTimes, horizon: float) -> RestrictedMean:
    r"""Mean days retained up to the horizon.

    Parameters
    ----------
    times : CensoredTimes
        Times to departure of one arm.
    horizon : float
        Days since the start, above 0.

    Returns
    -------
    RestrictedMean

    Raises
    ------
    ArgumentError
        If nobody was followed to the horizon while some are still retained: the mean is not known.

    Notes
    -----
    :math:`\hat\mu=\int_0^H \hat S(t)\,dt`, with variance
    :math:`\sum_j A_j^2\, d_j/\{n_j(n_j-d_j)\}` where :math:`A_j=\int_{t_j}^H \hat S(t)\,dt`
    (Klein & Moeschberger 2003, section 4.5). This is the variance of the mean; the variance of a
    single client's days, ten to thirty times larger, is another quantity.

    Examples
    --------
    >>> restricted_mean(CensoredTimes([10, 20, 30, 40], [True, False, True, False]), 40).value
    28.75
    """
    if not horizon > 0.0:
        raise ArgumentError(where="restricted mean, horizon", expected="a day above 0", got=repr(horizon))
    curve = kaplan_meier(times)
    if horizon > curve.last_day and curve.at(curve.last_day).value > 0.0:
        raise ArgumentError(
            where="restricted mean, horizon",
            expected=f"a day up to {curve.last_day:g}, the last follow-up in this arm",
            got=f"{horizon:g}",
            todo="Choose an earlier horizon, or wait for the data.",
        )
    inside = curve.days < horizon
    days, retained = curve.days[inside], curve.retained[inside]
    widths = np.diff(np.concatenate(([0.0], days, [horizon])))
    areas = widths * np.concatenate(([1.0], retained))
    later = np.cumsum(areas[::-1])[::-1][1:]  # area from each departure day to the horizon
    at_risk, departures = curve.at_risk[inside].astype(float), curve.departures[inside]
    remaining = at_risk - departures
    terms = np.where(remaining > 0.0, later**2 * departures / (at_risk * np.maximum(remaining, 1.0)), 0.0)
    return RestrictedMean(float(areas.sum()), float(terms.sum()), len(times), float(horizon))


def restricted_mean_difference(
    compared: CensoredTimes, reference: CensoredTimes, *, horizon: float
) -> Estimate:
    """Difference in mean days retained, compared arm minus reference arm, with Welch's t.

    Parameters
    ----------
    compared, reference : CensoredTimes
        Times of the two arms.
    horizon : float
        Days since the start.

    Returns
    -------
    Estimate
        In days.

    Examples
    --------
    >>> stayed = CensoredTimes([180, 150, 120, 180], [False, True, True, False])
    >>> left = CensoredTimes([60, 150, 20, 180], [True, True, True, False])
    >>> restricted_mean_difference(stayed, left, horizon=180).value
    55.0
    """
    return stratified_restricted_mean_difference(
        _joined(compared, reference),
        np.arange(len(compared) + len(reference)) < len(compared),
        horizon=horizon,
    ).estimate


def restricted_mean_log_ratio(
    compared: CensoredTimes, reference: CensoredTimes, *, horizon: float
) -> Estimate:
    """Natural logarithm of the ratio of mean days retained, by the delta method, with Welch's t.

    Examples
    --------
    >>> stayed = CensoredTimes([180, 150, 120, 180], [False, True, True, False])
    >>> left = CensoredTimes([60, 150, 20, 180], [True, True, True, False])
    >>> round(restricted_mean_log_ratio(stayed, left, horizon=180).value, 6)
    0.429563
    """
    means = [restricted_mean(times, horizon) for times in (compared, reference)]
    parts = [(mean.estimate.standard_error / mean.value) ** 2 for mean in means]
    freedom = _welch(parts, [mean.clients - 1.0 for mean in means])
    return Estimate(
        math.log(means[0].value / means[1].value), math.sqrt(sum(parts)), freedom, "Welch, delta method"
    )


@dataclass(frozen=True, slots=True)
class StratumMean(Result):
    """One stratum's difference in mean days retained.

    ``weight`` is its share of the whole; 0, with ``difference`` not a number, where an arm is empty.
    """

    stratum: str
    clients: tuple[int, int]  # reference, compared
    difference: float
    weight: float


@dataclass(frozen=True, slots=True)
class StratifiedMeanDifference(Result):
    """Difference in mean days retained, compared within strata.

    Parameters
    ----------
    estimate : Estimate
        Compared minus reference, in days.
    strata : tuple of StratumMean
        In the order of the sorted labels.
    horizon : float
        Days since the start.
    """

    estimate: Estimate
    strata: tuple[StratumMean, ...]
    horizon: float

    @property
    def uninformative(self) -> tuple[str, ...]:
        """Strata with an empty arm: they have no weight."""
        return tuple(stratum.stratum for stratum in self.strata if stratum.weight == 0.0)


def stratified_restricted_mean_difference(
    times: CensoredTimes, compared: Any, *, horizon: float, strata: Any = None
) -> StratifiedMeanDifference:
    r"""Difference in mean days retained within strata, weighted over strata.

    Parameters
    ----------
    times : CensoredTimes
        Times of all clients of both arms.
    compared : array_like of bool, shape (n,)
        True for the compared arm, False for the reference arm.
    horizon : float
        Days since the start.
    strata : array_like, shape (n,), optional
        Stratum labels, such as the trainer; one stratum unless given.

    Returns
    -------
    StratifiedMeanDifference

    Raises
    ------
    FitError
        If no stratum has clients in both arms, or an arm has no stratum with two clients (its spread
        is then unknown).

    Notes
    -----
    Weights :math:`n_1n_0/(n_1+n_0)` per stratum. One spread per arm is pooled over the strata,
    :math:`\hat\sigma^2_a=\sum_s n_{sa}^2 V_{sa}/\sum_s(n_{sa}-1)` with Greenwood-type variances
    :math:`V_{sa}`; degrees of freedom after Welch and Satterthwaite. Without censoring this is the
    comparison of means within strata with unequal variances of the arms.
    """
    in_compared = np.asarray(compared, dtype=bool)
    labels, codes = np.unique(
        np.zeros(len(times)) if strata is None else np.asarray(strata), return_inverse=True
    )
    if in_compared.shape != (len(times),) or codes.shape != (len(times),):
        raise ArgumentError(
            where="restricted mean", expected=f"an arm and a stratum for each of {len(times)} clients"
        )
    cells = np.stack([np.bincount(codes[in_compared == arm], minlength=labels.size) for arm in (False, True)])
    informative = (cells > 0).all(axis=0)
    if not informative.any():
        raise FitError(where="restricted mean", expected="a stratum with clients in both arms", got="none")
    weights = np.where(informative, cells[0] * cells[1] / np.maximum(cells.sum(axis=0), 1), 0.0)
    weights /= weights.sum()
    means, spread, freedom = np.full(cells.shape, np.nan), np.zeros(2), np.zeros(2)
    for arm in (0, 1):
        for stratum in np.flatnonzero(informative):
            cell = restricted_mean(times.select((codes == stratum) & (in_compared == bool(arm))), horizon)
            means[arm, stratum] = cell.value
            spread[arm] += cell.clients**2 * cell.greenwood_variance
            freedom[arm] += cell.clients - 1.0
    if not freedom.all():
        raise FitError(
            where="restricted mean",
            expected="in each arm a stratum with at least two clients",
            got="none",
            todo="Compare without strata.",
        )
    difference = means[1] - means[0]
    parts = [
        float(spread[arm] / freedom[arm] * np.sum(weights[informative] ** 2 / cells[arm][informative]))
        for arm in (0, 1)
    ]
    estimate = Estimate(
        float(weights[informative] @ difference[informative]),
        math.sqrt(sum(parts)),
        _welch(parts, list(freedom)),
        "Welch, Greenwood-type variance" + ("" if labels.size == 1 else " pooled over strata"),
    )
    table = tuple(
        StratumMean(str(label), (int(cells[0, s]), int(cells[1, s])), float(difference[s]), float(weights[s]))
        for s, label in enumerate(labels)
    )
    return StratifiedMeanDifference(estimate, table, float(horizon))


def _welch(parts: list[float], freedom: list[float]) -> float:
    """Degrees of freedom of a sum of variances (Satterthwaite 1946)."""
    below = sum(part**2 / df for part, df in zip(parts, freedom, strict=True))
    return sum(parts) ** 2 / below if below > 0.0 else float(sum(freedom))


def _joined(first: CensoredTimes, second: CensoredTimes) -> CensoredTimes:
    return CensoredTimes(
        np.concatenate((first.time, second.time)),
        np.concatenate((first.event, second.event)),
        entry=np.concatenate((first.entry, second.entry)),
    )
