r"""Not worse by more than a margin, and alike within margins: means and shares.

Two one-sided tests (Schuirmann 1987, Journal of Pharmacokinetics and Biopharmaceutics 15:657) at ``alpha``
each. With :math:`\nu` degrees of freedom, true difference :math:`\delta`, margins :math:`L < U`, standard
error :math:`s` and critical value :math:`c`, the power is

.. math:: \int_0^{(U-L)/(2cs)} \Big\{\Phi\Big(\frac{U-\delta}{s}-cx\Big)-\Phi\Big(\frac{L-\delta}{s}+cx\Big)
   \Big\} f_\nu(x)\,dx,

:math:`f_\nu` the density of :math:`\sqrt{\chi^2_\nu/\nu}`: the difference of two of Owen's Q functions (Owen
1965, Biometrika 52:437), here by Gauss-Legendre quadrature.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import gammaln, ndtr, ndtri, stdtrit

from studykit.errors import ArgumentError
from studykit.planning.means import Needed
from studykit.planning.power import check_share, crossing, t_power

_POINTS, _WEIGHTS = np.polynomial.legendre.leggauss(256)


def not_worse_power(
    difference: float,
    standard_error: float,
    *,
    margin: float,
    degrees_of_freedom: float,
    alpha: float = 0.025,
) -> float:
    """Power to show that an arm is not worse than the other by more than a margin, one-sided t.

    Parameters
    ----------
    difference : float
        True difference, compared less reference; above 0 is better.
    standard_error : float
        Of its estimate.
    margin : float
        Largest loss that would be accepted, ``> 0``.
    degrees_of_freedom : float
    alpha : float
        One-sided.

    Examples
    --------
    >>> round(not_worse_power(0.0, (2 / 86) ** 0.5, margin=0.5, degrees_of_freedom=170), 3)
    0.903
    """
    _check_margin(margin)
    return t_power(
        margin + difference, standard_error, degrees_of_freedom=degrees_of_freedom, alpha=alpha, sides=1
    )


def clients_for_not_worse(
    margin: float, sd: float, *, difference: float = 0.0, alpha: float = 0.025, power: float = 0.8
) -> Needed:
    """Clients per arm to show that an arm is not worse by more than a margin.

    Raises
    ------
    ArgumentError
        If the true difference lies at the margin or beyond: no number of clients is enough.

    Examples
    --------
    Julious 2004, Statistics in Medicine 23:1921: margin of half a standard deviation, power 0.9.

    >>> clients_for_not_worse(0.5, 1.0, power=0.9).whole
    86
    """
    _check_margin(margin)
    _refuse_beyond(difference + margin)
    check_share(power, name="power")

    def reaches(number: float) -> float:
        error = sd * math.sqrt(2.0 / number)
        return not_worse_power(
            difference, error, margin=margin, degrees_of_freedom=2.0 * number - 2.0, alpha=alpha
        )

    return Needed.of(crossing(reaches, power, least=1.5))


def alike_power(
    difference: float,
    standard_error: float,
    *,
    lower: float,
    upper: float,
    degrees_of_freedom: float,
    alpha: float = 0.05,
) -> float:
    """Exact power to show that two arms are alike within margins, by two one-sided t-tests.

    Parameters
    ----------
    difference : float
        True difference.
    standard_error : float
        Of its estimate, same unit, ``> 0``.
    lower, upper : float
        Margins; the arms count as alike if the interval at 1 - 2 ``alpha`` lies between them.
    degrees_of_freedom : float
        ``inf`` gives the normal.
    alpha : float
        Of each test, one-sided.

    Raises
    ------
    ArgumentError
        If the margins are not in order, or the standard error or the degrees of freedom are not positive.

    Examples
    --------
    >>> round(alike_power(0.0, 0.2, lower=-0.5, upper=0.5, degrees_of_freedom=30), 3)
    0.575
    """
    if not lower < upper or not standard_error > 0.0 or not degrees_of_freedom > 0.0:
        raise ArgumentError(
            where="alike_power", expected="lower below upper, standard error and degrees of freedom above 0",
            got=f"{lower}, {upper}, {standard_error}, {degrees_of_freedom}",
        )  # fmt: skip
    check_share(alpha, name="alpha")
    high, low = (upper - difference) / standard_error, (lower - difference) / standard_error
    if math.isinf(degrees_of_freedom):
        critical = float(ndtri(1.0 - alpha))
        return max(float(ndtr(high - critical)) - float(ndtr(low + critical)), 0.0)
    critical = float(stdtrit(degrees_of_freedom, 1.0 - alpha))
    last = (high - low) / (2.0 * critical)
    # Beyond a dozen standard deviations of the estimated spread nothing is left to integrate.
    around = 12.0 / math.sqrt(2.0 * degrees_of_freedom)
    first, last = max(0.0, 1.0 - around), min(last, 1.0 + around)
    if last <= first:
        return 0.0
    spread = first + (last - first) * (_POINTS + 1.0) / 2.0
    between = ndtr(high - critical * spread) - ndtr(low + critical * spread)
    weights = _WEIGHTS * (last - first) / 2.0 * _density_of_spread(spread, degrees_of_freedom)
    return float(np.clip(np.sum(weights * between), 0.0, 1.0))


def _density_of_spread(
    spread: np.ndarray[tuple[int], np.dtype[np.float64]], freedom: float
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Density of an estimated standard deviation of one."""
    half = freedom / 2.0
    constant = math.log(2.0) + half * math.log(half) - float(gammaln(half))
    return np.asarray(np.exp(constant + (freedom - 1.0) * np.log(spread) - half * spread**2))


def clients_for_alike(
    margin: float, sd: float, *, difference: float = 0.0, alpha: float = 0.05, power: float = 0.8
) -> Needed:
    """Clients per arm to show that two arms are alike within ``margin`` to either side.

    Raises
    ------
    ArgumentError
        If the true difference lies at a margin or beyond.

    Examples
    --------
    >>> clients_for_alike(0.5, 1.0).whole
    70
    """
    _check_margin(margin)
    _refuse_beyond(margin - abs(difference))
    check_share(power, name="power")

    def reaches(number: float) -> float:
        error = sd * math.sqrt(2.0 / number)
        return alike_power(
            difference, error, lower=-margin, upper=margin, degrees_of_freedom=2.0 * number - 2.0, alpha=alpha
        )

    return Needed.of(crossing(reaches, power, least=1.5))


def clients_for_share_not_worse(
    reference: float, compared: float, *, margin: float, alpha: float = 0.025, power: float = 0.8
) -> Needed:
    """Clients per arm to show that a share is not lower by more than a margin, by the normal formula.

    Notes
    -----
    (z + z)² (p q + p' q') / (difference + margin)²: Blackwelder 1982, Controlled Clinical Trials 3:345
    (formula from memory).

    Examples
    --------
    >>> clients_for_share_not_worse(0.85, 0.85, margin=0.10, alpha=0.05).whole
    158
    """
    return _shares(reference, compared, compared - reference + margin, margin, alpha, power)


def clients_for_shares_alike(
    reference: float, compared: float, *, margin: float, alpha: float = 0.05, power: float = 0.8
) -> Needed:
    """Clients per arm to show that two shares are alike within ``margin`` to either side, normal formula.

    Examples
    --------
    >>> clients_for_shares_alike(0.7, 0.7, margin=0.10).whole
    360
    """
    distance = margin - abs(compared - reference)
    # With no difference both tests can fail, so each may fail half as often.
    wanted = (1.0 + power) / 2.0 if compared == reference else power
    return _shares(reference, compared, distance, margin, alpha, wanted)


def _shares(
    reference: float, compared: float, distance: float, margin: float, alpha: float, power: float
) -> Needed:
    for share in (reference, compared, alpha, power):
        check_share(share, name="shares, alpha and power")
    _check_margin(margin)
    _refuse_beyond(distance)
    quantiles = float(ndtri(1.0 - alpha) + ndtri(power))
    spread = reference * (1.0 - reference) + compared * (1.0 - compared)
    return Needed.of(quantiles**2 * spread / distance**2)


def _check_margin(margin: float) -> None:
    if not margin > 0.0 or not math.isfinite(margin):
        raise ArgumentError(where="margin", expected="a number above 0", got=repr(margin))


def _refuse_beyond(distance: float) -> None:
    if not distance > 0.0:
        raise ArgumentError(
            where="difference", expected="a true difference inside the margin", got=f"{distance:g} inside",
            todo="No number of clients shows what is not so.",
        )  # fmt: skip
