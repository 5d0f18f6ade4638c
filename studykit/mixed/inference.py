r"""Small-sample inference for the fixed effects.

With ``Phi = (X'V^-1 X)^-1``, ``W`` the inverse of the expected REML information of *all* declared
covariance elements (those at zero too) and

| ``P_i  = -X' V^-1 V_i V^-1 X``, so that ``dPhi/d eta_i = -Phi P_i Phi =: S_i``
| ``Q_ij =  X' V^-1 V_i V^-1 V_j V^-1 X``
| ``R_ij =  X' V^-1 V_ij V^-1 X``

With the symbols of `studykit.mixed.derivatives`, ``-P_i`` is its ``X_i``; ``Q_ij`` of two inner elements
comes from the products over ``B V_i B V_j B`` less ``a_i' N a_j``, and ``Q_io`` with an outer one is
``b_i' D_o A``.

Kenward & Roger (1997), Biometrics 53:983, give

``Phi_A = Phi + 2 Phi { sum_ij W_ij (Q_ij - P_i Phi P_j - R_ij / 4) } Phi``

and, for ``l`` rows ``M``, with ``Theta = M'(M Phi M')^-1 M``,

| ``A_1 = sum_ij W_ij tr(Theta S_i) tr(Theta S_j)``, ``A_2 = sum_ij W_ij tr(Theta S_i Theta S_j)``
| ``B = (A_1 + 6 A_2) / (2 l)``, ``g = ((l+1) A_1 - (l+4) A_2) / ((l+2) A_2)``
| ``E = 1 / (1 - A_2 / l)``, ``V = (2/l) (1 + c_1 B) / ((1 - c_2 B)^2 (1 - c_3 B))``
| ``rho = V / (2 E^2)``, ``degrees = 4 + (l+2) / (l rho - 1)``, ``lambda = degrees / (E (degrees - 2))``

For one row this is ``degrees = 2 / A_1`` and ``lambda = 1``. ``R_ij`` is zero except for the
autoregressive structure.

Satterthwaite: ``degrees = 2 v^2 / (d' K d)``, ``v = m' Phi m``, ``d`` its gradient, ``K`` the inverse of
the *observed* information. Where covariance matrices are singular, ``K`` and ``d`` belong to the face of
the boundary on which the estimate lies: a variance at zero is then treated as known to be zero, whereas
Kenward-Roger keeps its uncertainty. The two can therefore differ strongly at the boundary.
Several rows: Fai & Cornelius (1996), as described by Kuznetsova et al. (2017), J Stat Softw 82(13).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.derivatives import Derivatives
from studykit.mixed.objective import Problem, State, class_curvature
from studykit.mixed.parameters import ParameterMap, triangle
from studykit.mixed.sums import flat, multiply, transposed

Array = NDArray[np.float64]

SINGULAR = 1e-8  # share of the largest variance below which an eigenvalue counts as zero


@dataclass(frozen=True, slots=True, eq=False)
class FixedEffects:
    """Estimates of the fixed effects and what is needed for their inference, for every trial.

    Parameters
    ----------
    beta : ndarray, shape (m, p)
    Phi : ndarray, shape (m, p, p)
    S : ndarray, shape (m, k, p, p)
        ``dPhi / d eta_i``.
    """

    beta: Array
    Phi: Array
    S: Array


def fixed_effects(problem: Problem, state: State, derivatives: Derivatives) -> FixedEffects:
    """``beta``, ``Phi`` and the derivatives of ``Phi``."""
    p, Phi = problem.p, state.Phi
    return FixedEffects(state.beta, Phi, Phi[:, None] @ derivatives.X[:, :, :p, :p] @ Phi[:, None])


def inverse_information(trace: Array) -> Array:
    """``W``: inverse of half the traces (m, k, k), by pseudo-inverse where they are singular.

    A trace that rounding has lost (not above zero, as where a residual variance runs to zero) counts as none.
    """
    known = (np.diagonal(trace, axis1=1, axis2=2) > 0.0) & np.isfinite(trace).all(axis=2)
    return 2.0 * symmetric_inverse(np.where(known[:, :, None] & known[:, None, :], trace, 0.0), 1e-10)


def symmetric_inverse(matrices: Array, share: float) -> Array:
    """Inverses (..., k, k); directions whose eigenvalue is below a ``share`` of the largest give none.

    Rows are first divided by their own size: a small variance has a large information, beside which that of
    a large one would pass for nothing.
    """
    size = np.sqrt(np.abs(np.diagonal(matrices, axis1=-2, axis2=-1)))
    size = np.where(size > 0.0, size, 1.0)
    values, vectors = np.linalg.eigh(matrices / size[..., :, None] / size[..., None, :])
    kept = np.abs(values) > share * np.abs(values).max(axis=-1, keepdims=True, initial=0.0)
    inverse = np.where(kept, 1.0 / np.where(kept, values, 1.0), 0.0)
    whole = (vectors * inverse[..., None, :]) @ transposed(vectors)
    return np.asarray(whole / size[..., :, None] / size[..., None, :])


def adjusted_covariance(
    problem: Problem, state: State, derivatives: Derivatives, fixed: FixedEffects, W: Array
) -> Array:
    """``Phi_A`` (m, p, p)."""
    layout, p, m = problem.layout, problem.p, len(W)
    inner, outer = layout.inner, layout.outer_elements
    Q = _inner_products(problem, state, derivatives, W[:, inner[:, None], inner])[:, :p, :p]
    if layout.groups:
        order = np.concatenate([inner, outer])
        twice = np.where(np.arange(len(order)) < len(inner), 2.0, 1.0)  # Q_io and Q_oi
        weights = W[:, order[:, None], outer] * twice[:, None]
        b = derivatives.outer
        mixed = (transposed(weights) @ flat(b)).reshape(m, len(outer), *b.shape[2:])
        moved = multiply(layout.outer_basis[:, None], derivatives.A[:, None])
        w = p + 1
        Q = Q + (transposed(mixed.reshape(m, -1, w)) @ moved.reshape(m, -1, w))[:, :p, :p]
    Phi, X = fixed.Phi, derivatives.X[:, :, :p, :p]
    mixed_X = (W @ flat(X)).reshape(X.shape)
    second = ((X @ Phi[:, None]) @ mixed_X).sum(axis=1)
    return np.asarray(Phi + 2.0 * (Phi @ (_symmetric(Q) - second) @ Phi))


def _inner_products(problem: Problem, state: State, derivatives: Derivatives, W: Array) -> Array:
    """``sum W_ij X~' V^-1 V_i V^-1 V_j V^-1 X~`` over inner elements, less a quarter of ``R_ij``."""
    packed = []
    for part in state.classes:
        D, B = part.basis, part.B
        mixed = (W @ flat(D)).reshape(len(W), *D.shape[1:])
        middle = multiply(multiply(D, B[:, None]), mixed).sum(axis=1)
        for (i, j), layer in class_curvature(problem.layout, part.classes, state.eta).items():
            middle = middle - (0.5 if i != j else 0.25) * W[:, i, j, None, None, None] * layer
        packed.append(flat(multiply(multiply(B, middle), B), 1)[:, part.classes.packed])
    C = problem.sums.products(np.concatenate(packed, axis=-1)[:, None])
    if not problem.layout.groups:
        return np.asarray(C.xx[:, 0])
    m, w = len(W), C.xx.shape[-1]
    E, a = state.E, derivatives.inner
    half = C.ux[:, 0] + 0.5 * multiply(C.uu[:, 0], E)
    side = transposed(E.reshape(m, -1, w)) @ half.reshape(m, -1, w)
    mixed_a = multiply(state.N[:, None], (W @ flat(a)).reshape(a.shape))
    inside = transposed(a.reshape(m, -1, w)) @ mixed_a.reshape(m, -1, w)
    return np.asarray(C.xx[:, 0] + side + transposed(side) - inside)


def _symmetric(matrix: Array) -> Array:
    return np.asarray(0.5 * (matrix + matrix.swapaxes(1, 2)))


def kenward_roger_degrees(M: Array, Phi: Array, S: Array, W: Array) -> tuple[float, float]:
    """Denominator degrees of freedom and the factor ``lambda`` of F, for rows ``M`` (l, p)."""
    rows = len(M)
    if rows == 1:
        return float(satterthwaite_degrees(M, Phi, S, W)[0]), 1.0
    inverse = np.linalg.inv(M @ Phi @ M.T)
    moved = inverse @ (M @ S @ M.T)
    traces = np.trace(moved, axis1=1, axis2=2)
    A_1 = float(traces @ W @ traces)
    A_2 = float(np.einsum("ij,iab,jba->", W, moved, moved))
    if A_2 <= 0.0:
        return np.inf, 1.0
    B = (A_1 + 6.0 * A_2) / (2.0 * rows)
    g = ((rows + 1) * A_1 - (rows + 4) * A_2) / ((rows + 2) * A_2)
    bottom = 3.0 * rows + 2.0 * (1.0 - g)
    c_1, c_2, c_3 = g / bottom, (rows - g) / bottom, (rows + 2.0 - g) / bottom
    # (1 - A_2 / l)^2 (1 + c_1 B) / ((1 - c_2 B)^2 (1 - c_3 B)): both brackets vanish together when the
    # exact F has two degrees of freedom.
    first, second = 1.0 - A_2 / rows, 1.0 - c_2 * B
    quotient = 1.0 if abs(first) < 1e-10 and abs(second) < 1e-10 else first / second
    rho = quotient**2 * (1.0 + c_1 * B) / (1.0 - c_3 * B) / rows
    degrees = 4.0 + (rows + 2.0) / (rows * rho - 1.0)
    factor = 1.0 if abs(degrees - 2.0) < 1e-2 else degrees * first / (degrees - 2.0)
    return float(degrees), float(factor)


def observed_covariance(parameters: ParameterMap, eta: Array, derivatives: Derivatives) -> Array:
    """``K`` (m, k, k): twice the inverse Hessian; where ``eta`` lies on the boundary, that of its face."""
    K = 2.0 * symmetric_inverse(derivatives.hessian, 1e-12)
    for trial in np.flatnonzero(parameters.least_share(eta) <= SINGULAR):
        K[trial] = _face_covariance(
            parameters, eta[trial], derivatives.gradient[trial], derivatives.hessian[trial]
        )
    return np.asarray(K)


def _face_covariance(parameters: ParameterMap, eta: Array, gradient: Array, hessian: Array) -> Array:
    """Covariance (k, k) of the elements on the face of the boundary where ``eta`` (k,) lies.

    A singular ``G = Q diag(D, 0) Q'`` stays on its face as ``Q [[S, B'], [B, B S^-1 B']] Q'``; near
    ``S = D``, ``B = 0`` this is linear in ``S`` and ``B`` except for ``B S^-1 B'``, whose second
    derivative meets the gradient by ``G``, which need not vanish at the boundary.
    """
    tangents, bends = [], []
    largest = max(float(np.trace(block.matrix(eta))) for block in parameters.blocks)
    for block in parameters.blocks:
        values, vectors = np.linalg.eigh(block.matrix(eta))
        alive = values > SINGULAR * largest
        tangent, bend = _face(block.order, vectors, values, alive, block.gradient_matrix(gradient))
        full = np.zeros((parameters.size, tangent.shape[1]))
        full[block.start : block.stop] = tangent
        tangents.append(full)
        bends.append(bend)
    for place in np.flatnonzero(parameters.linear):
        tangents.append(np.eye(parameters.size)[:, [place]])
        bends.append(np.zeros((1, 1)))
    J = np.concatenate(tangents, axis=1)
    H = J.T @ hessian @ J
    start = 0
    for bend in bends:
        H[start : start + len(bend), start : start + len(bend)] += bend
        start += len(bend)
    return np.asarray(J @ (2.0 * symmetric_inverse(H, 1e-12)) @ J.T)


def _face(
    order: int, Q: Array, values: Array, alive: NDArray[np.bool_], gradient: Array
) -> tuple[Array, Array]:
    """Tangents of one face (elements, directions) and the curvature they meet."""
    rows, columns = triangle(order)
    living, dead = np.flatnonzero(alive), np.flatnonzero(~alive)
    tangents = []
    for place, a in enumerate(living):
        for b in living[: place + 1]:
            step = np.outer(Q[:, a], Q[:, b])
            tangents.append((step + step.T if a != b else step)[rows, columns])
    flat = len(tangents)
    pairs = [(i, a) for i in dead for a in living]
    for i, a in pairs:
        step = np.outer(Q[:, i], Q[:, a])
        tangents.append((step + step.T)[rows, columns])
    bend = np.zeros((len(tangents), len(tangents)))
    pull = Q.T @ gradient @ Q
    for x, (i, a) in enumerate(pairs):
        for y, (j, b) in enumerate(pairs):
            if a == b:
                bend[flat + x, flat + y] = 2.0 * pull[i, j] / values[a]
    return np.array(tangents).reshape(len(tangents), len(rows)).T, bend


def satterthwaite_degrees(weights: Array, Phi: Array, S: Array, K: Array) -> Array:
    """Degrees of freedom (..., k) of contrasts (..., k, p), by ``K`` or, as Kenward and Roger, by ``W``."""
    variance = ((weights @ Phi) * weights).sum(axis=-1)
    rows = weights[..., None, :, :]
    slopes = ((rows @ S) * rows).sum(axis=-1)  # (..., elements, contrasts)
    spread = (slopes * (K @ slopes)).sum(axis=-2)
    known = spread > 0.0
    return np.asarray(np.where(known, 2.0 * variance**2 / np.where(known, spread, 1.0), np.inf))


def joint_satterthwaite(M: Array, beta: Array, Phi: Array, S: Array, K: Array) -> tuple[float, float]:
    """F and its denominator degrees of freedom for rows ``M`` (l, p), of full rank."""
    values, vectors = np.linalg.eigh(M @ Phi @ M.T)
    rotated = vectors.T @ M
    squares = (rotated @ beta) ** 2 / values
    degrees = satterthwaite_degrees(rotated, Phi, S, K)
    F = float(squares.mean())
    rows = len(M)
    if rows == 1 or np.ptp(degrees) < 1e-8 * degrees.mean():
        return F, float(degrees.mean())
    E = float(np.sum(np.where(degrees > 2.0, degrees / np.maximum(degrees - 2.0, 1e-300), 0.0)))
    return F, (2.0 * E / (E - rows) if rows < E else 0.0)
