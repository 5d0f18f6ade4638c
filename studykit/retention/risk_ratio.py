"""Ratio of the shares retained, within strata, with a score-type test and interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from studykit.results import Interval, Result, check_confidence_level
from studykit.retention.score_statistics import Statistic, farthest_kept, path_out, ratio_statistic
from studykit.retention.stratified_counts import StratifiedCounts

WIDEST = 60.0  # log ratios beyond this are taken as infinite


@dataclass(frozen=True, slots=True, eq=False)
class RiskRatio(Result):
    """Ratio of the shares retained, compared arm to reference arm, within strata.

    Parameters
    ----------
    value : float
        Natural logarithm of the ratio; infinite where one arm retained nobody.
    counts : StratifiedCounts
        The tables behind it.
    """

    value: float
    counts: StratifiedCounts

    @property
    def ratio(self) -> float:
        """The ratio itself."""
        return math.exp(self.value)

    @property
    def statistic(self) -> float:
        """Score statistic of a ratio of one: the same as that of no difference."""
        return float(_statistic(self.counts)(np.zeros(())))

    @property
    def p_value(self) -> float:
        """Two-sided, from the score statistic; equal to that of the risk difference."""
        from scipy.special import ndtr

        return float(2.0 * ndtr(-abs(self.statistic)))

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """From the lowest to the highest log ratio that is not rejected; ends may be infinite."""
        from scipy.special import ndtri

        check_confidence_level(confidence_level)
        statistic, z = _statistic(self.counts), float(ndtri(0.5 + confidence_level / 2.0))
        strata, limit = len(self.counts.strata), np.array(math.asinh(WIDEST))
        known = math.isfinite(self.value)
        # Closer together where ratios are closer to one: there the statistic may turn back.
        lower, upper = (
            float(
                farthest_kept(
                    statistic,
                    z,
                    np.sinh(path_out(end, np.arcsinh(self.value) if known else -end, strata)),
                )
            )
            for end in (-limit, limit)
        )
        return Interval(
            -math.inf if lower < 1.0 - WIDEST else lower,
            math.inf if upper > WIDEST - 1.0 else upper,
            confidence_level,
            "score"
            if len(self.counts.strata) == 1
            else "stratified score (Mantel-Haenszel weights), Koopman type",
        )


def risk_ratio(counts: StratifiedCounts) -> RiskRatio:
    r"""Stratified ratio of the shares retained, compared arm to reference arm, on the log scale.

    Parameters
    ----------
    counts : StratifiedCounts
        As for `studykit.retention.risk_difference.risk_difference`.

    Returns
    -------
    RiskRatio

    Raises
    ------
    FitError
        If no stratum has clients of both arms.

    Notes
    -----
    :math:`\sum_s w_s\hat p_{1s}/\sum_s w_s\hat p_{0s}` with Mantel-Haenszel weights is the
    Mantel-Haenszel risk ratio (Greenland & Robins 1985). The interval inverts the score statistic at the
    most likely shares with a given ratio (one stratum: Koopman 1984; Miettinen & Nurminen 1985).

    Examples
    --------
    >>> ugdp = StratifiedCounts([[5, 8], [16, 22]], [[120, 106], [85, 98]])
    >>> round(risk_ratio(ugdp).ratio, 4)
    1.3256
    """
    counts.require_informative("risk ratio")
    good = counts.informative
    share = counts.retained[good] / counts.clients[good]
    reference, compared = counts.weights[good] @ share
    if compared == 0.0 or reference == 0.0:
        value = math.nan if compared == reference else math.inf if compared > 0.0 else -math.inf
    else:
        value = math.log(compared / reference)
    return RiskRatio(value, counts)


def _statistic(counts: StratifiedCounts) -> Statistic:
    x, n = counts.retained.astype(float), counts.clients.astype(float)
    return ratio_statistic(x[:, 0], n[:, 0], x[:, 1], n[:, 1], counts.weights)
