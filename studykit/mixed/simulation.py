"""New outcomes from a fitted model: same rows, same fixed effects, new clients, trainers and residuals."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.model import MixedModel
from studykit.mixed.parameters import semidefinite_factor
from studykit.mixed.random_effects import level_codes
from studykit.mixed.result import MixedFit, ResidualCovariance

Array = NDArray[np.float64]


def simulate_outcomes(
    model: MixedModel, fit: MixedFit, *, draws: int, generator: np.random.Generator
) -> Array:
    """Outcomes (draws, n) drawn from the model at the fitted parameters.

    Parameters
    ----------
    model : MixedModel
    fit : MixedFit
        Of this model.
    draws : int
    generator : numpy.random.Generator

    Returns
    -------
    ndarray, shape (draws, n)
    """
    outcomes = np.tile(fit.fitted_values(conditional=False), (draws, 1))
    for effect in model.random_effects:
        levels, codes = level_codes(effect.groups)
        factor = semidefinite_factor(fit.covariance_parameters[effect.name])
        drawn = generator.standard_normal((draws, len(levels), len(factor))) @ factor.T
        outcomes += np.einsum("nq,mnq->mn", effect.design, drawn[:, codes])
    return outcomes + _residuals(model, fit.covariance_parameters.residual, draws, generator)


def _residuals(
    model: MixedModel, covariance: ResidualCovariance, draws: int, generator: np.random.Generator
) -> Array:
    n, structure = len(model.outcome), model.residual
    noise: Array = generator.standard_normal((draws, n))
    if structure.visits is None:
        return np.asarray(noise * np.sqrt(covariance.variance))
    places = level_codes(structure.visits)[1]
    if structure.groups is None:
        return np.asarray(noise * np.sqrt(np.diag(covariance.matrix))[places])
    groups = level_codes(structure.groups)[1]
    for group in range(int(groups.max()) + 1):
        rows = np.flatnonzero(groups == group)
        if structure.kind == "unstructured":
            block = covariance.matrix[np.ix_(places[rows], places[rows])]
        else:
            steps = np.asarray(structure.steps)[rows]
            lag = np.abs(steps[:, None] - steps[None, :])
            block = covariance.variance * float(covariance.autocorrelation or 0.0) ** lag
        noise[:, rows] = noise[:, rows] @ semidefinite_factor(block).T
    return noise
