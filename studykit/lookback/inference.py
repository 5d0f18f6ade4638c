"""From estimates on the scale of the analysis to what is read: ratios, differences, clients out of 100."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from studykit.lookback.adjustment import EXPOSURE
from studykit.lookback.results import Answer, Association, Curve
from studykit.lookback.standardised import StandardisedCurve
from studykit.results import Estimate, frozen_array
from studykit.retention.discrete_hazard import DiscreteHazardModel

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

CONFIDENCE = 0.95
CLUSTERS = "influence of each cluster, Satterthwaite"


def ratio(log_estimate: Estimate) -> Association:
    """A ratio from its logarithm.

    Examples
    --------
    >>> round(ratio(Estimate(0.0, 0.5, 10.0, "t")).interval.lower, 3)
    0.328
    """
    return Association(
        value=math.exp(log_estimate.value),
        interval=log_estimate.confidence_interval(CONFIDENCE).transformed(_exp),
        p_value=log_estimate.p_value,
        standard_error=log_estimate.standard_error,
        degrees_of_freedom=log_estimate.degrees_of_freedom,
    )


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
    clusters = influence[0].size
    scale = model.small_sample_inflation * math.sqrt(clusters / max(clusters - 1.0, 1.0))
    freedom, method = model.log_hazard_ratio(EXPOSURE).degrees_of_freedom, CLUSTERS

    def estimate(value: float, of_cluster: Floats) -> Estimate:
        return Estimate(value, scale * float(np.sqrt(np.sum(of_cluster**2))), freedom, method)

    of_ratio = None
    if min(left) > 0.0:
        on_log = influence[1] / left[1] - influence[0] / left[0]
        of_ratio = ratio(estimate(math.log(left[0] / left[1]), on_log))
    return replace(
        answer,
        risk_difference=difference(estimate(left[0] - left[1], influence[1] - influence[0])),
        risk_ratio=of_ratio,
        out_of_100=(100.0 * stayed[0], 100.0 * stayed[1]),
    )


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
