r"""The (restricted) likelihood and its exact first and second derivatives, for one trial or many at once.

Model: ``y = X beta + sum Z_k b_k + e``, so ``V = A + U D U'`` with ``A`` block diagonal
(see `studykit.mixed.layout`). Write

========================== =============================================================================
``B = A^-1``               block by block
``F = [U X]``, ``C``       all columns eliminated across blocks; ``C = F' B F``
``L``                      factor of ``D``, ``D = L L'``; may be singular
``Omega``                  ``T (T' C T + diag(I, 0))^-1 T'``, ``T = diag(L, I)``: inverse of Henderson's
                           mixed model equations, with a zero variance an ordinary value
``P``                      ``V^-1 - V^-1 X Phi X' V^-1 = B - B F Omega F' B``, ``Phi = (X' V^-1 X)^-1``
``r``                      ``y - F Omega F' B y``, so that ``P y = B r``
========================== =============================================================================

Then (Harville 1977; Bates, Maechler, Bolker & Walker 2015)

``f = -2 log L = log|A| + log|T' C T + diag(I, 0)| + y' P y + (n - p) log(2 pi)``   (REML; no ``log|X'X|``)

and, with ``V_i`` the derivative of ``V`` by element ``i`` and ``V_ij`` the second one,

``f_i  = tr(P V_i) - y' P V_i P y``

``f_ij = -tr(P V_i P V_j) + 2 y' P V_i P V_j P y + tr(P V_ij) - y' P V_ij P y``.

The expected information is ``tr(P V_i P V_j) / 2``. For an inner element all of it comes from the blocks
and from ``C_i = F' B V_i B F``, since ``P`` is needed on the diagonal blocks only::

    tr(P V_i)       = sum over blocks of <B - H, V_i>,            H = B F Omega F' B
    tr(P V_i P V_j) = sum over blocks of tr((B - 2 H) V_i B V_j) + tr(Omega C_i Omega C_j)

For an outer element, ``V_o = U D_o U'``, everything is in the coordinates of ``F``:
``C_o = C_.U D_o C_U.``, ``U'PU = (C - C Omega C)_UU``. Maximum likelihood replaces ``Omega`` in the traces
by its part that eliminates ``U`` alone.

Every array has the trials along its first axis; one fit is one trial.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.layout import Layout, Stack

Array = NDArray[np.float64]
LOG_2PI = math.log(2.0 * math.pi)


@dataclass(frozen=True, slots=True, eq=False)
class StackData:
    """One stack of blocks with its data: ``F`` (m or 1, blocks, size, w), ``y`` (m, blocks, size)."""

    stack: Stack
    F: Array
    y: Array
    present: Array | None  # (m, blocks, size): 1 where a row is used; None if all are

    def take(self, trials: NDArray[np.intp]) -> StackData:
        """The same for some of the trials."""
        return StackData(
            self.stack,
            self.F if len(self.F) == 1 else self.F[trials],
            self.y[trials],
            None if self.present is None or len(self.present) == 1 else self.present[trials],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """A model with its data: what `evaluate` needs.

    Parameters
    ----------
    layout : Layout
    data : tuple of StackData
    rows : ndarray, shape (m,)
        Rows used in every trial.
    p : int
        Columns of the fixed effects.
    reml : bool
    """

    layout: Layout
    data: tuple[StackData, ...]
    rows: Array
    p: int
    reml: bool

    @property
    def trials(self) -> int:
        """Number of trials."""
        return len(self.rows)

    @property
    def r(self) -> int:
        """Columns of ``U``."""
        return int(self.layout.columns.shape[1])

    def take(self, trials: NDArray[np.intp]) -> Problem:
        """The same for some of the trials."""
        parts = tuple(part.take(trials) for part in self.data)
        return Problem(self.layout, parts, self.rows[trials], self.p, self.reml)


def build_problem(
    layout: Layout, y: Array, X: Array, *, reml: bool, observed: NDArray[np.bool_] | None = None
) -> Problem:
    """Arrange outcomes (m, n) and fixed effects (m or 1, n, p) by block.

    Rows that are not observed are taken out exactly: their covariances are put to zero and their
    columns of ``F`` and values of ``y`` with them.
    """
    m, n = y.shape
    U = np.broadcast_to(layout.columns, (len(X), *layout.columns.shape))
    F = np.concatenate([U, X], axis=2)
    if observed is not None:
        y = np.where(observed, y, 0.0)
        F = F * observed[:, :, None]
    y = np.concatenate([y, np.zeros((m, 1))], axis=1)
    F = np.concatenate([F, np.zeros((len(F), 1, F.shape[2]))], axis=1)
    used = None if observed is None else np.concatenate([observed, np.zeros((m, 1), bool)], axis=1)
    parts = tuple(
        StackData(
            stack,
            F[:, stack.rows],
            y[:, stack.rows],
            None if used is None else used[:, stack.rows].astype(float),
        )
        for stack in layout.stacks
    )
    rows = np.full(m, float(n)) if observed is None else observed.sum(axis=1).astype(float)
    return Problem(layout, parts, rows, X.shape[2], reml)


@dataclass(frozen=True, slots=True, eq=False)
class StackState:
    """What one stack holds at given parameters."""

    stack: Stack
    basis: Array  # (m or 1, k_inner, blocks, size, size)
    B: Array
    BF: Array
    Br: Array


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """The likelihood at given parameters, with all that its derivatives need.

    ``scale`` is the factor by which the given covariance was multiplied to reach the best scale; every
    other field already belongs to the scaled covariance.
    """

    value: Array
    scale: Array
    eta: Array
    stacks: tuple[StackState, ...]
    C: Array
    Omega: Array
    Omega_trace: Array
    N: Array
    omega: Array

    @property
    def finite(self) -> NDArray[np.bool_]:
        """Trials whose covariance could be inverted."""
        return np.isfinite(self.value)


def evaluate(problem: Problem, psi: Array, *, rescale: bool = True) -> State:
    """The likelihood of every trial at ``psi`` (m, k), at the best scale of the covariance."""
    layout, r, w = problem.layout, problem.r, problem.r + problem.p
    eta = layout.map.elements(psi)
    m = len(psi)
    logdet, yBy = np.zeros(m), np.zeros(m)
    C, c = np.zeros((m, w, w)), np.zeros((m, w))
    stacks: list[StackState] = []
    for part in problem.data:
        basis = inner_basis(layout, part.stack, eta)
        B, log_a = _inverse(layout, part, basis, eta)
        BF = B @ part.F
        By = (B @ part.y[..., None])[..., 0]
        logdet += log_a
        C += _rows(part.F).swapaxes(1, 2) @ _rows(BF)
        c += np.einsum("maw,ma->mw", _rows(BF), part.y.reshape(m, -1))
        yBy += np.einsum("ma,ma->m", By.reshape(m, -1), part.y.reshape(m, -1))
        stacks.append(StackState(part.stack, basis, B, BF, By))
    T = _outer_factor(problem, psi)
    inverse, log_c, log_u, N = _eliminate(C, T, r)
    logdet = logdet + (log_c if problem.reml else log_u)
    Omega = T @ inverse @ T.swapaxes(1, 2)
    omega = (Omega @ c[..., None])[..., 0]
    quadratic = yBy - np.einsum("mw,mw->m", c, omega)
    degrees = problem.rows - problem.p if problem.reml else problem.rows
    logdet = np.where(np.isfinite(logdet) & (quadratic > 0.0), logdet, np.inf)
    scale = np.where(quadratic > 0.0, quadratic / degrees, 1.0) if rescale else np.ones(m)
    value = (
        logdet
        + degrees * np.log(scale)
        + quadratic / scale
        + (problem.rows - problem.p * problem.reml) * LOG_2PI
    )
    return _scaled(problem, value, scale, eta, stacks, C, Omega, N, omega)


def _scaled(
    problem: Problem,
    value: Array,
    scale: Array,
    eta: Array,
    stacks: list[StackState],
    C: Array,
    Omega: Array,
    N: Array,
    omega: Array,
) -> State:
    """Everything at the covariance multiplied by ``scale``."""
    by2, by3 = scale[:, None], scale[:, None, None]
    by4 = by3[..., None]
    linear = problem.layout.map.linear
    moved = tuple(
        StackState(
            part.stack,
            _scaled_basis(problem.layout, part.basis, scale),
            part.B / by4,
            part.BF / by4,
            (part.Br - (part.BF @ omega[:, None, :, None])[..., 0]) / by3,
        )
        for part in stacks
    )
    Omega, N = Omega * by3, N * by3
    return State(
        value=value,
        scale=scale,
        eta=np.where(linear, eta, eta * by2),
        stacks=moved,
        C=C / by3,
        Omega=Omega,
        Omega_trace=Omega if problem.reml else N,
        N=N,
        omega=omega,
    )


def inner_basis(layout: Layout, stack: Stack, eta: Array) -> Array:
    """Derivative of ``A`` by every inner element, shape (m or 1, k, blocks, size, size)."""
    if not layout.autocorrelation:
        return stack.basis[None]
    variance, rho = eta[:, -2, None, None, None], eta[:, -1, None, None, None]
    same, lag = stack.basis[-2][None], stack.basis[-1][None]
    power = same * rho**lag
    slope = variance * same * lag * rho ** np.maximum(lag - 1.0, 0.0)
    others = np.broadcast_to(stack.basis[:-2][None], (len(eta), *stack.basis[:-2].shape))
    return np.concatenate([others, power[:, None], slope[:, None]], axis=1)


def inner_curvature(layout: Layout, stack: Stack, eta: Array) -> dict[tuple[int, int], Array]:
    """Second derivatives of ``A`` that are not zero, by places among the inner elements.

    Only ``variance * rho^lag`` is not linear in its elements.
    """
    if not layout.autocorrelation:
        return {}
    variance, rho = eta[:, -2, None, None, None], eta[:, -1, None, None, None]
    same, lag = stack.basis[-2][None], stack.basis[-1][None]
    last = len(layout.inner) - 1
    once = same * lag * rho ** np.maximum(lag - 1.0, 0.0)
    twice = variance * same * lag * (lag - 1.0) * rho ** np.maximum(lag - 2.0, 0.0)
    return {(last - 1, last): once, (last, last): twice}


def _scaled_basis(layout: Layout, basis: Array, scale: Array) -> Array:
    """Only the derivative by the autocorrelation changes with the scale of the covariance."""
    if not layout.autocorrelation:
        return basis
    factor = np.ones((len(scale), basis.shape[1]))
    factor[:, -1] = scale
    return basis * factor[..., None, None, None]


def _inverse(layout: Layout, part: StackData, basis: Array, eta: Array) -> tuple[Array, Array]:
    """``B`` (zero where a row is absent) and ``log|A|``; infinite where ``A`` cannot be inverted."""
    m = len(eta)
    weights = eta[:, layout.inner]
    if layout.autocorrelation:
        weights = np.where(layout.map.linear[layout.inner], 0.0, weights)
    flat = basis.reshape(len(basis), basis.shape[1], -1)
    A = (weights @ flat[0] if len(flat) == 1 else np.einsum("mk,mkx->mx", weights, flat)).reshape(
        m, *basis.shape[2:]
    )
    real = (part.stack.rows < layout.n).astype(float)[None] if part.present is None else part.present
    both = real[..., :, None] * real[..., None, :]
    if part.present is not None:
        A *= both
    places = np.arange(A.shape[-1])
    A[..., places, places] += 1.0 - real
    good = np.ones(m, bool)
    try:
        factor = np.linalg.cholesky(A)
    except np.linalg.LinAlgError:
        good = np.linalg.eigvalsh(A).min(axis=(1, 2)) > 1e-14 * np.abs(A).max(axis=(1, 2, 3))
        A[~good] = np.eye(A.shape[-1])
        factor = np.linalg.cholesky(A)
    logdet = 2.0 * np.log(factor[..., places, places]).sum(axis=(1, 2))
    return np.linalg.inv(A) * both, np.where(good, logdet, np.inf)


def _outer_factor(problem: Problem, psi: Array) -> Array:
    """``T = diag(L, I)``, shape (m, w, w)."""
    w = problem.r + problem.p
    T = np.zeros((len(psi), w, w))
    T[:, np.arange(problem.r, w), np.arange(problem.r, w)] = 1.0
    for item in problem.layout.outer:
        small = problem.layout.map.blocks[item.effect].factor(psi)
        for a in range(item.order):
            for b in range(a + 1):
                rows = np.arange(item.start + a, item.stop, item.order)
                T[:, rows, rows - a + b] = small[:, a, b, None]
    return T


def _eliminate(C: Array, T: Array, r: int) -> tuple[Array, Array, Array, Array]:
    """Inverse of ``M = T'CT + diag(I, 0)``, its log-determinant, the same of ``U`` alone, and ``N``.

    ``N`` (m, w, w) is ``Omega`` when nothing but ``U`` is eliminated: ``V^-1 = B - B F N F' B``.
    """
    m, w = len(C), C.shape[-1]
    M = T.swapaxes(1, 2) @ C @ T
    M[:, np.arange(r), np.arange(r)] += 1.0
    good = np.ones(m, bool)
    try:
        factor = np.linalg.cholesky(M)
    except np.linalg.LinAlgError:
        good = np.array([_is_positive(one) for one in M])
        M[~good] = np.eye(w)
        factor = np.linalg.cholesky(M)
    logs = 2.0 * np.log(np.diagonal(factor, axis1=1, axis2=2))
    N = np.zeros_like(M)
    if r:
        N[:, :r, :r] = T[:, :r, :r] @ np.linalg.inv(M[:, :r, :r]) @ T[:, :r, :r].swapaxes(1, 2)
    total = np.where(good, logs.sum(axis=1), np.inf)
    of_U = np.where(good, logs[:, :r].sum(axis=1), np.inf)
    return np.asarray(np.linalg.inv(M)), np.asarray(total), np.asarray(of_U), N


def _is_positive(matrix: Array) -> bool:
    try:
        np.linalg.cholesky(matrix)
    except np.linalg.LinAlgError:
        return False
    return True


def _rows(values: Array) -> Array:
    """Blocks laid one under the other: (m, blocks * size, w)."""
    return values.reshape(len(values), -1, values.shape[-1])
