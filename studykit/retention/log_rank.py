"""Log-rank comparison of retention between arms, also within strata; statsmodels does the sums."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from studykit.errors import ArgumentError
from studykit.results import Result
from studykit.retention.censored import CensoredTimes

Weights = Literal["equal", "at risk", "root at risk"]
_WEIGHTS = {"equal": None, "at risk": "gb", "root at risk": "tw"}  # Gehan & Breslow; Tarone & Ware


@dataclass(frozen=True, slots=True)
class LogRank(Result):
    """Chi-squared of no difference between the arms, its degrees of freedom, and the p-value."""

    statistic: float
    degrees_of_freedom: int
    p_value: float


def log_rank(times: CensoredTimes, arm: Any, *, strata: Any = None, weights: Weights = "equal") -> LogRank:
    """Compare the curves of two or more arms over all days.

    Parameters
    ----------
    times : CensoredTimes
        Times to departure of n clients.
    arm : array_like, shape (n,)
        Labels.
    strata : array_like, shape (n,), optional
        Only clients of one stratum are compared with each other, such as those of one trainer.
    weights : {"equal", "at risk", "root at risk"}
        Of a day, by the clients then at risk: more weight to early days.

    Raises
    ------
    ArgumentError
        If there are fewer than two arms, a label is missing, or nobody left while others stayed in two arms.

    References
    ----------
    Mantel 1966, Cancer Chemotherapy Reports 50:163.

    Examples
    --------
    >>> times = CensoredTimes([5, 8, 12, 20, 21, 30], [1, 1, 0, 1, 1, 0])
    >>> round(log_rank(times, ["C", "C", "P", "C", "P", "P"]).statistic, 4)
    4.3822
    """
    from statsmodels.duration.survfunc import survdiff

    where, arms = "log-rank comparison", np.asarray(arm)
    levels = np.zeros(len(times)) if strata is None else np.asarray(strata)
    if arms.shape != (len(times),) or levels.shape != (len(times),):
        raise ArgumentError(where=where, expected=f"one label for each of {len(times)} clients", got="others")
    labels, codes = np.unique(arms, return_inverse=True)
    if labels.size < 2:
        raise ArgumentError(where=where, expected="at least two arms", got=str(labels.size))
    if not _can_be_compared(times, codes, levels):
        raise ArgumentError(
            where=where, expected="a departure while others of at least two arms stay", got="none",
            todo="Report the numbers; there is nothing to compare.",
        )  # fmt: skip
    statistic, p_value = survdiff(
        times.time, times.event.astype(int), codes, weight_type=_WEIGHTS[weights],
        strata=None if strata is None else levels, entry=times.entry if times.entry.any() else None,
    )  # fmt: skip
    return LogRank(float(statistic), labels.size - 1, float(p_value))


def log_rank_numbers(times: CensoredTimes, compared: Any, *, strata: Any = None) -> tuple[float, float]:
    """Departures observed less expected in the compared arm, and their variance: what may be added up.

    Over studies, the squared sum of the first over the sum of the second is the log-rank statistic stratified
    by study as well, exactly. Both are 0 where there is nothing to compare.

    Parameters
    ----------
    times : CensoredTimes
    compared : array_like of bool, shape (n,)
        True for the compared arm.
    strata : array_like, shape (n,), optional

    Examples
    --------
    >>> times = CensoredTimes([5, 8, 12, 20, 21, 30], [1, 1, 0, 1, 1, 0])
    >>> distance, variance = log_rank_numbers(times, [False, False, True, False, True, True])
    >>> round(distance, 4), round(distance**2 / variance, 4)
    (-1.7667, 4.3822)
    """
    arm = np.asarray(compared, dtype=bool)
    levels = np.zeros(len(times)) if strata is None else np.asarray(strata)
    distance = variance = 0.0
    for level in np.unique(levels):
        inside = levels == level
        days = np.unique(times.time[inside & times.event])
        if not (days.size and (inside & arm).any() and (inside & ~arm).any()):
            continue
        own, other = times.select(inside & arm), times.select(inside & ~arm)
        left = np.array([(own.time[own.event] == day).sum() for day in days], dtype=float)
        all_left = left + np.array([(other.time[other.event] == day).sum() for day in days])
        here = own.at_risk(days).astype(float)
        everybody = here + other.at_risk(days)
        share = here / everybody
        ties = (everybody - all_left) / np.maximum(everybody - 1.0, 1.0)
        distance += float((left - all_left * share).sum())
        variance += float((all_left * share * (1.0 - share) * ties).sum())
    return distance, variance


def _can_be_compared(times: CensoredTimes, arm: Any, strata: Any) -> bool:
    """Whether in some stratum somebody left, and somebody not, while clients of two arms were at risk."""
    for level in np.unique(strata):
        inside = strata == level
        days = np.unique(times.time[inside & times.event])
        arms_there = [
            times.select(inside & (arm == code)).at_risk(days) > 0 for code in np.unique(arm[inside])
        ]
        left = np.array([(times.time[inside & times.event] == day).sum() for day in days])
        if (
            days.size
            and ((np.sum(arms_there, axis=0) > 1) & (left < times.select(inside).at_risk(days))).any()
        ):
            return True
    return False
