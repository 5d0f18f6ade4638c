r"""How wide an interval may turn out: its width is itself an estimate, wider in some studies than in others.

With :math:`\nu` degrees of freedom the half width of a t interval is :math:`t\,s\sqrt{\chi^2_\nu/\nu}`, so
that every quantile of it is known.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import gammaincinv, stdtrit

from studykit.errors import ArgumentError
from studykit.planning.means import Needed
from studykit.planning.power import check_share, crossing, expected_half_width
from studykit.planning.two_proportions import score_widths, share_chances

MOST_PER_ARM = 120  # above, the enumeration of every outcome takes longer than it teaches


def half_width_quantile(
    chance: float, standard_error: float, *, degrees_of_freedom: float, confidence_level: float = 0.95
) -> float:
    """The half width of a t interval that is not exceeded with a given chance.

    Parameters
    ----------
    chance : float
        Such as 0.8: in 80 of 100 studies the interval reaches no farther to either side.
    standard_error : float
        True, not estimated.
    degrees_of_freedom, confidence_level : float

    Examples
    --------
    >>> round(half_width_quantile(0.8, 1.0, degrees_of_freedom=10), 3)
    2.583
    """
    check_share(chance, name="chance")
    check_share(confidence_level, name="confidence_level")
    if not standard_error > 0.0 or not degrees_of_freedom > 0.0:
        raise ArgumentError(
            where="half_width_quantile", expected="a standard error and degrees of freedom above 0",
            got=f"{standard_error}, {degrees_of_freedom}",
        )  # fmt: skip
    half = degrees_of_freedom / 2.0
    spread = 1.0 if math.isinf(half) else math.sqrt(float(gammaincinv(half, chance)) / half)
    return float(stdtrit(degrees_of_freedom, 0.5 + confidence_level / 2.0)) * standard_error * spread


def clients_for_assured_half_width(
    sd: float,
    half_width: float,
    *,
    chance: float = 0.8,
    confidence_level: float = 0.95,
    inflation: float = 1.0,
) -> Needed:
    """Clients per arm for an interval of a difference that reaches no farther, with a given chance.

    Parameters
    ----------
    sd : float
        Spread of scores between clients.
    half_width : float
        Same unit.
    chance : float
        That the interval is as narrow as that or narrower.
    inflation : float
        Factor on the variance, such as 1 - r² for baseline adjustment.

    Examples
    --------
    The textbook formula says 49, which is enough in about half of all studies.

    >>> [clients_for_assured_half_width(10.0, 4.0, chance=chance).whole for chance in (0.5, 0.8)]
    [49, 55]
    """
    if not sd > 0.0 or not half_width > 0.0:
        raise ArgumentError(
            where="half_width", expected="a spread and a distance above 0", got=f"{sd}, {half_width}"
        )

    def narrowness(number: float) -> float:
        error = sd * math.sqrt(2.0 * inflation / number)
        freedom = 2.0 * number - 2.0
        return -half_width_quantile(
            chance, error, degrees_of_freedom=freedom, confidence_level=confidence_level
        )

    return Needed.of(crossing(narrowness, -half_width, least=2.0))


def spread_of_half_width(
    standard_error: float, *, degrees_of_freedom: float, confidence_level: float = 0.95
) -> tuple[float, float, float]:
    """Expected half width, and the two between which it lies in 80 of 100 studies.

    Examples
    --------
    >>> [round(value, 3) for value in spread_of_half_width(1.0, degrees_of_freedom=30)]
    [2.025, 1.692, 2.366]
    """
    middle = expected_half_width(
        standard_error, degrees_of_freedom=degrees_of_freedom, confidence_level=confidence_level
    )
    low, high = (
        half_width_quantile(
            chance, standard_error, degrees_of_freedom=degrees_of_freedom, confidence_level=confidence_level
        )
        for chance in (0.1, 0.9)
    )
    return middle, low, high


def score_width_quantiles(
    reference: float,
    compared: float,
    clients: tuple[int, int],
    chances: tuple[float, ...] = (0.1, 0.9),
    *,
    confidence_level: float = 0.95,
) -> tuple[float, ...]:
    """Widths of the score interval of a difference of shares, not exceeded with given chances.

    Every pair of counts is enumerated.

    Parameters
    ----------
    reference, compared : float
        True shares.
    clients : (int, int)
        In the reference and in the compared arm, at most 120 each.

    Examples
    --------
    >>> [round(width, 2) for width in score_width_quantiles(0.7, 0.7, (20, 20))]
    [0.51, 0.58]
    """
    n0, n1 = clients
    if not (1 <= n0 <= MOST_PER_ARM and 1 <= n1 <= MOST_PER_ARM):
        raise ArgumentError(where="clients", expected=f"1 to {MOST_PER_ARM} in each arm", got=repr(clients))
    counts = np.meshgrid(np.arange(n0 + 1.0), np.arange(n1 + 1.0), indexing="ij")
    x0, x1 = (each.ravel() for each in counts)
    chance = (share_chances(n0, reference)[:, None] * share_chances(n1, compared)[None, :]).ravel()
    likely = chance > 1e-7
    x0, x1 = x0[likely], x1[likely]
    totals = np.full_like(x0, n0), np.full_like(x1, n1)
    widths = score_widths(x0, totals[0], x1, totals[1], confidence_level=confidence_level)
    order = np.argsort(widths, kind="stable")
    below = np.cumsum(chance[likely][order]) / chance[likely].sum()
    places = np.minimum(np.searchsorted(below, chances), order.size - 1)
    return tuple(float(width) for width in widths[order][places])
