"""The log-likelihood of a binary mixed model, by whichever approximation fits its random effects."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.mixed import binary_laplace, binary_quadrature
from studykit.mixed.binary_problem import Evaluation, Problem

Array = NDArray[np.float64]


def likelihood(problem: Problem, parameters: Array, modes: tuple[Array, ...]) -> Evaluation:
    """Log-likelihood without the binomial coefficients, with its gradient."""
    if problem.starts is not None:
        return binary_quadrature.evaluate(problem, parameters, modes)
    return binary_laplace.evaluate(problem, parameters, modes)
