r"""The likelihood of large data and its exact gradient, level by level; time and memory grow with the levels.

With the covariances ``G_k`` relative to the residual variance and ``B_0 = I``, eliminating factor ``k`` of
the chain (see `studykit.mixed.elimination_layout`) is one rank-q step in every level, after Bates, Maechler,
Bolker & Walker (2015) and Henderson (1975)::

    B_k = B_{k-1} - B_{k-1} Z_k W_k Z_k' B_{k-1},    W = L (I + L'K L)^-1 L',  G_k = L L',  K = Z_k'B_{k-1}Z_k

and adds ``log|I + L'K L|`` to ``log|V|``. All that is kept are products ``F'B_k F`` of the columns still to
come. What lies beside the chain, and then ``X``, is eliminated as one dense matrix.

Backwards, from what is eliminated last to what is eliminated first, the inverse ``Omega`` of the mixed model
equations is filled in at the places that are needed, those of a level and its ancestors (Takahashi, Fagan &
Chen 1973), for with ``E = W K_later`` and ``R = K_later - K E``::

    Omega_l,later = -E Omega_later,later      Omega_ll = W + E Omega_later,later E'
    Z_l'P Z_l = K - K W K - R Omega_later,later R'      a_l = Z_l'P y = R_y - R omega_later

and the derivative of ``-2 log L`` by ``G_k`` is ``sum over levels of Z_l'P Z_l - a_l a_l' / sigma^2``. By
maximum likelihood the traces leave out ``X``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, solve_triangular

from studykit.mixed.elimination_layout import EliminationLayout

Array = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Eliminated:
    """One factor of the chain after its elimination; symbols as above, ``later`` without own columns."""

    W: Array  # (levels, q, q)
    own: Array  # K - K W K
    E: Array  # (levels, q, later)
    R: Array  # (levels, q, later)


@dataclass(frozen=True, slots=True, eq=False)
class Dense:
    """What is eliminated together at the end: columns beside the chain (U) and the fixed effects.

    Parameters
    ----------
    C : ndarray, shape (u, u + p + 1)
        Products of ``U`` with ``[U X y]``.
    N : ndarray, shape (u, u)
        ``Omega`` of ``U`` when the fixed effects are not eliminated.
    Omega : ndarray, shape (u + p, u + p)
    omega : ndarray, shape (u + p,)
        Predictions, then the coefficients of the fixed effects.
    """

    C: Array
    N: Array
    Omega: Array
    omega: Array


@dataclass(frozen=True, slots=True, eq=False)
class EliminationState:
    """The likelihood at given covariances, before its derivatives.

    Parameters
    ----------
    value : float
        ``-2 log L`` at the best residual variance, without ``(n - p) log(2 pi)``.
    variance : float
        That residual variance.
    degrees : int
    chain : tuple of Eliminated
    dense : Dense
    """

    value: float
    variance: float
    degrees: int
    chain: tuple[Eliminated, ...]
    dense: Dense


def eliminate(layout: EliminationLayout, psi: Array, *, reml: bool) -> EliminationState:
    """All factors eliminated, then the fixed effects, at factors ``psi`` (k,) of the relative covariances."""
    products = [link.products for link in layout.chain]
    met, fixed, p = layout.products.copy(), layout.fixed.copy(), layout.p
    done: list[Eliminated] = []
    log_determinant = 0.0
    for place, link in enumerate(layout.chain):
        q, width = link.order, met.shape[1]
        K, later = products[place][..., :q], products[place][..., q:]
        W, logs = _weights(K, layout.ratios.blocks[link.effect].factor(psi))
        log_determinant += logs
        E = W * later if q == 1 else W @ later
        at = 0
        for step, other in enumerate(layout.chain[place + 1 :]):
            r = other.order
            products[place + 1 + step] = products[place + 1 + step] - _summed(
                later[..., at : at + r], E[..., at:], link.within[step]
            )
            at += r
        if width:
            met -= _summed(later[..., at : at + width], E[..., at:], link.within[-1])
        fixed -= _flat(later[..., at + width :]).T @ _flat(E[..., at + width :])
        KW = K @ W
        R = later - (K * E if q == 1 else K @ E)
        done.append(Eliminated(W, K - KW @ K, E, R))
    dense, logs, log_fixed, quadratic = _finish(layout, psi, met, fixed)
    degrees = layout.n - p if reml else layout.n
    log_determinant += logs + (log_fixed if reml else 0.0)
    variance = quadratic / degrees
    value = log_determinant + degrees * (np.log(variance) + 1.0)
    return EliminationState(float(value), variance, degrees, tuple(done), dense)


def _weights(K: Array, L: Array) -> tuple[Array, float]:
    """``W`` of every level, and the sum of the log-determinants."""
    if len(L) == 1:
        inflation = 1.0 + L[0, 0] ** 2 * K
        return L[0, 0] ** 2 / inflation, float(np.log(inflation).sum())
    M = L.T @ K @ L
    M[:, range(len(L)), range(len(L))] += 1.0
    return L @ np.linalg.inv(M) @ L.T, float(np.linalg.slogdet(M)[1].sum())


def _summed(left: Array, right: Array, first: Codes) -> Array:
    """``left' right`` of every level, summed within ancestors."""
    if left.shape[1] == 1:
        return np.asarray(np.add.reduceat(left[:, 0, :, None] * right, first, axis=0))
    return np.asarray(np.add.reduceat(left.swapaxes(1, 2) @ right, first, axis=0))


def _flat(values: Array) -> Array:
    return values.reshape(-1, values.shape[-1])


def _finish(
    layout: EliminationLayout, psi: Array, met: Array, fixed: Array
) -> tuple[Dense, float, float, float]:
    """The dense part: its log-determinants and ``y'Py``."""
    u, p, width = layout.columns, layout.p, met.shape[1]
    C = np.zeros((u + 1, u + p + 2))
    if u:
        rows = layout.met[:, :, None]
        np.add.at(C, (rows, layout.met[:, None, :]), met[..., :width])
        np.add.at(C, (rows, u + 1 + np.arange(p + 1)), met[..., width:])
    C = np.delete(C[:u], u, axis=1)
    M = _times_factor(layout, psi, _times_factor(layout, psi, C[:, :u]).T)
    M[range(u), range(u)] += 1.0
    factor = np.linalg.cholesky(M)
    half = solve_triangular(factor, _times_factor(layout, psi, np.eye(u)), lower=True) if u else M
    N = half.T @ half
    rest = fixed - C[:, u:].T @ N @ C[:, u:]
    inner = cho_factor(rest[:p, :p], lower=True)
    Phi = cho_solve(inner, np.eye(p))
    beta = cho_solve(inner, rest[:p, p])
    NC = N @ C[:, u : u + p]
    Omega = np.block([[N + NC @ Phi @ NC.T, -NC @ Phi], [-Phi @ NC.T, Phi]])
    omega = np.concatenate([N @ (C[:, -1] - C[:, u : u + p] @ beta), beta])
    logs = 2.0 * float(np.log(np.diag(factor)).sum())
    log_fixed = 2.0 * float(np.log(np.diag(inner[0])).sum())
    return Dense(C, N, Omega, omega), logs, log_fixed, float(rest[p, p] - rest[:p, p] @ beta)


def _times_factor(layout: EliminationLayout, psi: Array, values: Array) -> Array:
    """``L'`` of all columns beside the chain times ``values`` (u, ...)."""
    result = np.empty_like(values)
    for item in layout.beside:
        L = layout.ratios.blocks[item.effect].factor(psi)
        part = values[item.start : item.stop]
        if item.order == 1:
            result[item.start : item.stop] = L[0, 0] * part
        else:
            blocks = part.reshape(item.levels, item.order, -1)
            result[item.start : item.stop] = (L.T @ blocks).reshape(part.shape)
    return result


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """What the derivatives by one random effect's covariance need, of every level.

    Parameters
    ----------
    blocks : ndarray, shape (levels, q, q)
        ``Z_l'P Z_l``, or with ``V^-1`` for ``P``.
    scores : ndarray, shape (levels, q)
        ``a_l = Z_l'P y``.
    fixed : ndarray, shape (levels, q, p)
        ``Z_l'V^-1 X Phi``.
    """

    blocks: Array
    scores: Array
    fixed: Array


def moments(layout: EliminationLayout, state: EliminationState, *, projected: bool) -> dict[int, Moments]:
    """Backwards through the elimination; ``projected`` for ``P``, else ``V^-1`` in the blocks."""
    u, p = layout.columns, layout.p
    beta = state.dense.omega[u:]
    Omega = np.zeros((u + 1 + p, u + 1 + p))
    kept = np.delete(np.arange(u + 1 + p), u)
    if projected:
        Omega[np.ix_(kept, kept)] = state.dense.Omega
    else:
        Omega[:u, :u] = state.dense.N
    Phi, to_fixed = Omega[u + 1 :, u + 1 :], Omega[:, u + 1 :]
    omega = np.append(state.dense.omega[:u], 0.0)
    result = _beside_moments(layout, state, projected=projected)
    path = Omega[layout.met[:, :, None], layout.met[:, None, :]]
    path_fixed, path_omega = to_fixed[layout.met], omega[layout.met]
    for link, part in zip(reversed(layout.chain), reversed(state.chain), strict=True):
        c = path.shape[1]
        if link is not layout.chain[-1]:
            path, path_fixed, path_omega = (
                path[link.parents],
                path_fixed[link.parents],
                path_omega[link.parents],
            )
        R, R_X = part.R[..., :c], part.R[..., c : c + p]
        across, fixed = _through(R, R_X, path, path_fixed, Phi)
        blocks = part.own - across @ R.swapaxes(1, 2) - fixed @ R_X.swapaxes(1, 2)
        scores = part.R[..., -1] - R_X @ beta - (R @ path_omega[..., None])[..., 0]
        result[link.effect] = Moments(blocks, scores, fixed)
        if link is not layout.chain[0]:
            path, path_fixed, path_omega = _extended(part, p, path, path_fixed, path_omega, Phi, beta)
    return result


def _through(R: Array, R_X: Array, path: Array, path_fixed: Array, Phi: Array) -> tuple[Array, Array]:
    """``[R R_X] Omega``, at the ancestors' columns and at the fixed effects."""
    if not path.shape[1]:
        return R, R_X @ Phi
    return R @ path + R_X @ path_fixed.swapaxes(1, 2), R @ path_fixed + R_X @ Phi


def _extended(
    part: Eliminated, p: int, path: Array, path_fixed: Array, path_omega: Array, Phi: Array, beta: Array
) -> tuple[Array, Array, Array]:
    """``Omega`` and ``omega`` at a level's own columns put before those of its ancestors."""
    c = path.shape[1]
    E, E_X = part.E[..., :c], part.E[..., c : c + p]
    across, fixed = _through(E, E_X, path, path_fixed, Phi)
    own = part.W + across @ E.swapaxes(1, 2) + fixed @ E_X.swapaxes(1, 2)
    omega = part.E[..., -1] - E_X @ beta - (E @ path_omega[..., None])[..., 0]
    whole = np.concatenate(
        [
            np.concatenate([own, -across], axis=2),
            np.concatenate([-across.swapaxes(1, 2), path], axis=2),
        ],
        axis=1,
    )
    return whole, np.concatenate([-fixed, path_fixed], axis=1), np.concatenate([omega, path_omega], axis=1)


def _beside_moments(
    layout: EliminationLayout, state: EliminationState, *, projected: bool
) -> dict[int, Moments]:
    """The same for the factors beside the chain, from the dense matrices."""
    u, p = layout.columns, layout.p
    C, dense = state.dense.C, state.dense
    whole = C[:, : u + p]
    fixed = whole @ dense.Omega[:, u:]
    scores = C[:, -1] - whole @ dense.omega
    inverse = whole @ dense.Omega if projected else C[:, :u] @ dense.N
    result = {}
    for item in layout.beside:
        at = item.start + np.arange(item.levels * item.order).reshape(item.levels, item.order)
        rows = C[at][..., : inverse.shape[1]]  # (levels, q, columns)
        blocks = C[at[:, :, None], at[:, None, :]] - inverse[at] @ rows.swapaxes(1, 2)
        result[item.effect] = Moments(blocks, scores[at], fixed[at])
    return result


def gradient(layout: EliminationLayout, state: EliminationState, parts: dict[int, Moments]) -> Array:
    """Derivative of ``-2 log L``, at the best residual variance, by the relative covariance elements (k,)."""
    result = np.zeros(layout.ratios.size)
    for number, block in enumerate(layout.ratios.blocks):
        part = parts[number]
        slope = part.blocks.sum(axis=0) - part.scores.T @ part.scores / state.variance
        rows, columns = np.tril_indices(block.order)
        result[block.start : block.stop] = np.where(rows == columns, 1.0, 2.0) * slope[rows, columns]
    return result


def quadratic_gradient(layout: EliminationLayout, parts: dict[int, Moments]) -> Array:
    """Derivative of ``y'Py`` by the relative covariance elements (k,)."""
    result = np.zeros(layout.ratios.size)
    for number, block in enumerate(layout.ratios.blocks):
        square = parts[number].scores.T @ parts[number].scores
        rows, columns = np.tril_indices(block.order)
        result[block.start : block.stop] = -np.where(rows == columns, 1.0, 2.0) * square[rows, columns]
    return result
