"""Mantel-Haenszel summaries of two-by-two tables over strata."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from studykit.errors import FitError
from studykit.results import Estimate
from studykit.retention.stratified_counts import StratifiedCounts

Floats = NDArray[np.float64]


def cochran_mantel_haenszel(
    counts: StratifiedCounts, *, continuity_correction: bool = False
) -> tuple[float, float]:
    """Chi-squared on one degree of freedom, and p-value, of no association in any stratum.

    Mantel & Haenszel 1959. Uncorrected it is the square of the score statistic of
    `studykit.retention.risk_difference.RiskDifference`.

    Parameters
    ----------
    counts : StratifiedCounts
        Tables; strata with one arm, or in which all stayed or all left, add nothing.
    continuity_correction : bool
        Takes half a client off the distance.

    Raises
    ------
    FitError
        If no stratum can tell the arms apart.
    """
    kept, n = _floats(counts)
    total, retained = n.sum(axis=1), kept.sum(axis=1)
    several = total > 1.0
    n, kept, total, retained = n[several], kept[several], total[several], retained[several]
    expected = retained * n[:, 1] / total
    variance = float((n.prod(axis=1) * retained * (total - retained) / (total**2 * (total - 1.0))).sum())
    if variance == 0.0:
        raise FitError(
            where="Mantel-Haenszel test",
            expected="a stratum with both arms in which some stayed and some left",
            got="none",
        )
    distance = abs(float((kept[:, 1] - expected).sum()))
    statistic = max(distance - (0.5 if continuity_correction else 0.0), 0.0) ** 2 / variance
    return statistic, float(chdtrc(1, statistic))


def log_odds_ratio(counts: StratifiedCounts) -> Estimate:
    """Natural logarithm of the Mantel-Haenszel odds ratio of staying, compared to reference arm.

    With the variance of Robins, Breslow & Greenland (1986), valid for few large and many small strata.

    Raises
    ------
    FitError
        If nobody left in one arm, or nobody stayed: an odds ratio cannot be estimated.

    Examples
    --------
    >>> ugdp = StratifiedCounts([[5, 8], [16, 22]], [[120, 106], [85, 98]])
    >>> round(math.exp(log_odds_ratio(ugdp).value), 4)
    1.4031
    """
    kept, n = _floats(counts)
    left, total = n - kept, np.maximum(n.sum(axis=1), 1.0)
    r, s = kept[:, 1] * left[:, 0] / total, left[:, 1] * kept[:, 0] / total
    if not (r.sum() > 0.0 and s.sum() > 0.0):
        raise FitError(
            where="odds ratio",
            expected="strata with departures and stays in both arms",
            got="none on one side",
            todo="Report the risk difference; an odds ratio cannot be estimated.",
        )
    p, q = (kept[:, 1] + left[:, 0]) / total, (left[:, 1] + kept[:, 0]) / total
    variance = (
        (p * r).sum() / (2.0 * r.sum() ** 2)
        + (p * s + q * r).sum() / (2.0 * r.sum() * s.sum())
        + (q * s).sum() / (2.0 * s.sum() ** 2)
    )
    return Estimate(
        math.log(r.sum() / s.sum()), math.sqrt(float(variance)), math.inf, "Robins-Breslow-Greenland variance"
    )


def log_risk_ratio(counts: StratifiedCounts) -> Estimate:
    """Natural logarithm of the Mantel-Haenszel risk ratio of staying, compared to reference arm.

    With the variance of Greenland & Robins (1985). `studykit.retention.risk_ratio.risk_ratio` has the
    same value with a better interval.

    Raises
    ------
    FitError
        If nobody stayed in one arm.
    """
    kept, n = _floats(counts)
    total = np.maximum(n.sum(axis=1), 1.0)
    above, below = (kept[:, 1] * n[:, 0] / total).sum(), (kept[:, 0] * n[:, 1] / total).sum()
    if not (above > 0.0 and below > 0.0):
        raise FitError(where="risk ratio", expected="clients who stayed in both arms", got="none in one arm")
    spread = (n.prod(axis=1) * kept.sum(axis=1) - kept.prod(axis=1) * total) / total**2
    return Estimate(
        math.log(above / below),
        math.sqrt(float(spread.sum() / (above * below))),
        math.inf,
        "Greenland-Robins variance",
    )


def wald_risk_difference(counts: StratifiedCounts) -> Estimate:
    """Mantel-Haenszel risk difference with the variance of Greenland & Robins (1985).

    For comparison with published tables only: with few clients, or shares near 0 or 1, the score
    interval of `studykit.retention.risk_difference.risk_difference` is the one to report.

    Raises
    ------
    FitError
        If no stratum has clients of both arms.
    """
    counts.require_informative("risk difference")
    kept, n = (values[counts.informative] for values in _floats(counts))
    total = n.sum(axis=1)
    weight = n.prod(axis=1) / total
    left = n - kept
    value = float((weight * (kept[:, 1] / n[:, 1] - kept[:, 0] / n[:, 0])).sum() / weight.sum())
    spread = (kept[:, 1] * left[:, 1] * n[:, 0] ** 3 + kept[:, 0] * left[:, 0] * n[:, 1] ** 3) / (
        n.prod(axis=1) * total**2
    )
    return Estimate(
        value, math.sqrt(float(spread.sum())) / float(weight.sum()), math.inf, "Greenland-Robins variance"
    )


def _floats(counts: StratifiedCounts) -> tuple[Floats, Floats]:
    return counts.retained.astype(float), counts.clients.astype(float)
