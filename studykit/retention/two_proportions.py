"""Intervals for the difference of two shares without strata: companions of the score interval."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from studykit.results import Interval, check_confidence_level
from studykit.retention.proportions import Proportion
from studykit.retention.score_statistics import farthest_kept, path_out, shares_at_difference

Floats = NDArray[np.float64]


def newcombe_interval(
    compared: Proportion, reference: Proportion, *, confidence_level: float = 0.95
) -> Interval:
    """Hybrid score interval of the difference, compared minus reference.

    Newcombe 1998, Statistics in Medicine 17:873, method 10: Wilson's intervals of the two shares,
    combined.

    Examples
    --------
    >>> interval = newcombe_interval(Proportion(56, 70), Proportion(48, 80))
    >>> round(interval.lower, 4), round(interval.upper, 4)
    (0.0524, 0.3339)
    """
    difference = compared.value - reference.value
    one, two = (share.confidence_interval(confidence_level) for share in (compared, reference))
    below = math.hypot(compared.value - one.lower, two.upper - reference.value)
    above = math.hypot(one.upper - compared.value, reference.value - two.lower)
    return Interval(difference - below, difference + above, confidence_level, "hybrid score, Newcombe")


def mee_interval(compared: Proportion, reference: Proportion, *, confidence_level: float = 0.95) -> Interval:
    """Score interval of the difference without the factor N / (N - 1), compared minus reference.

    Mee 1984, Biometrics 40:1175; with that factor it is the interval of Miettinen and Nurminen, which
    `studykit.retention.risk_difference.risk_difference` gives for a single stratum.

    Examples
    --------
    >>> interval = mee_interval(Proportion(56, 70), Proportion(48, 80))
    >>> round(interval.lower, 4), round(interval.upper, 4)
    (0.0533, 0.3377)
    """
    check_confidence_level(confidence_level)
    x1, n1, x0, n0 = (
        np.array(float(number))
        for number in (compared.count, compared.clients, reference.count, reference.clients)
    )
    estimate = x1 / n1 - x0 / n0

    def statistic(difference: Floats) -> Floats:
        p0, p1 = shares_at_difference(difference, x0, n0, x1, n1)
        with np.errstate(divide="ignore", invalid="ignore"):
            z = (estimate - difference) / np.sqrt(p0 * (1 - p0) / n0 + p1 * (1 - p1) / n1)
        return np.asarray(z, dtype=float)

    z = float(ndtri(0.5 + confidence_level / 2.0))
    ends = np.array(1.0)
    lower, upper = (float(farthest_kept(statistic, z, path_out(end, estimate, 1))) for end in (-ends, ends))
    return Interval(lower, upper, confidence_level, "score, Mee")
