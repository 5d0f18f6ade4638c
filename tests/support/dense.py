"""The same model by full n x n matrices, written straight from the formulas: the slow twin.

For tests, and for a reader who wants to see each formula of `studykit.mixed.objective` and
`studykit.mixed.inference` without the elimination. Elements are in the user's units, in the order
lower triangles of the random effects, then of the residual.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.random_effects import RandomEffect, level_codes
from studykit.mixed.residuals import ResidualStructure

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class DenseModel:
    """Covariance and its derivatives as functions of the elements.

    Parameters
    ----------
    V : ndarray, shape (n, n)
    first : tuple of ndarray, shape (n, n)
        ``V_i``.
    second : dict from (i, j) to ndarray
        ``V_ij`` where it is not zero.
    """

    V: Array
    first: tuple[Array, ...]
    second: dict[tuple[int, int], Array]


def dense_model(
    elements: Sequence[float], effects: Sequence[RandomEffect], residual: ResidualStructure, n: int
) -> DenseModel:
    """``V``, ``V_i`` and ``V_ij`` at the given elements."""
    first: list[Array] = []
    for effect in effects:
        codes = level_codes(effect.groups)[1]
        first += _products(codes, effect.design)
    start = len(first)
    same = np.eye(n)
    if residual.groups is not None:
        codes = level_codes(residual.groups)[1]
        same = (codes[:, None] == codes[None, :]).astype(float)
    if residual.kind == "autoregressive":
        steps = np.asarray(residual.steps)
        lag = np.abs(steps[:, None] - steps[None, :])
        variance, rho = elements[-2], elements[-1]
        power = same * rho**lag
        slope = same * lag * rho ** np.maximum(lag - 1, 0)
        bend = same * lag * (lag - 1) * rho ** np.where(lag > 1, lag - 2, 0)
        first += [power, variance * slope]
        V = sum((v * D for v, D in zip(elements[:start], first, strict=False)), variance * power)
        second = {
            (start, start + 1): slope,
            (start + 1, start): slope,
            (start + 1, start + 1): variance * bend,
        }
        return DenseModel(V, tuple(first), second)
    if residual.kind == "equal":
        first.append(np.eye(n))
    else:
        visits = level_codes(np.asarray(residual.visits))[1]
        indicators = np.eye(int(visits.max()) + 1)[visits]
        if residual.kind == "by visit":
            first += [np.diag(column) for column in indicators.T]
        else:
            first += _products(level_codes(np.asarray(residual.groups))[1], indicators)
    V = sum((v * D for v, D in zip(elements, first, strict=True)), np.zeros((n, n)))
    return DenseModel(V, tuple(first), {})


def _products(codes: NDArray[np.intp], design: Array) -> list[Array]:
    same = (codes[:, None] == codes[None, :]).astype(float)
    parts = []
    for a in range(design.shape[1]):
        for b in range(a + 1):
            product = same * np.outer(design[:, a], design[:, b])
            parts.append(product if a == b else product + product.T)
    return parts


def dense_log_likelihood(y: Array, X: Array, V: Array, *, reml: bool) -> float:
    """The (restricted) log-likelihood at ``V``."""
    n, p = X.shape
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    left = y - X @ np.linalg.solve(information, X.T @ inverse @ y)
    f = np.linalg.slogdet(V)[1] + left @ inverse @ left + n * np.log(2 * np.pi)
    if reml:
        f += np.linalg.slogdet(information)[1] - p * np.log(2 * np.pi)
    return float(-0.5 * f)


def dense_derivatives(y: Array, X: Array, model: DenseModel, *, reml: bool) -> tuple[Array, Array, Array]:
    """Gradient and Hessian of ``-2 log L`` by the elements, and ``tr(P V_i P V_j)``."""
    inverse = np.linalg.inv(model.V)
    P = inverse - inverse @ X @ np.linalg.inv(X.T @ inverse @ X) @ X.T @ inverse
    trace_part = P if reml else inverse
    Py = P @ y
    k = len(model.first)
    gradient = np.array([np.sum(trace_part * D) - Py @ D @ Py for D in model.first])
    trace, hessian = np.zeros((k, k)), np.zeros((k, k))
    for i, D in enumerate(model.first):
        around, score = trace_part @ D @ trace_part, P @ (D @ Py)
        for j, E in enumerate(model.first):
            trace[i, j] = np.sum(around * E)
            hessian[i, j] = -trace[i, j] + 2.0 * score @ (E @ Py)
            if (i, j) in model.second:
                bend = model.second[i, j]
                hessian[i, j] += np.sum(trace_part * bend) - Py @ bend @ Py
    return gradient, np.asarray(hessian), np.asarray(trace)


def dense_kenward_roger(X: Array, model: DenseModel) -> tuple[Array, Array, Array, Array]:
    """``Phi``, ``Phi_A``, ``S_i`` and ``W`` of Kenward & Roger (1997)."""
    inverse = np.linalg.inv(model.V)
    Phi: Array = np.asarray(np.linalg.inv(X.T @ inverse @ X))
    P = inverse - inverse @ X @ Phi @ X.T @ inverse
    k = len(model.first)
    around = [P @ D @ P for D in model.first]
    trace = np.array([[np.sum(part * E) for E in model.first] for part in around])
    W = 2.0 * np.linalg.inv(trace)
    VX = inverse @ X
    P_i = [-VX.T @ D @ VX for D in model.first]
    total = np.zeros_like(Phi)
    for i in range(k):
        for j in range(k):
            Q = (VX.T @ model.first[i]) @ inverse @ (model.first[j] @ VX)
            term = Q - P_i[i] @ Phi @ P_i[j]
            if (i, j) in model.second:
                term -= 0.25 * VX.T @ model.second[i, j] @ VX
            total += W[i, j] * term
    slopes = np.array([-Phi @ part @ Phi for part in P_i])
    return Phi, Phi + 2.0 * Phi @ total @ Phi, slopes, W
