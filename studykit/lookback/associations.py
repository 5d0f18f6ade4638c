r"""From estimates on the scale of the analysis to what is read: ratios, differences, clients out of 100.

Difference of two estimated shares with an interval that knows that shares end at 0 and 1.

Each share gets its own interval on the logit scale, and the two are put together (recovery of variances: Zou
& Donner 2008, Statistics in Medicine 27:1693; Newcombe 1998, Statistics in Medicine 17:873, method 10):
:math:`L=d-\sqrt{(p_1-l_1)^2-2r(p_1-l_1)(u_0-p_0)+(u_0-p_0)^2}` and U alike, r being the correlation of the
two estimates.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.optimize import brentq
from scipy.special import expit, logit, stdtr, stdtrit

from studykit.errors import ArgumentError
from studykit.lookback.adjustment import EXPOSURE
from studykit.lookback.log import Floats, Integers
from studykit.lookback.look_back_results import Answer, Association, Curve
from studykit.lookback.standardised_curves import StandardisedCurve
from studykit.results import Estimate, Interval, frozen_array
from studykit.retention.discrete_hazard import DiscreteHazardModel

CONFIDENCE = 0.95
CLUSTERS = "influence of each cluster, Satterthwaite"


def ratio(log_estimate: Estimate) -> Association:
    """A ratio from its logarithm.

    Examples
    --------
    >>> round(ratio(Estimate(0.0, 0.5, 10.0, "t")).interval.lower, 3)
    0.328
    """
    found = difference(log_estimate)
    return replace(found, value=math.exp(found.value), interval=found.interval.transformed(_exp))


def difference(estimate: Estimate) -> Association:
    """A difference as it is."""
    return Association(
        value=estimate.value,
        interval=estimate.confidence_interval(CONFIDENCE),
        p_value=estimate.p_value,
        standard_error=estimate.standard_error,
        degrees_of_freedom=estimate.degrees_of_freedom,
    )


def with_shares(
    answer: Answer, stayed: tuple[float, float], influence: tuple[Floats, Floats], model: DiscreteHazardModel
) -> Answer:
    """The answer with difference and ratio of the shares that left, partner reps to without.

    Parameters
    ----------
    answer : Answer
    stayed : tuple of float
        Share still training with partner reps, and without.
    influence : tuple of ndarray, shape (clusters,)
        Of each cluster on the two shares.
    model : DiscreteHazardModel
        Behind them: its small-sample correction and degrees of freedom hold for the shares, too.
    """
    left = (1.0 - stayed[0], 1.0 - stayed[1])
    of_ratio = None
    if min(left) > 0.0:
        on_log = influence[1] / left[1] - influence[0] / left[0]
        of_ratio = ratio(cluster_estimate(math.log(left[0] / left[1]), on_log, model))
    return replace(
        answer,
        risk_difference=difference(cluster_estimate(left[0] - left[1], influence[1] - influence[0], model)),
        risk_ratio=of_ratio,
        out_of_100=(100.0 * stayed[0], 100.0 * stayed[1]),
    )


def cluster_estimate(value: float, influence: Floats, model: DiscreteHazardModel) -> Estimate:
    """A quantity from the influence of each cluster, with the model's small-sample correction."""
    scale = model.small_sample_inflation * math.sqrt(influence.size / max(influence.size - 1.0, 1.0))
    freedom = model.log_hazard_ratio(EXPOSURE).degrees_of_freedom
    return Estimate(value, scale * float(np.sqrt(np.sum(influence**2))), freedom, CLUSTERS)


def curve_of(
    label: str,
    curve: StandardisedCurve,
    days: tuple[int, ...],
    at_risk: Integers,
    *,
    from_day: int,
    freedom: float,
) -> Curve:
    """A standardised curve with pointwise t intervals on the log(-log) scale at ``days``."""
    shown = np.array([from_day, *days])
    error = np.concatenate(([0.0], np.sqrt(np.sum(curve.influence**2, axis=1))))
    return curve_with_errors(
        label,
        shown,
        curve.share[shown],
        error,
        at_risk[np.maximum(shown, from_day + 1).clip(max=at_risk.size - 1)],
        freedom=freedom,
    )


def curve_with_errors(
    label: str, days: Integers, share: Floats, error: Floats, at_risk: Integers, *, freedom: float
) -> Curve:
    """Shares on some days with pointwise t intervals on the log(-log) scale from their standard errors."""
    factor = Estimate(0.0, 1.0, freedom, "t").confidence_interval(CONFIDENCE).upper
    inside = (share > 0.0) & (share < 1.0)
    log_share = np.log(np.where(inside, share, 0.5))
    half = np.where(inside, factor * error / (np.where(inside, share, 1.0) * -log_share), 0.0)
    return Curve(
        label=label,
        day=frozen_array(days, float),
        share=frozen_array(share, float),
        lower=frozen_array(np.where(inside, np.exp(log_share * np.exp(half)), share)),
        upper=frozen_array(np.where(inside, np.exp(log_share * np.exp(-half)), share)),
        at_risk=frozen_array(at_risk, np.int64),
    )


def _exp(value: float) -> float:
    return math.exp(value) if value < 700.0 else math.inf


FARTHEST = 60.0  # standard errors at which the search for a p-value ends


def difference_of_shares(
    shares: tuple[float, float],
    errors: tuple[float, float],
    *,
    correlation: float,
    degrees_of_freedom: float,
    method: str,
) -> Association:
    """First share minus second.

    Parameters
    ----------
    shares, errors : tuple of float
        Estimates and their standard errors; a share of 0 or 1 keeps a symmetric interval.
    correlation : float
        Of the two estimates, -1 to 1.
    degrees_of_freedom : float
        Of the t distribution.
    method : str
        Where the errors come from.

    Returns
    -------
    Association
        The p-value is that at which the interval ends at 0.

    Examples
    --------
    >>> found = difference_of_shares((0.3, 0.5), (0.06, 0.07), correlation=0.0,
    ...                              degrees_of_freedom=math.inf, method="given")
    >>> round(found.interval.lower, 3), round(found.interval.upper, 3)
    (-0.369, -0.014)
    """
    if not (all(0.0 <= share <= 1.0 for share in shares) and -1.0 <= correlation <= 1.0):
        raise ArgumentError(
            where="difference of shares",
            expected="shares from 0 to 1 and a correlation from -1 to 1",
            got=f"{shares}, {correlation}",
        )
    value = shares[0] - shares[1]
    quantile = float(stdtrit(degrees_of_freedom, 0.5 + CONFIDENCE / 2.0))
    lower, upper = _ends(shares, errors, correlation, quantile)
    first, second = errors
    variance = first**2 + second**2 - 2.0 * correlation * first * second
    return Association(
        value=value,
        interval=Interval(lower, upper, CONFIDENCE, f"t on logits of both shares, {method}"),
        p_value=_p_value(value, shares, errors, correlation, degrees_of_freedom),
        standard_error=math.sqrt(max(variance, 0.0)),
        degrees_of_freedom=degrees_of_freedom,
    )


def _own(share: float, error: float, quantile: float) -> tuple[float, float]:
    """Distances from a share to the ends of its own interval, below and above."""
    if not 0.0 < share < 1.0:
        return quantile * error, quantile * error
    reach = quantile * error / (share * (1.0 - share))
    middle = float(logit(share))
    return share - float(expit(middle - reach)), float(expit(middle + reach)) - share


def _ends(
    shares: tuple[float, float], errors: tuple[float, float], correlation: float, quantile: float
) -> tuple[float, float]:
    (below_1, above_1), (below_0, above_0) = (
        _own(share, error, quantile) for share, error in zip(shares, errors, strict=True)
    )

    def together(one: float, other: float) -> float:
        return math.sqrt(max(one**2 - 2.0 * correlation * one * other + other**2, 0.0))

    value = shares[0] - shares[1]
    return value - together(below_1, above_0), value + together(above_1, below_0)


def _p_value(
    value: float,
    shares: tuple[float, float],
    errors: tuple[float, float],
    correlation: float,
    degrees_of_freedom: float,
) -> float:
    """Two-sided, by the quantile at which the nearer end reaches 0."""
    if value == 0.0:
        return 1.0

    def beyond(quantile: float) -> float:
        lower, upper = _ends(shares, errors, correlation, quantile)
        return lower if value > 0.0 else -upper

    if beyond(FARTHEST) > 0.0:
        return float(2.0 * stdtr(degrees_of_freedom, -FARTHEST))
    quantile = float(brentq(beyond, 0.0, FARTHEST))
    return float(2.0 * stdtr(degrees_of_freedom, -quantile))
