"""Chance that a client of one arm does better than a client of the other, and its relatives."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from studykit.effects.standardised import Sample
from studykit.errors import ArgumentError
from studykit.results import Interval, Result, check_confidence_level


@dataclass(frozen=True, slots=True)
class ProbabilityOfSuperiority(Result):
    """Chance that a random client of the compared arm exceeds one of the reference arm; ties count half.

    Parameters
    ----------
    value : float
        0 to 1; 0.5 is no difference.
    standard_error : float
        By the variance of the two arms' placements.
    statistic : float
        Mann and Whitney's U of the compared arm.
    clients : (int, int)
        Compared, reference.
    """

    value: float
    standard_error: float
    statistic: float
    clients: tuple[int, int]

    @property
    def rank_biserial(self) -> float:
        """Rank-biserial correlation, 2 value - 1 (Kerby 2014)."""
        return 2.0 * self.value - 1.0

    @property
    def p_value(self) -> float:
        """Two-sided, of 0.5, large-sample with the variance estimated without assuming it."""
        if self.standard_error == 0.0:
            return 1.0 if self.value == 0.5 else 0.0
        return float(2.0 * ndtr(-abs(self.value - 0.5) / self.standard_error))

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval on the logit scale; one-sided exact bound where the arms do not overlap."""
        check_confidence_level(confidence_level)
        if self.value in (0.0, 1.0):
            tail = ((1.0 - confidence_level) / 2.0) ** (1.0 / min(self.clients))
            lower, upper = (tail, 1.0) if self.value == 1.0 else (0.0, 1.0 - tail)
            return Interval(lower, upper, confidence_level, "bound for arms that do not overlap")
        logit = math.log(self.value / (1.0 - self.value))
        half = float(ndtri(0.5 + confidence_level / 2.0)) * self.standard_error
        half /= self.value * (1.0 - self.value)
        lower, upper = 1.0 / (1.0 + math.exp(half - logit)), 1.0 / (1.0 + math.exp(-half - logit))
        return Interval(lower, upper, confidence_level, "logit, placements")


def probability_of_superiority(compared: ArrayLike, reference: ArrayLike) -> ProbabilityOfSuperiority:
    """From the values of two arms, without assuming a distribution.

    Parameters
    ----------
    compared, reference : array_like of float, shapes (n1,) and (n0,)
        At least two finite values each.

    Returns
    -------
    ProbabilityOfSuperiority

    Notes
    -----
    The area under the receiver-operating curve (Hanley & McNeil 1982); variance from the placements of
    each arm in the other (DeLong, DeLong & Clarke-Pearson 1988), interval on the logit scale.

    Examples
    --------
    >>> result = probability_of_superiority([3.0, 4.0, 5.0], [1.0, 2.0, 3.0])
    >>> round(result.value, 4), result.statistic
    (0.9444, 8.5)
    """
    from scipy.stats import rankdata

    one, two = _finite(compared), _finite(reference)
    ranks = rankdata(np.concatenate((one, two)))
    own_one, own_two = rankdata(one), rankdata(two)
    placement_one = (ranks[: one.size] - own_one) / two.size
    placement_two = 1.0 - (ranks[one.size :] - own_two) / one.size
    value = float(placement_one.mean())
    variance = placement_one.var(ddof=1) / one.size + placement_two.var(ddof=1) / two.size
    return ProbabilityOfSuperiority(
        value, math.sqrt(float(variance)), value * one.size * two.size, (one.size, two.size)
    )


def matched_rank_biserial(differences: ArrayLike) -> float:
    """Rank-biserial correlation of differences within pairs: (favourable - unfavourable) / all ranks.

    Zero differences are left out of the ranking, as in Wilcoxon's test (Kerby 2014).

    Examples
    --------
    >>> matched_rank_biserial([1.0, 2.0, -3.0, 4.0])
    0.4
    """
    from scipy.stats import rankdata

    values = _finite(differences)
    values = values[values != 0.0]
    if not values.size:
        return 0.0
    ranks = rankdata(np.abs(values))
    return float((ranks * np.sign(values)).sum() / ranks.sum())


def common_language_effect(compared: Sample, reference: Sample) -> float:
    """Probability of superiority of two normal distributions, spreads not assumed equal.

    McGraw & Wong 1992, Psychological Bulletin 111:361.

    Examples
    --------
    >>> round(common_language_effect(Sample(69.7, 2.8, 100), Sample(64.3, 2.6, 100)), 4)
    0.9212
    """
    spread = math.hypot(compared.standard_deviation, reference.standard_deviation)
    return float(ndtr((compared.mean - reference.mean) / spread))


def superiority_from_standardised(d: float) -> float:
    """Probability of superiority of two normal distributions with equal spread.

    Examples
    --------
    >>> round(superiority_from_standardised(0.5), 4)
    0.6382
    """
    return float(ndtr(d / math.sqrt(2.0)))


def share_above_reference_median(d: float) -> float:
    """Share of the compared arm above the middle of the reference arm (Cohen's U3), normal, equal spread.

    Examples
    --------
    >>> round(share_above_reference_median(0.5), 4)
    0.6915
    """
    return float(ndtr(d))


def overlap(d: float) -> float:
    """Share of two normal curves of equal spread that lies under both.

    Examples
    --------
    >>> round(overlap(0.5), 4)
    0.8026
    """
    return float(2.0 * ndtr(-abs(d) / 2.0))


def _finite(values: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=float)
    if array.ndim != 1 or array.size < 2 or not np.isfinite(array).all():
        raise ArgumentError(
            where="probability of superiority", expected="at least two finite values", got=repr(array.shape)
        )
    return array
