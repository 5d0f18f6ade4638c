r"""First and second derivatives of the likelihood by the covariance elements; symbols as in `objective`.

With ``V_i`` the derivative of ``V`` by element ``i`` and ``V_ij`` the second one (Harville 1977),

``f_i  = tr(P V_i) - y' P V_i P y``

``f_ij = -tr(P V_i P V_j) + 2 y' P V_i P V_j P y + tr(P V_ij) - y' P V_ij P y``.

The expected information is ``tr(P V_i P V_j) / 2``. With ``P = V^-1 - V^-1 X Phi X' V^-1`` the fixed effects
enter through ``X_i = X~' V^-1 V_i V^-1 X~`` alone:

``tr(P V_i P V_j)     = ... + tr(Phi X_i Phi X_j)``, ``y' P V_i P V_j P y = ... - (X_i v)' Phi (X_j v)``.

Inner elements, with ``C_i`` the products of ``[U X~]`` over ``B V_i B`` instead of ``B``:

| ``a_i = C_i,uu E + C_i,ux = U' B V_i V^-1 X~``,  ``X_i = C_i,xx + C_i,xu E + E' a_i``
| ``T``, ``R``: sums over the pieces of a class of ``f M f'``, ``M`` from ``Phi`` and ``N``, or from ``v v'``
| ``B n - B T B`` and ``B R B``: sums over pieces of the diagonal blocks of ``P`` and ``P y y' P``
| ``... = sum over classes <(n B - 2 B T B) V_i B, V_j> + tr(N C_i,uu N C_j,uu) + 2 tr(Phi a_i' N a_j)``
| ``... = sum over classes <(B R B) V_i B, V_j> - (a_i v)' N (a_j v)``

Outer elements, ``V_o = U D_o U'``, in the coordinates of ``U``, with ``s = I - N C_uu``:

| ``G = U' V^-1 U = C_uu s``, ``A = U' V^-1 X~ = C_ux + C_uu E``, ``X_o = A' D_o A``
| ``G_i = U' V^-1 V_i V^-1 U = s' C_i,uu s`` or ``G D_o G``
| ``b_i = U' V^-1 V_i V^-1 X~ = s' a_i`` or ``G D_o A``
| ``... = <D_o, G_i - 2 b_i Phi A'>``, ``... = (b_i v)' D_o (A v)``

Maximum likelihood has ``V^-1`` for ``P`` in the traces: there ``Phi`` is put to zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.objective import Problem, State, class_curvature
from studykit.mixed.sums import Products, flat, multiply, multiply_all, transposed

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Derivatives:
    """Derivatives of ``f = -2 log L`` by ``eta``.

    Parameters
    ----------
    gradient : ndarray, shape (m, k)
    hessian : ndarray, shape (m, k, k)
    trace : ndarray, shape (m, k, k)
        ``tr(P V_i P V_j)``: twice the expected information (by ML, with ``V^-1`` for ``P``).
    X : ndarray, shape (m, k, p + 1, p + 1)
        ``X_i``.
    inner : ndarray, shape (m, k_inner, groups, q, p + 1)
        ``a_i``.
    outer : ndarray, shape (m, k, groups, q, p + 1)
        ``b_i``, inner elements first.
    A : ndarray, shape (m, groups, q, p + 1)
    """

    gradient: Array
    hessian: Array
    trace: Array
    X: Array
    inner: Array
    outer: Array
    A: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """Gradient, traces, squares and ``V_ij`` terms of all elements, inner ones first."""

    gradient: Array
    trace: Array
    square: Array
    curved: Array
    X: Array

    @classmethod
    def empty(cls, m: int, k: int, w: int) -> _Parts:
        trace, square = np.empty((m, k, k)), np.empty((m, k, k))
        return cls(np.empty((m, k)), trace, square, np.zeros((m, k, k)), np.empty((m, k, w, w)))


def differentiate(problem: Problem, state: State) -> Derivatives:
    """Gradient, Hessian and expected information at a state."""
    layout, p = problem.layout, problem.p
    m, k = len(state.value), layout.map.size
    Phi = np.zeros((m, p + 1, p + 1))
    Phi[:, :p, :p] = state.Phi
    Phi_trace = Phi if problem.reml else np.zeros_like(Phi)
    parts = _Parts.empty(m, k, p + 1)
    C = _classes(problem, state, Phi_trace, parts)
    a = C.ux
    if layout.groups:
        a = _inner_with_outer(state, C, Phi_trace, parts)
        b, A = _outer(problem, state, C, a, Phi_trace, parts)
    else:
        parts.X[:] = C.xx
        b, A = a, a[:, 0]
    turned = multiply_all(parts.X, Phi_trace)
    trace = parts.trace + flat(turned) @ transposed(flat(transposed(turned)))
    score = multiply_all(parts.X, state.v[..., None])[..., 0]
    square = parts.square - score @ Phi @ transposed(score)
    back = np.argsort(np.concatenate([layout.inner, layout.outer_elements]))
    hessian = 2.0 * square - trace + parts.curved
    grid = np.s_[:, back[:, None], back]
    return Derivatives(parts.gradient[:, back], hessian[grid], trace[grid], parts.X[:, back], a, b, A)


def _classes(problem: Problem, state: State, Phi: Array, parts: _Parts) -> Products:
    """What belongs to inner elements class by class, and ``C_i``."""
    layout, inside = problem.layout, len(problem.layout.inner)
    moments = problem.sums.moments(_weights(state, Phi))
    here = np.s_[:, :inside, :inside]
    parts.gradient[:, :inside] = 0.0
    parts.trace[here] = parts.square[here] = 0.0
    packed = []
    start = 0
    for part in state.classes:
        classes, D, B = part.classes, part.basis, part.B
        stop = start + len(classes.packed)
        own = moments[..., start:stop][..., classes.unpacked] * classes.share
        start = stop
        whole = part.counts[..., None, None] * B
        T, R = (multiply(multiply(B, own[:, row]), B) for row in (0, 1))
        elements = flat(D)
        slope = whole - T - R
        parts.gradient[:, :inside] += (elements @ flat(slope, 1)[..., None])[..., 0]
        DB = multiply(D, B[:, None])
        weights = np.stack([whole - 2.0 * T, R], axis=1)
        products = multiply(weights[:, :, None], DB[:, None])
        found = _times_shared(products.reshape(len(products), 2 * inside, -1), elements)
        parts.trace[here] += found[:, :inside]
        parts.square[here] += found[:, inside:]
        for (i, j), layer in class_curvature(layout, classes, state.eta).items():
            value = (slope * layer).sum(axis=(1, 2, 3))
            parts.curved[:, i, j] += value
            if i != j:
                parts.curved[:, j, i] += value
        packed.append(flat(multiply(B[:, None], DB))[..., classes.packed])
    return problem.sums.products(packed[0] if len(packed) == 1 else np.concatenate(packed, axis=-1))


def _times_shared(left: Array, right: Array) -> Array:
    """``left @ right'`` (m, i, j), as one product where all trials share ``right``."""
    if len(right) > 1:
        return np.asarray(left @ transposed(right))
    return np.asarray((left.reshape(-1, left.shape[-1]) @ right[0].T).reshape(*left.shape[:2], -1))


def _weights(state: State, Phi: Array) -> Products:
    """``M`` of ``T`` and of ``R``, along the second axis."""
    E, v = state.E, state.v
    m, J, q, w = E.shape
    EPhi, Ev = multiply_all(E, Phi), multiply_all(E, v[..., None])
    M = Products(np.empty((m, 2, J, q, q)), np.empty((m, 2, J, q, w)), np.empty((m, 2, w, w)))
    M.uu[:, 0], M.uu[:, 1] = state.N + EPhi @ transposed(E), Ev * transposed(Ev)
    M.ux[:, 0], M.ux[:, 1] = EPhi, Ev * v[:, None, None, :]
    M.xx[:, 0], M.xx[:, 1] = Phi, v[:, :, None] * v[:, None, :]
    return M


def _inner_with_outer(state: State, C: Products, Phi: Array, parts: _Parts) -> Array:
    """``a_i``, ``X_i`` and what ``N`` adds to the traces and squares of inner elements."""
    m, inside = C.xx.shape[:2]
    E, N, w = state.E[:, None], state.N[:, None], C.xx.shape[-1]
    half = 0.5 * multiply(C.uu, E)
    a = C.ux + 2.0 * half
    EF = transposed(E.reshape(m, 1, -1, w))
    side = EF @ (C.ux + half).reshape(m, inside, -1, w)
    parts.X[:, :inside] = C.xx + side + transposed(side)
    here = np.s_[:, :inside, :inside]
    NC, Na = multiply(N, C.uu), multiply(N, a)
    parts.trace[here] += flat(NC) @ transposed(flat(transposed(NC)))
    parts.trace[here] += 2.0 * flat(Na) @ transposed(flat(multiply_all(a, Phi)))
    score = multiply_all(a, state.v[..., None])
    parts.square[here] -= flat(multiply(N, score)) @ transposed(flat(score))
    return a


def _outer(
    problem: Problem, state: State, C: Products, a: Array, Phi: Array, parts: _Parts
) -> tuple[Array, Array]:
    """Everything that belongs to outer elements; ``b_i`` of all elements and ``A``."""
    D, inside = problem.layout.outer_basis[:, None], C.xx.shape[1]
    uu, ux = state.C.uu[:, 0], state.C.ux[:, 0]
    m, k, w = len(uu), len(parts.X[0]), ux.shape[-1]
    s = np.eye(uu.shape[-1]) - multiply(state.N, uu)
    G, A = multiply(uu, s), ux + multiply(uu, state.E)
    turn = transposed(s)[:, None]
    GD = multiply(G[:, None], D)
    b = np.concatenate([multiply(turn, a), multiply(GD, A[:, None])], axis=1)
    G_i = np.concatenate([multiply(multiply(turn, C.uu), s[:, None]), multiply(GD, G[:, None])], axis=1)
    DA = multiply(D, A[:, None])
    AF = transposed(A.reshape(m, 1, -1, w))
    parts.X[:, inside:] = AF @ DA.reshape(m, k - inside, -1, w)
    APhi, Av = multiply_all(A, Phi), multiply_all(A, state.v[..., None])[..., 0]
    elements = problem.layout.outer_basis.reshape(len(D), -1)
    slope = G - APhi @ transposed(A) - Av[..., :, None] * Av[..., None, :]
    parts.gradient[:, inside:] = slope.sum(axis=1).reshape(m, -1) @ elements.T
    around = G_i.sum(axis=2) - 2.0 * _over_groups(b, APhi)
    cross = flat(around) @ elements.T
    squares = flat(multiply_all(b, state.v[..., None])) @ transposed(
        flat(multiply(D, Av[:, None, ..., None]))
    )
    parts.trace[:, :, inside:], parts.square[:, :, inside:] = cross, squares
    parts.trace[:, inside:, :inside] = transposed(cross[:, :inside])
    parts.square[:, inside:, :inside] = transposed(squares[:, :inside])
    return b, A


def _over_groups(left: Array, right: Array) -> Array:
    """``sum over groups of left_i right'`` (m, i, q, q) of (m, i, groups, q, w) and (m, groups, q, w)."""
    m, i, _, q, _ = left.shape
    sides = left.swapaxes(2, 3).reshape(m, i * q, -1) @ transposed(right.swapaxes(1, 2).reshape(m, q, -1))
    return np.asarray(sides.reshape(m, i, q, q))
