"""One share with its interval: the part of an arm's clients who were retained, or had an event."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from studykit.errors import ArgumentError
from studykit.results import Interval, Result, check_confidence_level

Method = Literal["wilson", "exact"]
_METHODS = {"wilson": ("wilson", "score, Wilson"), "exact": ("beta", "exact, Clopper-Pearson")}


def share_interval(
    count: float, trials: float, *, confidence_level: float = 0.95, method: Method = "wilson"
) -> tuple[float, float]:
    """Interval of a counted share, right for none, for all and for few; 0 to 1 without trials.

    Parameters
    ----------
    count, trials : float
        Trials need not be whole: an effective number.
    confidence_level : float
    method : {"wilson", "exact"}
        The score interval of Wilson (1927), or the exact one of Clopper and Pearson (1934), wider, which
        never covers less than it says; statsmodels gives both.

    Raises
    ------
    ArgumentError
        If the level or the method is unknown.

    Examples
    --------
    Nothing seen in 20 trials does not mean that it never happens.

    >>> [round(end, 3) for end in share_interval(0, 20)]
    [0.0, 0.161]
    """
    from statsmodels.stats.proportion import proportion_confint

    check_confidence_level(confidence_level)
    if method not in _METHODS:
        raise ArgumentError(where="method", expected=" or ".join(_METHODS), got=repr(method))
    if trials <= 0.0:
        return 0.0, 1.0
    low, high = proportion_confint(count, trials, alpha=1.0 - confidence_level, method=_METHODS[method][0])
    return (float(low) if count > 0.0 else 0.0), (float(high) if count < trials else 1.0)


@dataclass(frozen=True, slots=True)
class Proportion(Result):
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
        """Interval of the share; see `share_interval`."""
        lower, upper = share_interval(
            self.count, self.clients, confidence_level=confidence_level, method=method
        )
        return Interval(lower, upper, confidence_level, _METHODS[method][1])
