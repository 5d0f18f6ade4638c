"""Pooled logistic models for many sets of case weights at once, as the weights of clones need them.

One model per resample of clients, all on the same rows: the resample only changes how often each row counts,
so that normal equations of all resamples are one matrix product. A weak penalty (a normal prior with standard
deviation 2 per standard deviation of a covariate) keeps the fit of a resample finite where a trainer happens
to have started nobody; the intercept is free.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

Floats = NDArray[np.float64]

PRIOR_STANDARD_DEVIATION = 2.0
ITERATIONS = 30
FEW_SETS = 5  # below, products of columns are not worth their memory
TOLERANCE = 1e-8  # of a coefficient per standard deviation of its covariate


@dataclass(frozen=True, slots=True, eq=False)
class LogisticFits:
    """Fitted models, one per set of case weights.

    Parameters
    ----------
    coefficients : ndarray, shape (m, p + 1)
        Of the design as standardised; the intercept first.
    chance : ndarray, shape (m, n)
        Fitted chance of a yes in each row.
    information : ndarray, shape (m, p + 1, p + 1)
        Penalised.
    design : ndarray, shape (n, p + 1)
        Intercept and standardised covariates.
    converged : ndarray of bool, shape (m,)
    """

    coefficients: Floats
    chance: Floats
    information: Floats
    design: Floats
    converged: NDArray[np.bool_]


def fit_logistic(
    covariates: Floats,
    outcome: NDArray[np.bool_],
    case_weights: Floats,
    *,
    start: Floats | None = None,
    prior_standard_deviation: float = PRIOR_STANDARD_DEVIATION,
) -> LogisticFits:
    """Fit one penalised logistic model per set of case weights, by Newton's method.

    Parameters
    ----------
    covariates : ndarray, shape (n, p)
        Without intercept; constant columns do no harm.
    outcome : ndarray of bool, shape (n,)
    case_weights : ndarray, shape (m, n)
        How often each row counts.
    start : ndarray, shape (p + 1,), optional
        Coefficients to begin from.
    prior_standard_deviation : float
        Infinite for no penalty.

    Examples
    --------
    >>> fit = fit_logistic(np.zeros((4, 1)), np.array([True, False, False, False]), np.ones((1, 4)))
    >>> fit.chance[0].round(4).tolist()
    [0.25, 0.25, 0.25, 0.25]
    """
    spread = covariates.std(axis=0)
    scaled = (covariates - covariates.mean(axis=0)) / np.where(spread > 0.0, spread, 1.0)
    design = np.column_stack((np.ones(len(scaled)), scaled))
    size = design.shape[1]
    upper = np.triu_indices(size)
    few = len(case_weights) < FEW_SETS
    products = np.empty((0, 0)) if few else design[:, upper[0]] * design[:, upper[1]]
    penalty = np.full(size, prior_standard_deviation**-2)
    penalty[0] = 0.0
    m = len(case_weights)
    beta = np.zeros((m, size)) if start is None else np.tile(start, (m, 1))
    yes = outcome.astype(float)
    converged = np.zeros(m, dtype=bool)
    for _ in range(ITERATIONS):
        chance = expit(beta @ design.T)
        score = (case_weights * (yes - chance)) @ design - penalty * beta
        spreads = case_weights * chance * (1.0 - chance)
        if few:
            information = np.array([design.T @ (one[:, None] * design) for one in spreads])
        else:
            information = _symmetric(spreads @ products, upper, size)
        information[:, np.arange(size), np.arange(size)] += penalty
        step = np.linalg.solve(information, score[:, :, None])[:, :, 0]
        longest = np.abs(step).max(axis=1)
        beta = beta + step / np.maximum(longest / 2.0, 1.0)[:, None]  # no leap where the curve is flat
        converged = longest < TOLERANCE
        if converged.all():
            break
    return LogisticFits(beta, expit(beta @ design.T), information, design, converged)


def _symmetric(packed: Floats, upper: tuple[NDArray[np.intp], NDArray[np.intp]], size: int) -> Floats:
    full = np.zeros((len(packed), size, size))
    full[:, upper[0], upper[1]] = packed
    full[:, upper[1], upper[0]] = packed
    return full
