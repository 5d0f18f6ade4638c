"""Log-rank comparison of retention between arms, also within strata; statsmodels does the sums."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from studykit.errors import ArgumentError
from studykit.retention.censored import CensoredTimes

Weights = Literal["equal", "at risk", "root at risk"]
_WEIGHTS = {"equal": None, "at risk": "gb", "root at risk": "tw"}  # Gehan & Breslow; Tarone & Ware


@dataclass(frozen=True, slots=True)
class LogRank:
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
