"""Exact conditional inference about a common odds ratio, for few departures."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammaln, logsumexp

from studykit.errors import FitError
from studykit.results import Interval, check_confidence_level, frozen_array
from studykit.retention.stratified_counts import StratifiedCounts

Floats = NDArray[np.float64]
FAR = 200.0  # a log odds ratio that no data can be told apart from infinity


@dataclass(frozen=True, slots=True, eq=False)
class ExactOddsRatio:
    """Common odds ratio of staying, given the margins of every stratum.

    Parameters
    ----------
    value : float
        Natural logarithm of the conditional maximum-likelihood estimate; may be infinite.
    observed : int
        Clients of the compared arm who stayed, all strata together.
    support : ndarray of int, shape (k,)
        Values that ``observed`` could have taken.
    log_ways : ndarray, shape (k,)
        Logarithm of the number of ways to reach each.
    """

    value: float
    observed: int
    support: NDArray[np.int64]
    log_ways: Floats

    @property
    def p_value(self) -> float:
        """Two-sided exact p-value: the probability of outcomes no more likely than the one seen."""
        chance = np.exp(self.log_ways - logsumexp(self.log_ways))
        seen = chance[self.support == self.observed][0]
        return float(min(1.0, chance[chance <= seen * (1.0 + 1e-7)].sum()))

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """Exact interval of the log odds ratio from the two one-sided tests; ends may be infinite."""
        check_confidence_level(confidence_level)
        tail = (1.0 - confidence_level) / 2.0
        at_least, at_most = self.support >= self.observed, self.support <= self.observed
        lower = -math.inf if at_least.all() else self._solve(at_least, tail)
        upper = math.inf if at_most.all() else self._solve(at_most, tail)
        return Interval(lower, upper, confidence_level, "exact conditional")

    def _solve(self, outcomes: NDArray[np.bool_], tail: float) -> float:
        def distance(log_odds: float) -> float:
            terms = self.log_ways + log_odds * self.support
            return float(logsumexp(terms[outcomes]) - logsumexp(terms)) - math.log(tail)

        return float(brentq(distance, -FAR, FAR, xtol=1e-12))


def exact_odds_ratio(counts: StratifiedCounts) -> ExactOddsRatio:
    """Exact conditional test and interval for a common odds ratio over strata.

    One stratum gives Fisher's exact test. The distribution of the number who stayed in the compared arm,
    given all margins, is the convolution of the strata's hypergeometric distributions (Gart 1970;
    Mehta, Patel & Gray 1985).

    Parameters
    ----------
    counts : StratifiedCounts
        Tables; those that cannot vary add nothing.

    Returns
    -------
    ExactOddsRatio

    Raises
    ------
    FitError
        If no stratum can tell the arms apart.

    Examples
    --------
    The lady tasting tea (Fisher 1935): all eight cups told rightly.

    >>> round(exact_odds_ratio(StratifiedCounts([[0, 4]], [[4, 4]])).p_value, 6)
    0.028571
    """
    ways, lowest = np.zeros(1), 0
    for (kept0, kept1), (n0, n1) in zip(counts.retained.tolist(), counts.clients.tolist(), strict=True):
        retained = kept0 + kept1
        low, high = max(0, retained - n0), min(n1, retained)
        here = np.arange(low, high + 1)
        terms = _log_choose(n1, here) + _log_choose(n0, retained - here)
        ways, lowest = _log_convolve(ways, terms), lowest + low
    support = lowest + np.arange(ways.size)
    if support.size < 2:
        raise FitError(
            where="exact comparison",
            expected="a stratum with both arms in which some stayed and some left",
            got="none",
        )
    observed = int(counts.retained[:, 1].sum())
    return ExactOddsRatio(
        _conditional_estimate(observed, support, ways), observed, frozen_array(support), frozen_array(ways)
    )


def _conditional_estimate(observed: int, support: NDArray[np.int64], ways: Floats) -> float:
    """Log odds ratio at which the expected number is the one observed."""
    if observed == support[0]:
        return -math.inf
    if observed == support[-1]:
        return math.inf

    def excess(log_odds: float) -> float:
        terms = ways + log_odds * support
        return float(np.exp(terms - logsumexp(terms)) @ support) - observed

    return float(brentq(excess, -FAR, FAR, xtol=1e-12))


def _log_choose(n: int, k: NDArray[np.int64]) -> Floats:
    return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))


def _log_convolve(a: Floats, b: Floats) -> Floats:
    """Convolution of two sequences given by their logarithms, without overflow."""
    top_a, top_b = a.max(), b.max()
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.convolve(np.exp(a - top_a), np.exp(b - top_b))) + top_a + top_b)
