"""How many clients must train the new way for one more to stay (or to be lost)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from studykit.errors import ArgumentError
from studykit.results import HasInterval, Result

Direction = Literal["benefit", "harm"]


@dataclass(frozen=True, slots=True)
class NeededRange(Result):
    """Numbers of clients in one direction, from ``fewest`` to ``most``; ``most`` may be infinite."""

    direction: Direction
    fewest: float
    most: float


@dataclass(frozen=True, slots=True)
class NumberNeeded(Result):
    """Clients who must be in the compared arm for one more retained (benefit) or lost (harm).

    Parameters
    ----------
    direction : {"benefit", "harm"}
        Of the estimate.
    value : float
        ``1 / |difference|``, at least 1; infinite for no difference.
    interval : tuple of NeededRange
        One range, or two that meet at infinity when the interval of the difference holds zero.
    confidence_level : float
        Of the interval.
    """

    direction: Direction
    value: float
    interval: tuple[NeededRange, ...]
    confidence_level: float


def number_needed(difference: HasInterval, *, confidence_level: float = 0.95) -> NumberNeeded:
    """Number needed to treat from a difference in the share retained.

    Parameters
    ----------
    difference : HasInterval
        Share retained, compared minus reference: positive is benefit.
    confidence_level : float
        Of the interval.

    Returns
    -------
    NumberNeeded

    Notes
    -----
    The ends are the reciprocals of the ends of the difference. An interval of the difference from -5 % to
    25 % means "benefit from 4 clients to infinity, or harm from infinity to 20 clients", never "from -20
    to 4" (Altman 1998, BMJ 317:1309; Bender 2001 for score intervals).
    """
    ends = difference.confidence_interval(confidence_level)
    lower, upper = max(ends.lower, -1.0), min(ends.upper, 1.0)  # an interval by t knows no limits of shares
    direction, value, interval = _from_ends(difference.value, lower, upper)
    return NumberNeeded(direction, value, interval, confidence_level)


def number_needed_from_ends(
    difference: float, ends: tuple[float, float], *, confidence_level: float = 0.95
) -> NumberNeeded:
    """The same from printed numbers: a difference of shares and the two ends of its interval.

    Examples
    --------
    >>> number_needed_from_ends(0.10, (-0.05, 0.25)).interval
    (NeededRange(direction='benefit', fewest=4.0, most=inf),
     NeededRange(direction='harm', fewest=20.0, most=inf))
    """
    direction, value, interval = _from_ends(difference, *ends)
    return NumberNeeded(direction, value, interval, confidence_level)


def _from_ends(
    difference: float, lower: float, upper: float
) -> tuple[Direction, float, tuple[NeededRange, ...]]:
    if not -1.0 <= lower <= difference <= upper <= 1.0:
        raise ArgumentError(
            where="number needed",
            expected="a difference of shares inside its interval, all from -1 to 1",
            got=f"{difference} ({lower} to {upper})",
        )
    ranges = []
    if upper > 0.0:
        ranges.append(NeededRange("benefit", _reciprocal(upper), _reciprocal(max(lower, 0.0))))
    if lower < 0.0:
        ranges.append(NeededRange("harm", _reciprocal(lower), _reciprocal(min(upper, 0.0))))
    return ("harm" if difference < 0.0 else "benefit"), _reciprocal(difference), tuple(ranges)


def _reciprocal(difference: float) -> float:
    return math.inf if difference == 0.0 else 1.0 / abs(difference)
