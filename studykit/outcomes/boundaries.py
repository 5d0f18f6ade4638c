r"""Looks at results by arm before the end: what each may spend of the type I error, and what it then takes.

Legend. :math:`t` information fraction, the share of what the whole study will know; :math:`Z` the statistic
at a look, :math:`S = Z\sqrt t`. :math:`S` moves by independent normal steps with the variance of the step in
:math:`t` and, where a difference exists, the mean ``drift`` times that step (Armitage, McPherson & Rowe 1969,
Journal of the Royal Statistical Society A 132:235). The density of :math:`S` inside the boundaries is carried
from look to look by Gauss-Legendre quadrature.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from studykit.errors import ArgumentError
from studykit.protocol.conduct import Oversight
from studykit.protocol.looking import look_fractions
from studykit.protocol.types import Protocol

Floats = NDArray[np.float64]
Spending = Literal["obrien-fleming", "pocock", "power"]
Sides = Literal[1, 2]

_FAR = 8.5  # standard deviations: what lies beyond is less than the rounding of a float
_POINTS = 12  # of the quadrature, per panel of one standard deviation of the next step
_NOTHING = 1e-15  # a look that may spend less has no boundary that could be passed


@dataclass(frozen=True, slots=True)
class LookBoundary:
    """What it takes at one look.

    Parameters
    ----------
    fraction : float
        Information at the look, of that at the end; the last look has 1.
    critical : float
        The estimate has to lie so many standard errors from no difference; infinite where nothing is spent.
    level : float
        The same as a p-value: it has to be this or less.
    spent : float
        Type I error spent up to and including this look.
    """

    fraction: float
    critical: float
    level: float
    spent: float


@dataclass(frozen=True, slots=True)
class FirstCrossings:
    """Probability that a look is the first at which a boundary is passed.

    Parameters
    ----------
    upper, lower : tuple of float
        One for each look; ``lower`` is 0 for one-sided boundaries.
    """

    upper: tuple[float, ...]
    lower: tuple[float, ...]

    @property
    def total(self) -> float:
        """Probability that any boundary is passed."""
        return math.fsum((*self.upper, *self.lower))


@dataclass(frozen=True, slots=True)
class _Position:
    """Where S can be after a look at which nothing was passed: points and the probability at each."""

    points: Floats
    mass: Floats
    time: float


_START = _Position(np.zeros(1), np.ones(1), 0.0)


def alpha_spent(
    fraction: float, *, alpha: float = 0.05, sides: Sides = 2, spending: Spending = "obrien-fleming",
    exponent: float = 3.0,
) -> float:  # fmt: skip
    r"""Type I error that may have been spent at an information fraction.

    Parameters
    ----------
    fraction : float
        From 0 to 1.
    alpha : float
        Of the whole study.
    sides : {1, 2}
        A two-sided error is spent as two one-sided ones of half its size.
    spending : {"obrien-fleming", "pocock", "power"}
        :math:`2-2\Phi(z_{1-a/2}/\sqrt t)`, :math:`a\ln(1+(e-1)t)` or :math:`a\,t^{\text{exponent}}`, with
        :math:`a` the one-sided error: Lan & DeMets 1983, Biometrika 70:659.
    exponent : float
        Of the power family, ``> 0``.

    Examples
    --------
    >>> round(alpha_spent(0.5, alpha=0.025, sides=1), 6)
    0.001525
    """
    if not 0.0 <= fraction <= 1.0 or not 0.0 < alpha < 1.0 or not exponent > 0.0:
        raise ArgumentError(
            where="alpha_spent", expected="a fraction from 0 to 1, an error in (0, 1), an exponent above 0",
            got=f"{fraction}, {alpha}, {exponent}",
        )  # fmt: skip
    own = alpha / sides
    if fraction == 0.0:
        return 0.0
    if spending == "obrien-fleming":
        spent = 2.0 * float(ndtr(float(ndtri(own / 2.0)) / math.sqrt(fraction)))
    elif spending == "pocock":
        spent = own * math.log1p((math.e - 1.0) * fraction)
    else:
        spent = own * fraction**exponent
    return sides * spent


def spending_boundaries(
    fractions: Sequence[float], *, alpha: float = 0.05, sides: Sides = 2,
    spending: Spending = "obrien-fleming", exponent: float = 3.0,
) -> tuple[LookBoundary, ...]:  # fmt: skip
    """Boundaries at looks at any times, by alpha spending (Lan & DeMets 1983).

    Parameters
    ----------
    fractions : sequence of float
        Rising, in (0, 1]; the analysis at the end is the last, usually 1.
    alpha, sides, spending, exponent
        As in `alpha_spent`.

    Raises
    ------
    ArgumentError
        If the fractions do not rise within (0, 1].

    Examples
    --------
    One look halfway, then the end.

    >>> [round(look.critical, 4) for look in spending_boundaries((0.5, 1.0))]
    [2.9626, 1.9686]
    """
    times = _checked(fractions)
    found: list[LookBoundary] = []
    position, before = _START, 0.0
    for time in times:
        spent = alpha_spent(time, alpha=alpha, sides=sides, spending=spending, exponent=exponent)
        critical = _critical(position, time, spent - before, sides)
        level = sides * float(ndtr(-critical))
        found.append(LookBoundary(time, critical, level, spent))
        position, before = _moved(position, time, critical, sides, drift=0.0), spent
    return tuple(found)


def first_crossings(
    criticals: Sequence[float], fractions: Sequence[float], *, drift: float = 0.0, sides: Sides = 2
) -> FirstCrossings:
    """Probability that each look is the first to pass its boundary.

    Parameters
    ----------
    criticals : sequence of float
        Standard errors from no difference, one for each look.
    fractions : sequence of float
    drift : float
        Expected statistic at information 1: the difference over its standard error at the end.
    sides : {1, 2}

    Examples
    --------
    Five tests at 5 per cent each (Armitage, McPherson & Rowe 1969).

    >>> round(first_crossings([1.95996] * 5, [0.2, 0.4, 0.6, 0.8, 1.0]).total, 3)
    0.142
    """
    times = _checked(fractions)
    if len(criticals) != len(times):
        raise ArgumentError(
            where="criticals", expected="one for each fraction", got=f"{len(criticals)} and {len(times)}"
        )
    upper, lower = [], []
    position = _START
    for time, critical in zip(times, criticals, strict=True):
        above, below = _tails(position, time, critical, drift=drift)
        upper.append(above)
        lower.append(below if sides == 2 else 0.0)
        position = _moved(position, time, critical, sides, drift=drift)
    return FirstCrossings(tuple(upper), tuple(lower))


@lru_cache(maxsize=64)
def error_of_unplanned_looks(looks: int, *, alpha: float = 0.05) -> float:
    """Probability that at least one of equally spaced tests rejects although there is no difference.

    Parameters
    ----------
    looks : int
        Tests in all, the one at the end included, each two-sided at ``alpha``.

    Examples
    --------
    >>> [round(error_of_unplanned_looks(looks), 3) for looks in (1, 2, 5)]
    [0.05, 0.083, 0.142]
    """
    if looks < 1:
        raise ArgumentError(where="looks", expected="1 or more", got=repr(looks))
    times = [(place + 1.0) / looks for place in range(looks)]
    return first_crossings([-float(ndtri(alpha / 2.0))] * looks, times).total


@lru_cache(maxsize=16)
def _planned(oversight: Oversight, alpha: float) -> tuple[LookBoundary, ...]:
    return spending_boundaries(
        look_fractions(oversight),
        alpha=alpha,
        spending=oversight.look_spending,
        exponent=oversight.spending_exponent,
    )


def planned_boundaries(protocol: Protocol) -> tuple[LookBoundary, ...]:
    """What it takes at each planned look and at the end; the last one alone where no look is planned."""
    return _planned(protocol.oversight, protocol.analysis.alpha)


def _checked(fractions: Sequence[float]) -> tuple[float, ...]:
    times = tuple(float(fraction) for fraction in fractions)
    rising = all(before < after for before, after in zip((0.0, *times[:-1]), times, strict=True))
    if not times or not rising or times[-1] > 1.0:
        raise ArgumentError(
            where="fractions", expected="shares that rise, above 0 and at most 1", got=repr(times)
        )
    return times


def _tails(position: _Position, time: float, critical: float, *, drift: float) -> tuple[float, float]:
    """Probability of passing the upper and the lower boundary at the next look."""
    step = time - position.time
    centre, spread, edge = position.points + drift * step, math.sqrt(step), critical * math.sqrt(time)
    above = float(position.mass @ ndtr((centre - edge) / spread))
    below = float(position.mass @ ndtr((-edge - centre) / spread))
    return above, below


def _critical(position: _Position, time: float, spend: float, sides: Sides) -> float:
    if spend < _NOTHING:
        return math.inf

    def left(critical: float) -> float:
        above, below = _tails(position, time, critical, drift=0.0)
        return (above + below if sides == 2 else above) - spend

    return float(brentq(left, 0.0 if sides == 2 else -_FAR, 2.0 * _FAR, xtol=1e-12))


def _moved(position: _Position, time: float, critical: float, sides: Sides, *, drift: float) -> _Position:
    """Where S is after a look at which nothing was passed."""
    step = time - position.time
    spread, edge = math.sqrt(step), critical * math.sqrt(time)
    centre = position.points + drift * step
    high = min(edge, float(centre.max()) + _FAR * spread)
    low = max(-edge if sides == 2 else -math.inf, float(centre.min()) - _FAR * spread)
    panels = max(math.ceil((high - low) / spread), 2)
    where, weight = np.polynomial.legendre.leggauss(_POINTS)
    width = (high - low) / panels
    lefts = low + width * np.arange(panels)[:, None]
    points = (lefts + width * (where + 1.0) / 2.0).ravel()
    weights = np.tile(weight * width / 2.0, panels)
    distance = (points[:, None] - centre[None, :]) / spread
    density = np.exp(-0.5 * distance**2) @ position.mass / (spread * math.sqrt(2.0 * math.pi))
    return _Position(points, weights * density, time)
