"""Between differences of logarithms, ratios and per cent."""

from __future__ import annotations

import math

from studykit.errors import ArgumentError
from studykit.results import Estimate, Interval


def percent_from_log(difference: float) -> float:
    """Per cent change that a difference of natural logarithms stands for.

    Examples
    --------
    >>> round(percent_from_log(0.05), 4)
    5.1271
    """
    return 100.0 * math.expm1(difference)


def log_from_percent(percent: float) -> float:
    """Difference of natural logarithms that a per cent change stands for.

    Raises
    ------
    ArgumentError
        If the change is -100 % or less.

    Examples
    --------
    >>> round(log_from_percent(5.0), 6)
    0.04879
    """
    if not percent > -100.0:
        raise ArgumentError(where="per cent change", expected="more than -100", got=repr(percent))
    return math.log1p(percent / 100.0)


def percent_interval(estimate: Estimate, *, confidence_level: float = 0.95) -> Interval:
    """The interval of a difference of logarithms, in per cent: its ends transformed, not its half-width.

    Examples
    --------
    >>> interval = percent_interval(Estimate(0.05, 0.02, math.inf, "given"))
    >>> round(interval.lower, 3), round(interval.upper, 3)
    (1.086, 9.33)
    """
    return estimate.confidence_interval(confidence_level).transformed(percent_from_log)


def spread_from_coefficient_of_variation(coefficient: float) -> float:
    """Standard deviation of the logarithm of a log-normal outcome with this coefficient of variation.

    Examples
    --------
    >>> round(spread_from_coefficient_of_variation(0.20), 6)
    0.198042
    """
    if not coefficient >= 0.0:
        raise ArgumentError(
            where="coefficient of variation", expected="a share from 0", got=repr(coefficient)
        )
    return math.sqrt(math.log1p(coefficient**2))


def coefficient_of_variation_from_spread(standard_deviation: float) -> float:
    """Coefficient of variation of a log-normal outcome with this standard deviation of the logarithm.

    Examples
    --------
    >>> round(coefficient_of_variation_from_spread(0.198042), 6)
    0.2
    """
    if not standard_deviation >= 0.0:
        raise ArgumentError(
            where="standard deviation of the logarithm", expected="from 0", got=repr(standard_deviation)
        )
    return math.sqrt(math.expm1(standard_deviation**2))
