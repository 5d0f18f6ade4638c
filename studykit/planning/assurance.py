"""Assurance: the probability of success when the effect itself is uncertain.

With normal quantiles it has a closed form, and with t it is the tail of a noncentral t; power of any other
kind is averaged over the prior by Gauss-Hermite quadrature.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy.special import ndtr, ndtri, stdtrit

from studykit.errors import ArgumentError
from studykit.planning.power import ErrorAndFreedom, chance_beyond, check_share

_POINTS, _WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
_COVERED = 0.95  # of a prior, by the plausible range of an assumption


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
