"""One share with its interval: the part of an arm's clients who were retained, or had an event."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from scipy.special import betaincinv, ndtri

from studykit.errors import ArgumentError
from studykit.results import Interval, check_confidence_level

Method = Literal["wilson", "wilson corrected", "exact"]


@dataclass(frozen=True, slots=True)
class Proportion:
    """A share of clients.

    Parameters
    ----------
    count, clients : int
        ``0 <= count <= clients``, at least one client.

    Raises
    ------
    ArgumentError
        If the numbers are impossible.

    Examples
    --------
    >>> interval = Proportion(81, 263).confidence_interval()
    >>> round(interval.lower, 4), round(interval.upper, 4)
    (0.2553, 0.3662)
    """

    count: int
    clients: int

    def __post_init__(self) -> None:
        if self.clients < 1 or not 0 <= self.count <= self.clients:
            raise ArgumentError(
                where="proportion",
                expected="0 <= count <= clients and at least one client",
                got=f"{self.count} of {self.clients}",
            )

    @property
    def value(self) -> float:
        """The share."""
        return self.count / self.clients

    @property
    def p_value(self) -> float:
        """Not a number: no question is asked of one share."""
        return math.nan

    def confidence_interval(self, confidence_level: float = 0.95, *, method: Method = "wilson") -> Interval:
        """Interval of the share.

        Parameters
        ----------
        confidence_level : float
            Of the interval.
        method : {"wilson", "wilson corrected", "exact"}
            Wilson's score interval (1927), the same with continuity correction, or the exact one of
            Clopper and Pearson (1934), which is wider and never covers less than it says.

        Raises
        ------
        ArgumentError
            If the level or the method is unknown.
        """
        check_confidence_level(confidence_level)
        ends = {"wilson": _wilson, "wilson corrected": _wilson_corrected, "exact": _exact}.get(method)
        if ends is None:
            raise ArgumentError(
                where="method", expected="wilson, wilson corrected or exact", got=repr(method)
            )
        lower, upper = ends(self.count, self.clients, confidence_level)
        names = {"exact": "exact, Clopper-Pearson", "wilson": "score, Wilson"}
        return Interval(lower, upper, confidence_level, names.get(method, "score, Wilson, corrected"))


def _wilson(count: int, clients: int, confidence_level: float) -> tuple[float, float]:
    z2 = float(ndtri(0.5 + confidence_level / 2.0)) ** 2
    p, n = count / clients, clients
    middle = p + z2 / (2.0 * n)
    half = math.sqrt(z2 * (p * (1.0 - p) + z2 / (4.0 * n)) / n)
    lower, upper = (middle - half) / (1.0 + z2 / n), (middle + half) / (1.0 + z2 / n)
    return (lower if count else 0.0), (upper if count < clients else 1.0)


def _wilson_corrected(count: int, clients: int, confidence_level: float) -> tuple[float, float]:
    """Wilson with continuity correction (Newcombe 1998, Statistics in Medicine 17:857, method 4)."""
    z = float(ndtri(0.5 + confidence_level / 2.0))
    p, n = count / clients, clients
    below = 2.0 * (n + z * z)
    low = (
        2 * n * p
        + z * z
        - 1.0
        - z * math.sqrt(max(z * z - 2.0 - 1.0 / n + 4.0 * p * (n * (1 - p) + 1.0), 0.0))
    )
    high = (
        2 * n * p
        + z * z
        + 1.0
        + z * math.sqrt(max(z * z + 2.0 - 1.0 / n + 4.0 * p * (n * (1 - p) - 1.0), 0.0))
    )
    return (max(low / below, 0.0) if count else 0.0), (min(high / below, 1.0) if count < clients else 1.0)


def _exact(count: int, clients: int, confidence_level: float) -> tuple[float, float]:
    tail = (1.0 - confidence_level) / 2.0
    lower = float(betaincinv(count, clients - count + 1, tail)) if count else 0.0
    upper = float(betaincinv(count + 1, clients - count, 1.0 - tail)) if count < clients else 1.0
    return lower, upper
