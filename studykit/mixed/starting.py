"""Where the search starts: two scoring steps from equal shares of the spread.

With ``V`` linear in ``eta``, the restricted likelihood's scoring step from any ``V`` solves
``sum_j tr(P V_i P V_j) eta_j = y' P V_i P y`` (minimum norm quadratic estimation, Rao 1971).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.derivatives import differentiate
from studykit.mixed.inference import inverse_information
from studykit.mixed.objective import Problem, evaluate
from studykit.mixed.parameters import nearest_covariance, semidefinite_factor, triangle

Array = NDArray[np.float64]

SCORING_STEPS = 2  # a third saves no more Newton steps than it costs
FLOOR = 0.003  # least share of the outcome's variance that any matrix starts with
LARGEST_CORRELATION = 0.8
LEAST_POWER = 0.05  # least autocorrelation to start from where negative ones have no powers


def starting_values(problem: Problem) -> tuple[Array, Array]:
    """``psi`` (m, k) to start from, and the expected information (m, k, k) at equal shares.

    Outcomes are expected with residual variance about one by least squares.
    """
    parameters = problem.layout.map
    effects = len(problem.layout.effects)
    eta = np.zeros(parameters.size)
    for number, block in enumerate(parameters.blocks):
        share = 0.5 / effects if number < effects else 0.5
        rows, columns = triangle(block.order)
        eta[block.start : block.stop] = np.where(rows == columns, share, 0.0)
    psi, information = np.tile(parameters.factors(eta), (problem.trials, 1)), None
    for _ in range(SCORING_STEPS):
        state = evaluate(problem, psi, rescale=False)
        derivatives = differentiate(problem, state)
        if information is None:
            information = 0.5 * derivatives.trace
        step = 0.5 * inverse_information(derivatives.trace) @ derivatives.gradient[..., None]
        psi = _inside(problem, state.eta - step[..., 0])
    assert information is not None
    return psi, information


def _inside(problem: Problem, eta: Array) -> Array:
    """Factors (m, k) of the nearest elements that are well inside their range."""
    parameters = problem.layout.map
    lowest = -LARGEST_CORRELATION if problem.layout.residual.even else LEAST_POWER
    psi = np.clip(eta, lowest, LARGEST_CORRELATION)  # what is not a covariance stays so
    for block in parameters.blocks:
        rows, columns = triangle(block.order)
        factor = semidefinite_factor(nearest_covariance(block.matrix(eta), FLOOR))
        psi[:, block.start : block.stop] = factor[:, rows, columns]
    return np.asarray(psi)
