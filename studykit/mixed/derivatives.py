"""First and second derivatives of the likelihood by the covariance elements; symbols as in `objective`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.layout import Layout
from studykit.mixed.objective import Problem, StackState, State, inner_curvature

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
    C : ndarray, shape (m, k, w, w)
        ``C_i = F' B V_i B F``.
    """

    gradient: Array
    hessian: Array
    trace: Array
    C: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """Sums over blocks, filled stack by stack; rows and columns run over all elements."""

    gradient: Array  # tr(P V_i) - y'P V_i P y
    trace: Array  # tr(P V_i P V_j)
    square: Array  # y'P V_i B V_j P y
    curved: Array  # tr(P V_ij) - y'P V_ij P y
    C: Array  # F'B V_i B F
    h: Array  # F'B V_i P y


def differentiate(problem: Problem, state: State) -> Derivatives:
    """Gradient, Hessian and expected information at a state."""
    m, k, w = len(state.value), problem.layout.map.size, problem.r + problem.p
    sums = _Sums(
        np.zeros((m, k)),
        np.zeros((m, k, k)),
        np.zeros((m, k, k)),
        np.zeros((m, k, k)),
        np.zeros((m, k, w, w)),
        np.zeros((m, k, w)),
    )
    for part in state.stacks:
        _add_stack(problem.layout, part, state, sums)
    inner = problem.layout.inner
    turned = state.Omega_trace[:, None] @ sums.C[:, inner]
    everything = np.ix_(np.arange(m), inner, inner)
    sums.trace[everything] += _flat(turned) @ _flat(turned.swapaxes(2, 3)).swapaxes(1, 2)
    if len(problem.layout.outer_elements):
        _add_outer(problem, state, sums)
    square = sums.square - sums.h @ state.Omega @ sums.h.swapaxes(1, 2)
    return Derivatives(sums.gradient, 2.0 * square - sums.trace + sums.curved, sums.trace, sums.C)


def _add_stack(layout: Layout, part: StackState, state: State, sums: _Sums) -> None:
    """The share of one stack of blocks; all of it belongs to inner elements."""
    inner, basis = layout.inner, part.basis
    m = len(part.B)
    elements = basis.reshape(len(basis), len(inner), -1)
    H = (part.BF @ state.Omega_trace[:, None]) @ part.BF.swapaxes(-1, -2)
    slope = part.B - H - part.Br[..., :, None] * part.Br[..., None, :]
    sums.gradient[:, inner] += (elements @ slope.reshape(m, -1, 1))[..., 0]
    if part.stack.uniform:
        _add_uniform(part, inner, H, sums)
    else:
        _add_blocks(part, inner, H, sums)
    for (a, b), layer in inner_curvature(layout, part.stack, state.eta).items():
        value = np.einsum("mbst,mbst->m", slope, layer)
        sums.curved[:, inner[a], inner[b]] += value
        if a != b:
            sums.curved[:, inner[b], inner[a]] += value


def _add_blocks(part: StackState, inner: NDArray[np.intp], H: Array, sums: _Sums) -> None:
    """Products block by block."""
    basis, m = part.basis, len(part.B)
    everything = np.ix_(np.arange(m), inner, inner)
    elements = basis.reshape(len(basis), len(inner), -1)
    sandwich = (part.B - 2.0 * H)[:, None] @ basis @ part.B[:, None]
    sums.trace[everything] += _flat(sandwich) @ elements.swapaxes(1, 2)

    BF = part.BF.reshape(m, -1, part.BF.shape[-1])
    moved = (basis @ part.BF[:, None]).reshape(m, len(inner), *BF.shape[1:])
    sums.C[:, inner] += BF.swapaxes(1, 2)[:, None] @ moved
    f = (basis @ part.Br[:, None, ..., None])[..., 0]
    Bf = (part.B[:, None] @ f[..., None])[..., 0]
    sums.square[everything] += _flat(f) @ _flat(Bf).swapaxes(1, 2)
    sums.h[:, inner] += _flat(f) @ BF


def _add_uniform(part: StackState, inner: NDArray[np.intp], H: Array, sums: _Sums) -> None:
    """The same where all blocks share one basis ``D_i``: first sum products of pairs of rows over blocks.

    For instance ``sum_c tr((B_c - 2 H_c) D_i B_c D_j)`` is ``D_i`` and ``D_j`` contracted with
    ``sum_c (B_c - 2 H_c)_st (B_c)_uv``.
    """
    m, blocks, size, w = part.BF.shape
    k = len(inner)
    D = part.basis[:, :, 0].reshape(len(part.basis), k, size * size)
    everything = np.ix_(np.arange(m), inner, inner)
    B = part.B.reshape(m, blocks, -1)
    first = (part.B - 2.0 * H).reshape(m, blocks, -1).swapaxes(1, 2) @ B
    pairs = (part.Br[..., :, None] * part.Br[..., None, :]).reshape(m, blocks, -1).swapaxes(1, 2) @ B
    for product, target, order in (
        (first, sums.trace, (0, 2, 3, 4, 1)),
        (pairs, sums.square, (0, 1, 3, 4, 2)),
    ):
        # (s, t | u, v): (B - 2H)_st D_i[t, u] B_uv D_j[v, s], and Br_s D_i[s, u] B_uv D_j[v, t] Br_t.
        ordered = product.reshape(m, size, size, size, size).transpose(order).reshape(m, size * size, -1)
        target[everything] += D @ ordered @ D.swapaxes(1, 2)
    BF = part.BF.reshape(m, blocks, size * w)
    rows = (BF.swapaxes(1, 2) @ BF).reshape(m, size, w, size, w).transpose(0, 1, 3, 2, 4)
    sums.C[:, inner] += (D @ rows.reshape(m, size * size, w * w)).reshape(m, k, w, w)
    scores = (BF.swapaxes(1, 2) @ part.Br).reshape(m, size, w, size).transpose(0, 1, 3, 2)
    sums.h[:, inner] += D @ scores.reshape(m, size * size, w)


def _add_outer(problem: Problem, state: State, sums: _Sums) -> None:
    """Everything that belongs to outer elements, in the coordinates of ``F``."""
    layout, r = problem.layout, problem.r
    inner, outer, D = layout.inner, layout.outer_elements, layout.outer_basis
    m, w = len(state.value), state.C.shape[-1]
    C, Omega = state.C, state.Omega_trace
    a = _outer_scores(problem, state)
    e = np.zeros((m, len(outer), w))
    e[..., :r] = (D[None] @ a[:, None, :, None])[..., 0]
    middle = (C - C @ Omega @ C)[:, :r, :r]
    flat_D = D.reshape(len(outer), -1)
    sums.gradient[:, outer] = middle.reshape(m, -1) @ flat_D.T - (e[..., :r] @ a[..., None])[..., 0]
    side = np.eye(w) - Omega @ C
    between = side[:, None, :, :r].swapaxes(2, 3) @ sums.C[:, inner] @ side[:, None, :, :r]
    cross = _flat(between) @ flat_D.T
    twice = D[None] @ middle[:, None]
    both = _flat(twice) @ _flat(twice.swapaxes(2, 3)).swapaxes(1, 2)
    rows = np.arange(m)
    sums.trace[np.ix_(rows, outer, outer)] = both
    sums.trace[np.ix_(rows, inner, outer)] = cross
    sums.trace[np.ix_(rows, outer, inner)] = cross.swapaxes(1, 2)

    mixed = sums.h[:, inner] @ e.swapaxes(1, 2)
    h_outer = e @ C
    sums.square[np.ix_(rows, inner, outer)] = mixed
    sums.square[np.ix_(rows, outer, inner)] = mixed.swapaxes(1, 2)
    sums.square[np.ix_(rows, outer, outer)] = h_outer @ e.swapaxes(1, 2)
    sums.h[:, outer] = h_outer
    sums.C[:, outer] = C[:, None, :, :r] @ D[None] @ C[:, None, :r, :]


def _outer_scores(problem: Problem, state: State) -> Array:
    """``a = U'P y`` (m, r)."""
    total = np.zeros((len(state.value), problem.r))
    for part, data in zip(state.stacks, problem.data, strict=True):
        U = data.F[..., : problem.r].reshape(len(data.F), -1, problem.r)
        total += (U.swapaxes(1, 2) @ part.Br.reshape(len(total), -1, 1))[..., 0]
    return total


def _flat(values: Array) -> Array:
    """Everything after the first two axes in one."""
    return values.reshape(*values.shape[:2], -1)
