"""Power, detectable difference, interval width and the smallest number that reaches a target.

Every quantity starts from a standard error and its degrees of freedom, with t, not normal quantiles.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammaincinv, gammaln, nctdtr, ndtr, ndtri, stdtrit

from studykit.errors import ArgumentError, DesignError
from studykit.results import Result

Sides = Literal[1, 2]
_CERTAIN = 30.0  # standard errors: from there on the library gives no number, and the normal is certain
_MOST = 10_000_000
MOST_CLIENTS = 100_000  # what no studio, nor a group of them, has
_POINTS, _WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
_COVERED = 0.95  # of a prior, by the plausible range of an assumption


def check_share(value: float, *, name: str) -> None:
    """Refuse what is not strictly between 0 and 1."""
    if not 0.0 < value < 1.0:
        raise ArgumentError(where=name, expected="a number between 0 and 1", got=repr(value))


def t_power(
    effect: float, standard_error: float, *, degrees_of_freedom: float, alpha: float = 0.05, sides: Sides = 2
) -> float:
    """Probability that a t-test rejects, both tails counted where it is two-sided.

    Parameters
    ----------
    effect : float
        True difference; for a one-sided test positive means in the direction of the test.
    standard_error : float
        Of its estimate, same unit, ``> 0``.
    degrees_of_freedom : float
        Of the t distribution; ``inf`` gives the normal.
    alpha : float
        Type I error.
    sides : {1, 2}

    Raises
    ------
    ArgumentError
        If the standard error or the degrees of freedom are not positive.

    Notes
    -----
    Noncentral t with noncentrality effect / standard error.

    Examples
    --------
    The help page of R's power.t.test: 20 per arm, a difference of one standard deviation.

    >>> round(t_power(1.0, (2 / 20) ** 0.5, degrees_of_freedom=38), 6)
    0.868953
    """
    if not standard_error > 0.0 or not degrees_of_freedom > 0.0:
        raise ArgumentError(
            where="t_power",
            expected="a standard error and degrees of freedom above 0",
            got=f"{standard_error}, {degrees_of_freedom}",
            todo="There are too few clients for this analysis.",
        )
    check_share(alpha, name="alpha")
    noncentrality = effect / standard_error
    if math.isinf(degrees_of_freedom):
        critical = float(ndtri(1.0 - alpha / sides))
        upper = float(ndtr(noncentrality - critical))
        return upper + float(ndtr(-noncentrality - critical)) if sides == 2 else upper
    value = math.nan
    if abs(noncentrality) <= _CERTAIN:
        critical = -float(stdtrit(degrees_of_freedom, alpha / sides))
        value = 1.0 - float(nctdtr(degrees_of_freedom, noncentrality, critical))
        value += float(nctdtr(degrees_of_freedom, noncentrality, -critical)) if sides == 2 else 0.0
    if math.isnan(value):
        critical = float(stdtrit(degrees_of_freedom, 1.0 - alpha / sides))
        value = chance_beyond(critical, noncentrality, degrees_of_freedom)
        value += chance_beyond(critical, -noncentrality, degrees_of_freedom) if sides == 2 else 0.0
    return min(max(value, 0.0), 1.0)


def chance_beyond(critical: float, noncentrality: float, degrees_of_freedom: float) -> float:
    """Probability that a noncentral t lies above ``critical``, averaged over the estimated spread.

    Examples
    --------
    >>> round(chance_beyond(2.0, 0.0, 10.0), 6), round(chance_beyond(1.96, 1.96, math.inf), 6)
    (0.036694, 0.5)
    """
    if math.isinf(degrees_of_freedom):
        return float(ndtr(noncentrality - critical))
    points, weights = _spread_quadrature()
    spread = np.sqrt(2.0 * gammaincinv(degrees_of_freedom / 2.0, points) / degrees_of_freedom)
    short = critical * spread - noncentrality
    if (
        noncentrality > critical
    ):  # the smaller of the two chances is summed: certainty is one, to the last digit
        return 1.0 - float(np.sum(weights * ndtr(short)))
    return float(np.sum(weights * ndtr(-short)))


@lru_cache(maxsize=1)
def _spread_quadrature() -> tuple[Any, Any]:
    """Points in (0, 1), and their weights."""
    points, weights = np.polynomial.legendre.leggauss(400)
    return (points + 1.0) / 2.0, weights / 2.0


@dataclass(frozen=True, slots=True)
class ErrorAndFreedom(Result):
    """Standard error of a difference, and the degrees of freedom of its t.

    Parameters
    ----------
    standard_error : float
    degrees_of_freedom : float
    """

    standard_error: float
    degrees_of_freedom: float

    def power(self, difference: float, *, alpha: float = 0.05, sides: Sides = 2) -> float:
        """Power of the t-test for a true difference."""
        return t_power(
            difference,
            self.standard_error,
            degrees_of_freedom=self.degrees_of_freedom,
            alpha=alpha,
            sides=sides,
        )


def detectable_difference(
    standard_error: float,
    *,
    degrees_of_freedom: float,
    power: float = 0.8,
    alpha: float = 0.05,
    sides: Sides = 2,
) -> float:
    """The difference that a test finds with a given power, in the unit of the standard error.

    Examples
    --------
    >>> round(detectable_difference((2 / 64) ** 0.5, degrees_of_freedom=126), 3)
    0.499
    """
    check_share(power, name="power")
    if power <= alpha:
        raise ArgumentError(where="power", expected=f"more than alpha, {alpha}", got=repr(power))

    def missing(effect: float) -> float:
        return t_power(effect, 1.0, degrees_of_freedom=degrees_of_freedom, alpha=alpha, sides=sides) - power

    highest = 2.0
    while missing(highest) < 0.0:
        highest *= 2.0
    return float(brentq(missing, 0.0, highest, xtol=1e-12)) * standard_error


def mean_of_standard_deviation(degrees_of_freedom: float) -> float:
    """Expected estimate of a standard deviation of one: below one in small samples."""
    half = degrees_of_freedom / 2.0
    if math.isinf(half):
        return 1.0
    return math.exp(float(gammaln(half + 0.5) - gammaln(half)) - 0.5 * math.log(half))


def expected_half_width(
    standard_error: float, *, degrees_of_freedom: float, confidence_level: float = 0.95
) -> float:
    """Expected distance from an estimate to either end of its t interval.

    Examples
    --------
    >>> round(expected_half_width(1.0, degrees_of_freedom=float("inf")), 4)
    1.96
    """
    check_share(confidence_level, name="confidence_level")
    quantile = float(stdtrit(degrees_of_freedom, 0.5 + confidence_level / 2.0))
    return quantile * standard_error * mean_of_standard_deviation(degrees_of_freedom)


def smallest_whole(
    reaches: Callable[[int], float], target: float, *, least: int = 2, most: int = _MOST, what: str = "target"
) -> int:
    """The smallest whole number at which a rising function reaches a target.

    Parameters
    ----------
    reaches : callable
        Takes a whole number, gives a float that does not fall as the number rises.
    target : float
    least, most : int
        Bounds of the search.
    what : str
        Name of what is searched for, in messages.

    Raises
    ------
    DesignError
        If not even ``most`` reaches the target, with the value that it reaches.

    Examples
    --------
    >>> smallest_whole(lambda n: n * n, 50.0)
    8
    """
    if reaches(least) >= target:
        return least
    low, high = least, 2 * least
    while reaches(min(high, most)) < target:
        if high >= most:
            raise DesignError(
                where=what,
                expected=f"to be reached with at most {most}",
                got=f"{reaches(most):.4g} against {target:.4g} there",
                todo="More of the same does not help; change the design or the assumptions.",
            )
        low, high = high, 2 * high
    high = min(high, most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reaches(middle) >= target else (middle, high)
    return high


def fewest_clients(reaches: Callable[[int], float], target: float, *, least: int) -> int | None:
    """The smallest number of clients at which a rising function reaches a target; ``None`` if out of reach.

    Examples
    --------
    >>> fewest_clients(lambda clients: 1.0 - 1.0 / clients, 0.9, least=4)
    10
    >>> fewest_clients(lambda clients: 0.5, 0.9, least=4) is None
    True
    """
    try:
        return smallest_whole(reaches, target, least=least, most=MOST_CLIENTS, what="clients")
    except DesignError:
        return None


def crossing(reaches: Callable[[float], float], target: float, *, least: float, most: float = _MOST) -> float:
    """The number, not rounded, at which a rising function reaches a target; ``least`` if it does there."""
    if reaches(least) >= target:
        return least
    high = 2.0 * least
    while reaches(high) < target:
        if high > most:
            raise DesignError(
                where="sample size", expected=f"to be reached with at most {most}", got="never",
                todo="The difference may be 0, or the wanted power too high.",
            )  # fmt: skip
        high *= 2.0
    return float(brentq(lambda number: reaches(number) - target, high / 2.0, high, xtol=1e-9))


def assurance(mean: float, variance: float, standard_error: float, *, alpha: float = 0.05) -> float:
    r"""Probability that a study rejects in the direction of the expected effect, averaged over a prior.

    Parameters
    ----------
    mean, variance : float
        Of a normal prior for the effect; ``variance >= 0``, and 0 gives the power at ``mean``.
    standard_error : float
        Of the study's estimate, ``> 0``.
    alpha : float
        Two-sided type I error.

    Notes
    -----
    :math:`\Phi\{(m - z_{1-\alpha/2}\tau)/\sqrt{\tau^2+v}\}`, O'Hagan, Stevens & Campbell 2005, Pharmaceutical
    Statistics 4:187. However large the study, it stays below :math:`\Phi(m/\sqrt v)`.

    Examples
    --------
    >>> round(assurance(0.5, 0.04, (2 / 64) ** 0.5), 6)
    0.717406
    """
    check_share(alpha, name="alpha")
    if variance < 0.0 or not standard_error > 0.0:
        raise ArgumentError(
            where="assurance", expected="a variance of 0 or more and a standard error above 0",
            got=f"{variance}, {standard_error}",
        )  # fmt: skip
    critical = float(ndtri(1.0 - alpha / 2.0)) * standard_error
    return float(ndtr((mean - critical) / math.sqrt(standard_error**2 + variance)))


def spread_of_prior(low: float, high: float) -> float:
    """Standard deviation of a normal prior of which the plausible range holds 95 of 100.

    Examples
    --------
    >>> round(spread_of_prior(-2.0, 6.0), 2)
    2.04
    """
    return (high - low) / (2.0 * float(ndtri(0.5 + _COVERED / 2.0)))


def assurance_by_t(mean: float, spread: float, known: ErrorAndFreedom, *, alpha: float = 0.05) -> float:
    r"""The same by t: power in the direction of the expected effect, averaged over a normal prior.

    Parameters
    ----------
    mean, spread : float
        Of the prior; a spread of 0 gives the power at the mean.
    known : ErrorAndFreedom
        Of the study's estimate.
    alpha : float
        Two-sided type I error.

    Notes
    -----
    Prior and error together are normal with variance :math:`\tau^2+v`, so that the statistic times
    :math:`\tau/\sqrt{\tau^2+v}` is a noncentral t: exact, however wide the prior.

    Examples
    --------
    >>> round(assurance_by_t(0.5, 0.2, ErrorAndFreedom((2 / 64) ** 0.5, float("inf"))), 6)
    0.717406
    """
    check_share(alpha, name="alpha")
    together = math.hypot(known.standard_error, spread)
    critical = float(stdtrit(known.degrees_of_freedom, 1.0 - alpha / 2.0)) * known.standard_error / together
    return chance_beyond(critical, abs(mean) / together, known.degrees_of_freedom)


def averaged(mean: float, spread: float, chance: Callable[[float], float]) -> float:
    """A chance, averaged over a normal prior for the effect that it depends on.

    Examples
    --------
    >>> round(averaged(1.0, 2.0, lambda effect: effect**2), 6)
    5.0
    """
    chances = [chance(mean + spread * float(point)) for point in _POINTS]
    return float(np.sum(_WEIGHTS * chances) / np.sum(_WEIGHTS))


def chance_of_direction(mean: float, spread: float) -> float:
    """Probability under the prior that the effect lies in the expected direction: assurance stays below it.

    Examples
    --------
    >>> round(chance_of_direction(0.5, 0.2), 4)
    0.9938
    """
    if spread == 0.0:
        return 1.0 if mean != 0.0 else 0.5
    return float(ndtr(abs(mean) / spread))
