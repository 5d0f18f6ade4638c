"""Log-rank comparison of retention between arms, also within strata and with weights."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from studykit.errors import ArgumentError
from studykit.results import frozen_array
from studykit.retention.censored import CensoredTimes

Floats = NDArray[np.float64]
Weights = Literal["equal", "at risk", "root at risk", "pooled retained", "left-continuous retained"]


@dataclass(frozen=True, slots=True, eq=False)
class LogRank:
    """Result of a log-rank comparison.

    Parameters
    ----------
    statistic : float
        Chi-squared.
    degrees_of_freedom : int
        Arms minus one.
    arms : tuple of str
        Labels, sorted.
    clients : ndarray of int, shape (k,)
        Clients per arm.
    observed, expected : ndarray, shape (k,)
        Departures seen, and expected if arms did not differ (summed over strata; weighted when
        weights are used).
    weights : str
        Which weights.
    strata : int
        Number of strata, 1 when unstratified.
    uninformative : tuple of str
        Strata in which only one arm was ever at risk at a departure: they add nothing.
    """

    statistic: float
    degrees_of_freedom: int
    arms: tuple[str, ...]
    clients: NDArray[np.int64]
    observed: Floats
    expected: Floats
    weights: Weights
    strata: int
    uninformative: tuple[str, ...]

    @property
    def p_value(self) -> float:
        """Of no difference between arms, by the chi-squared approximation."""
        return float(chdtrc(self.degrees_of_freedom, self.statistic))


def compare_retention(
    times: CensoredTimes, arm: Any, *, strata: Any = None, weights: Weights = "equal"
) -> LogRank:
    r"""Log-rank test of equal retention curves.

    Parameters
    ----------
    times : CensoredTimes
        Times to departure; delayed entry is allowed.
    arm : array_like, shape (n,)
        Arm labels, two or more.
    strata : array_like, shape (n,), optional
        Stratum labels, such as the trainer: arms are compared within strata only.
    weights : str
        ``"equal"`` the log-rank test; ``"at risk"`` Gehan and Wilcoxon; ``"root at risk"`` Tarone and
        Ware; ``"pooled retained"`` Peto and Peto; ``"left-continuous retained"`` Fleming and
        Harrington with rho 1.

    Returns
    -------
    LogRank

    Raises
    ------
    ArgumentError
        If there is only one arm, lengths differ, or no departure tells arms apart.

    Notes
    -----
    At each day with departures, the departures are compared with their hypergeometric expectation
    given the numbers at risk (Mantel 1966; Peto & Peto 1972; Kalbfleisch & Prentice 2002, section 1.4).

    Examples
    --------
    >>> times = CensoredTimes([5, 9, 12, 20, 25, 30], [1, 1, 1, 1, 0, 0])
    >>> round(compare_retention(times, ["C", "C", "P", "C", "P", "P"]).statistic, 4)
    2.5567
    """
    labels, codes = _codes(arm, len(times), "arm")
    if len(labels) < 2:
        raise ArgumentError(where="log-rank comparison", expected="at least two arms", got=", ".join(labels))
    stratum_labels, stratum_codes = _codes(
        np.zeros(len(times)) if strata is None else strata, len(times), "strata"
    )
    k = len(labels)
    observed, expected, covariance = np.zeros(k), np.zeros(k), np.zeros((k, k))
    uninformative = []
    for number, label in enumerate(stratum_labels):
        rows = stratum_codes == number
        seen, awaited, variance = _one_stratum(times.select(rows), codes[rows], k, weights)
        observed, expected, covariance = observed + seen, expected + awaited, covariance + variance
        if not variance.any():
            uninformative.append(label)
    statistic, rank = _quadratic_form(observed - expected, covariance)
    if rank == 0:
        raise ArgumentError(
            where="log-rank comparison",
            expected="a departure while at least two arms are at risk",
            got=f"{times.events} departures, none of them while two arms were at risk",
            todo="Report the numbers; there is nothing to compare.",
        )
    return LogRank(
        statistic=statistic,
        degrees_of_freedom=rank,
        arms=labels,
        clients=frozen_array(np.bincount(codes, minlength=k), np.int64),
        observed=frozen_array(observed),
        expected=frozen_array(expected),
        weights=weights,
        strata=len(stratum_labels),
        uninformative=tuple(uninformative),
    )


def _one_stratum(
    times: CensoredTimes, codes: NDArray[np.int64], arms: int, weights: Weights
) -> tuple[Floats, Floats, Floats]:
    """Weighted observed and expected departures per arm, and the covariance of their difference."""
    days = np.unique(times.time[times.event])
    at_risk = np.zeros((arms, days.size))
    departures = np.zeros((arms, days.size))
    for number in np.unique(codes):
        own = times.select(codes == number)
        at_risk[number] = own.at_risk(days)
        departed = own.time[own.event]
        departures[number] = np.bincount(np.searchsorted(days, departed), minlength=days.size)
    n, d = at_risk.sum(axis=0), departures.sum(axis=0)
    w = _WEIGHTS[weights](n, d)
    share = at_risk / n
    spread = w**2 * d * (n - d) / np.maximum(n - 1.0, 1.0)
    covariance = np.diag((spread * share).sum(axis=1)) - (spread * share) @ share.T
    return (w * departures).sum(axis=1), (w * d * share).sum(axis=1), covariance


def _pooled_retained(n: Floats, d: Floats) -> Floats:
    return np.asarray(np.cumprod(1.0 - d / (n + 1.0)), dtype=float)


def _left_continuous_retained(n: Floats, d: Floats) -> Floats:
    return np.concatenate(([1.0], np.cumprod(1.0 - d / n)[:-1]))[: n.size]


_WEIGHTS: dict[Weights, Callable[[Floats, Floats], Floats]] = {
    "equal": lambda n, d: np.ones_like(n + d),
    "at risk": lambda n, d: n + 0.0 * d,
    "root at risk": lambda n, d: np.sqrt(n + 0.0 * d),
    "pooled retained": _pooled_retained,
    "left-continuous retained": _left_continuous_retained,
}


def _quadratic_form(difference: Floats, covariance: Floats) -> tuple[float, int]:
    """Chi-squared and its degrees of freedom; arms that were never at risk beside another drop out."""
    rank = int(np.linalg.matrix_rank(covariance, hermitian=True))
    return float(difference @ np.linalg.pinv(covariance, hermitian=True) @ difference), rank


def _codes(values: Any, length: int, name: str) -> tuple[tuple[str, ...], NDArray[np.int64]]:
    labels, codes = np.unique(np.asarray(values), return_inverse=True)
    if codes.shape != (length,):
        raise ArgumentError(
            where=f"log-rank comparison, {name}",
            expected=f"one label for each of {length} clients",
            got=f"shape {codes.shape}",
        )
    return tuple(str(label) for label in labels), codes.astype(np.int64)
