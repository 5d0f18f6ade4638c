"""Interval of a noncentrality parameter of the t distribution, the ground of intervals for d."""

from __future__ import annotations

from scipy.optimize import brentq

from studykit.errors import ArgumentError
from studykit.results import check_confidence_level


def noncentrality_interval(
    statistic: float, degrees_of_freedom: float, *, confidence_level: float = 0.95
) -> tuple[float, float]:
    """Noncentralities under which the observed t statistic is not in either tail.

    Steiger & Fouladi 1997; Cumming & Finch 2001, Educational and Psychological Measurement 61:532.

    Parameters
    ----------
    statistic : float
        Finite.
    degrees_of_freedom : float
        At least 1.
    confidence_level : float
        Of the interval.

    Raises
    ------
    ArgumentError
        If the statistic is not finite or the degrees of freedom are below 1.

    Examples
    --------
    >>> lower, upper = noncentrality_interval(2.5, 98)
    >>> round(lower, 4), round(upper, 4)
    (0.5029, 4.4847)
    """
    check_confidence_level(confidence_level)
    if not abs(statistic) < float("inf") or degrees_of_freedom < 1.0:
        raise ArgumentError(
            where="noncentral t",
            expected="a finite statistic and at least 1 degree of freedom",
            got=f"t = {statistic}, {degrees_of_freedom} degrees of freedom",
        )
    tail = (1.0 - confidence_level) / 2.0
    lower = _solve(statistic, degrees_of_freedom, 1.0 - tail)
    upper = _solve(statistic, degrees_of_freedom, tail)
    return lower, upper


def _solve(statistic: float, degrees_of_freedom: float, probability: float) -> float:
    """Noncentrality at which the statistic has the given probability below it."""
    from scipy.stats import nct

    def distance(noncentrality: float) -> float:
        # Mirrored so that the small tail is computed, not one minus it.
        if noncentrality > statistic:
            return float(nct.cdf(statistic, degrees_of_freedom, noncentrality)) - probability
        return (1.0 - probability) - float(nct.sf(statistic, degrees_of_freedom, noncentrality))

    step = 4.0 + abs(statistic)
    low, high = statistic - step, statistic + step
    while distance(low) < 0.0:
        low -= step
    while distance(high) > 0.0:
        high += step
    return float(brentq(distance, low, high, xtol=1e-10, rtol=1e-12))
