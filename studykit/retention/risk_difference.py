"""Difference in the share retained, within strata, with a score-type test and interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.results import Interval, Result, check_confidence_level, frozen_array
from studykit.retention.score_statistics import difference_statistic, farthest_kept, path_out
from studykit.retention.stratified_counts import StratifiedCounts, StratumDifference

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class RiskDifference(Result):
    """Difference in the share retained, compared arm minus reference arm, within strata.

    Parameters
    ----------
    value : float
        Weighted mean of the strata's differences, -1 to 1.
    counts : StratifiedCounts
        The tables behind it, uninformative strata included.
    """

    value: float
    counts: StratifiedCounts

    @property
    def statistic(self) -> float:
        """Score statistic of no difference; its square is the uncorrected Mantel-Haenszel chi-squared.

        ``nan`` where all clients stayed, or all left, in every stratum.
        """
        return _one(self.counts)[1]

    @property
    def p_value(self) -> float:
        """Two-sided, from the score statistic; 1 where there is none."""
        return _one(self.counts)[2]

    @property
    def strata(self) -> tuple[StratumDifference, ...]:
        """Each stratum with its numbers, difference and weight."""
        return self.counts.table()

    @property
    def uninformative(self) -> tuple[str, ...]:
        """Strata without clients in both arms: they have no weight."""
        return tuple(
            label for label, good in zip(self.counts.strata, self.counts.informative, strict=True) if not good
        )

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """From the lowest to the highest difference that the score statistic does not reject.

        In very small strata the statistic may reject a difference between two that it keeps, so that the
        interval may hold zero where `p_value` is just below one minus the level; never the other way round.
        """
        check_confidence_level(confidence_level)
        lower, upper = score_limits(
            self.counts.retained[None], self.counts.clients[None], confidence_level=confidence_level
        )
        many = len(self.counts.strata) > 1
        method = "stratified score (Mantel-Haenszel weights)" if many else "score"
        return Interval(float(lower[0]), float(upper[0]), confidence_level, f"{method}, Miettinen-Nurminen")


def risk_difference(counts: StratifiedCounts) -> RiskDifference:
    r"""Stratified difference in the share retained, compared arm minus reference arm.

    Parameters
    ----------
    counts : StratifiedCounts
        One stratum per trainer when both arms train with each trainer; a single stratum gives the
        interval of Miettinen and Nurminen.

    Returns
    -------
    RiskDifference

    Raises
    ------
    FitError
        If no stratum has clients of both arms.

    Notes
    -----
    :math:`\hat\Delta=\sum_s w_s(\hat p_{1s}-\hat p_{0s})`, :math:`w_s\propto n_{1s}n_{0s}/N_s`. The
    interval holds every :math:`\Delta` with
    :math:`|\hat\Delta-\Delta|\le z\{\sum_s w_s^2 V_s(\Delta)\}^{1/2}`, where :math:`V_s(\Delta)` is the
    variance of stratum s at its most likely shares that differ by :math:`\Delta`, times N/(N − 1)
    (Miettinen & Nurminen 1985 for one stratum and the form over strata; their weights are iterated, ours
    are fixed, so that the test of no difference is the Mantel-Haenszel test).

    Examples
    --------
    The UGDP trial (Rothman, Greenland & Lash 2008, table 15-1), deaths instead of clients retained:

    >>> ugdp = StratifiedCounts([[5, 8], [16, 22]], [[120, 106], [85, 98]], strata=("< 55", ">= 55"))
    >>> result = risk_difference(ugdp)
    >>> round(result.value, 4), round(result.p_value, 4)
    (0.0349, 0.275)
    """
    counts.require_informative("risk difference")
    return RiskDifference(_one(counts)[0], counts)


@dataclass(frozen=True, slots=True, eq=False)
class RiskDifferences(Result):
    """Risk differences of many data sets; arrays of shape (m,)."""

    value: Floats
    statistic: Floats
    p_value: Floats
    lower: Floats
    upper: Floats
    confidence_level: float


def risk_differences(
    retained: ArrayLike, clients: ArrayLike, *, confidence_level: float = 0.95
) -> RiskDifferences:
    """`risk_difference` of many data sets at once, for simulation and re-randomisation.

    Parameters
    ----------
    retained, clients : array_like, shape (m, s, 2)
        As in `StratifiedCounts`, one data set per first index.
    confidence_level : float
        Of the intervals.

    Returns
    -------
    RiskDifferences
        ``nan`` (p-value 1) where no stratum has clients in both arms.

    Examples
    --------
    >>> many = risk_differences([[[5, 8]], [[5, 5]]], [[[12, 11]], [[12, 12]]])
    >>> [round(float(p), 4) for p in many.p_value]
    [0.1421, 1.0]
    """
    kept, all_clients = np.asarray(retained, dtype=float), np.asarray(clients, dtype=float)
    if kept.ndim != 3 or kept.shape != all_clients.shape or kept.shape[2] != 2:
        raise ArgumentError(
            where="risk differences",
            expected="retained and clients of shape (data sets, strata, 2)",
            got=f"shapes {kept.shape} and {all_clients.shape}",
        )
    lower, upper = score_limits(kept, all_clients, confidence_level=confidence_level)
    value, statistic, p_value = _differences(kept, all_clients)
    known = np.isfinite(value)
    return RiskDifferences(
        value=frozen_array(value),
        statistic=frozen_array(statistic),
        p_value=frozen_array(p_value),
        lower=frozen_array(np.where(known, lower, np.nan)),
        upper=frozen_array(np.where(known, upper, np.nan)),
        confidence_level=confidence_level,
    )


def _one(counts: StratifiedCounts) -> tuple[float, float, float]:
    value, statistic, p_value = _differences(counts.retained[None], counts.clients[None])
    return float(value[0]), float(statistic[0]), float(p_value[0])


def _differences(kept: ArrayLike, clients: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Value, score statistic of no difference, and p-value, each of shape (m,)."""
    from scipy.special import ndtr

    x0, n0, x1, n1, weights = _columns(np.asarray(kept, dtype=float), np.asarray(clients, dtype=float))
    value = np.sum(weights * (x1 / np.maximum(n1, 1.0) - x0 / np.maximum(n0, 1.0)), axis=-1)
    left = x0 + x1 < n0 + n1
    differs = ((weights > 0.0) & (x0 + x1 > 0.0) & left).any(axis=-1)
    statistic = difference_statistic(x0, n0, x1, n1, weights)(np.zeros(len(value)))
    return (
        np.where(weights.any(axis=-1), value, np.nan),
        np.where(differs, statistic, np.nan),
        np.where(differs, 2.0 * ndtr(-np.abs(statistic)), 1.0),
    )


def score_limits(
    retained: ArrayLike, clients: ArrayLike, *, confidence_level: float
) -> tuple[Floats, Floats]:
    """Ends of the score interval for arrays of shape (m, s, 2); two arrays of shape (m,)."""
    from scipy.special import ndtri

    check_confidence_level(confidence_level)
    x0, n0, x1, n1, weights = _columns(np.asarray(retained, dtype=float), np.asarray(clients, dtype=float))
    statistic = difference_statistic(x0, n0, x1, n1, weights)
    value = np.sum(weights * (x1 / np.maximum(n1, 1.0) - x0 / np.maximum(n0, 1.0)), axis=-1)
    z = float(ndtri(0.5 + confidence_level / 2.0))
    ends = np.full(value.shape, 1.0)
    lower, upper = (farthest_kept(statistic, z, path_out(end, value, x0.shape[-1])) for end in (-ends, ends))
    return lower, upper


def _columns(kept: Floats, clients: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    n0, n1 = clients[..., 0], clients[..., 1]
    raw = n0 * n1 / np.maximum(n0 + n1, 1.0)
    total = raw.sum(axis=-1, keepdims=True)
    return kept[..., 0], n0, kept[..., 1], n1, raw / np.where(total > 0.0, total, 1.0)
