"""What the mixed model says about spread: standard deviations, and how far a test repeats itself."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri

from studykit.kinds.continuous.analysis import ModelAnalysis, Setting
from studykit.kinds.continuous.reliability import typical_error_presented
from studykit.kinds.continuous.results import Reliability, VarianceComponent
from studykit.results import Interval

Floats = NDArray[np.float64]
ZERO = 1e-8  # share of the largest variance below which one counts as zero
ALL_EXERCISES = "one exercise, on average"


def variance_components(setting: Setting, analysis: ModelAnalysis) -> tuple[VarianceComponent, ...]:
    """Standard deviations on the analysis scale, in the order of the model."""
    parameters = analysis.fit.covariance_parameters
    found: list[tuple[str, float]] = []
    for effect in parameters.random_effects:
        for column, variance in zip(effect.columns, np.diag(effect.matrix), strict=True):
            several = len(effect.columns) > 1
            who = "between clients" if effect.name == "client" else effect.name
            found.append((f"{who}, {column}" if several else who, float(variance)))
    residual = parameters.residual
    if residual.matrix.shape == (1, 1):
        found.append(("residual", float(residual.matrix[0, 0])))
    else:
        labels = setting.rows.visit_labels
        for visit, variance in zip(residual.visits, np.diag(residual.matrix), strict=True):
            found.append((f"between clients, with error, {labels[visit]}", float(variance)))
    largest = max(variance for _, variance in found)
    return tuple(
        VarianceComponent(name, math.sqrt(max(variance, 0.0)), variance < ZERO * largest)
        for name, variance in found
    )


def model_repeatability(
    setting: Setting, analysis: ModelAnalysis, confidence_level: float
) -> tuple[Reliability, ...]:
    r"""Share of the variance of one test of one exercise that lasts, from the model's variances.

    Notes
    -----
    :math:`\rho=(\sigma^2_c+\sigma^2_{ce})/(\sigma^2_c+\sigma^2_{ce}+\sigma^2)`, with the client variance at
    the first visit, the client-by-exercise variance and the residual variance, which also holds what a client
    gains on one exercise and not on the others: the error of the test is at most this. The interval is an
    approximation: the whole variance over the residual variance is taken as F with clients - 1 and the
    residual degrees of freedom. With one exercise the model cannot tell a lasting difference from error, and
    nothing is given.
    """
    parameters = analysis.fit.covariance_parameters
    if "client by exercise" not in [effect.name for effect in parameters.random_effects]:
        return ()
    lasting = float(parameters["client"][0, 0] + parameters["client by exercise"][0, 0])
    error = parameters.residual.variance
    between, within = int(analysis.used.sum()) - 1, _residual_degrees_of_freedom(setting)
    if lasting <= 0.0 or error <= 0.0 or min(between, within) < 1:
        return ()
    ratio = (lasting + error) / error
    upper = 0.5 + confidence_level / 2.0
    shown, unit = typical_error_presented(math.sqrt(error), setting)
    return (
        Reliability(
            exercise=ALL_EXERCISES,
            clients=between + 1,
            intraclass_correlation=1.0 - 1.0 / ratio,
            interval=Interval(
                max(0.0, 1.0 - fdtri(between, within, upper) / ratio),
                1.0 - 1.0 / (ratio * fdtri(within, between, upper)),
                confidence_level,
                "F, approximate",
            ),
            typical_error=shown,
            typical_error_unit=unit,
            source="model",
        ),
    )


def _residual_degrees_of_freedom(setting: Setting) -> int:
    """Scores less one per client and exercise, less one per client and visit, plus one per client."""
    seen = np.isfinite(setting.cube)
    return int(seen.sum() - seen.any(axis=1).sum() - seen.any(axis=2).sum() + seen.any(axis=(1, 2)).sum())
