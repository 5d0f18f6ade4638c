r"""Difference of two estimated shares with an interval that knows that shares end at 0 and 1.

Each share gets its own interval on the logit scale, and the two are put together (recovery of variances: Zou
& Donner 2008, Statistics in Medicine 27:1693; Newcombe 1998, Statistics in Medicine 17:873, method 10):
:math:`L=d-\sqrt{(p_1-l_1)^2-2r(p_1-l_1)(u_0-p_0)+(u_0-p_0)^2}` and U alike, r being the correlation of the
two estimates.
"""

from __future__ import annotations

import math

from scipy.optimize import brentq
from scipy.special import expit, logit, stdtr, stdtrit

from studykit.errors import ArgumentError
from studykit.lookback.inference import CONFIDENCE
from studykit.lookback.results import Association
from studykit.results import Interval

FARTHEST = 60.0  # standard errors at which the search for a p-value ends


def difference_of_shares(
    shares: tuple[float, float],
    errors: tuple[float, float],
    *,
    correlation: float,
    degrees_of_freedom: float,
    method: str,
) -> Association:
    """First share minus second.

    Parameters
    ----------
    shares, errors : tuple of float
        Estimates and their standard errors; a share of 0 or 1 keeps a symmetric interval.
    correlation : float
        Of the two estimates, -1 to 1.
    degrees_of_freedom : float
        Of the t distribution.
    method : str
        Where the errors come from.

    Returns
    -------
    Association
        The p-value is that at which the interval ends at 0.

    Examples
    --------
    >>> found = difference_of_shares((0.3, 0.5), (0.06, 0.07), correlation=0.0,
    ...                              degrees_of_freedom=math.inf, method="given")
    >>> round(found.interval.lower, 3), round(found.interval.upper, 3)
    (-0.369, -0.014)
    """
    if not (all(0.0 <= share <= 1.0 for share in shares) and -1.0 <= correlation <= 1.0):
        raise ArgumentError(
            where="difference of shares",
            expected="shares from 0 to 1 and a correlation from -1 to 1",
            got=f"{shares}, {correlation}",
        )
    value = shares[0] - shares[1]
    quantile = float(stdtrit(degrees_of_freedom, 0.5 + CONFIDENCE / 2.0))
    lower, upper = _ends(shares, errors, correlation, quantile)
    first, second = errors
    variance = first**2 + second**2 - 2.0 * correlation * first * second
    return Association(
        value=value,
        interval=Interval(lower, upper, CONFIDENCE, f"t on logits of both shares, {method}"),
        p_value=_p_value(value, shares, errors, correlation, degrees_of_freedom),
        standard_error=math.sqrt(max(variance, 0.0)),
        degrees_of_freedom=degrees_of_freedom,
    )


def _own(share: float, error: float, quantile: float) -> tuple[float, float]:
    """Distances from a share to the ends of its own interval, below and above."""
    if not 0.0 < share < 1.0:
        return quantile * error, quantile * error
    reach = quantile * error / (share * (1.0 - share))
    middle = float(logit(share))
    return share - float(expit(middle - reach)), float(expit(middle + reach)) - share


def _ends(
    shares: tuple[float, float], errors: tuple[float, float], correlation: float, quantile: float
) -> tuple[float, float]:
    (below_1, above_1), (below_0, above_0) = (
        _own(share, error, quantile) for share, error in zip(shares, errors, strict=True)
    )

    def together(one: float, other: float) -> float:
        return math.sqrt(max(one**2 - 2.0 * correlation * one * other + other**2, 0.0))

    value = shares[0] - shares[1]
    return value - together(below_1, above_0), value + together(above_1, below_0)


def _p_value(
    value: float,
    shares: tuple[float, float],
    errors: tuple[float, float],
    correlation: float,
    degrees_of_freedom: float,
) -> float:
    """Two-sided, by the quantile at which the nearer end reaches 0."""
    if value == 0.0:
        return 1.0

    def beyond(quantile: float) -> float:
        lower, upper = _ends(shares, errors, correlation, quantile)
        return lower if value > 0.0 else -upper

    if beyond(FARTHEST) > 0.0:
        return float(2.0 * stdtr(degrees_of_freedom, -FARTHEST))
    quantile = float(brentq(beyond, 0.0, FARTHEST))
    return float(2.0 * stdtr(degrees_of_freedom, -quantile))
