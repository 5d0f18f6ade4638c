r"""Sums of products over the pieces of every class: all that the likelihood needs of the data.

For a pair ``(a, b)`` of places of one class, with ``f_a`` the rotated rows of ``[U X y]``,

``S_ab = sum over pieces of f_a f_b'`` (plus its transpose where ``a`` and ``b`` differ),

so that for any symmetric ``K`` of the size of the class, ``sum over pieces of f' K f`` is the sum of
``K_ab S_ab`` over ``a <= b``, and for any symmetric ``M`` of the size of ``[U X y]``, ``sum over pieces of
f_a' M f_b`` is the product of ``M`` and ``S_ab`` (half of it where ``a`` and ``b`` differ). Both are plain
matrix products.

A piece touches the columns of ``U`` of its own group only, so that ``U'U`` is kept group by group.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.layout import Layout
from studykit.mixed.pieces import Pieces

Array = NDArray[np.float64]
Numbers = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Products:
    """Products of the columns: within ``U`` by group, between ``U`` and ``[X y]``, within ``[X y]``.

    Parameters
    ----------
    uu : ndarray, shape (m, k, groups, q, q)
    ux : ndarray, shape (m, k, groups, q, p + 1)
    xx : ndarray, shape (m, k, p + 1, p + 1)
    """

    uu: Array
    ux: Array
    xx: Array


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """Sums of products of every trial, pairs of places first.

    Parameters
    ----------
    columns : ndarray, shape (m or 1, pairs, p p + groups q q + groups q p)
        Products within ``[U X]``.
    outcome : ndarray, shape (m, pairs, p + 1 + groups q)
        Products of ``[X y U]`` with ``y``.
    """

    columns: Array
    outcome: Array
    p: int
    groups: int
    q: int

    def take(self, trials: Numbers) -> Sums:
        """The same for some of the trials."""
        return replace(self, columns=taken(self.columns, trials), outcome=self.outcome[trials])

    def moved(self, moves: list[Array]) -> Sums:
        """Pairs multiplied by matrices (m, pairs, pairs), one for every stack of classes."""
        ends = np.cumsum([0, *(move.shape[1] for move in moves)])
        columns, outcome = (
            np.concatenate(
                [move @ values[:, a:b] for move, (a, b) in zip(moves, pairwise(ends), strict=True)], axis=1
            )
            for values in (self.columns, self.outcome)
        )
        return replace(self, columns=columns, outcome=outcome)

    def products(self, packed: Array) -> Products:
        """``sum over pieces of f' K f`` for packed ``K`` (m, k, pairs)."""
        m, k, _ = packed.shape
        p, J, q = self.p, self.groups, self.q
        columns, outcome = _times(packed, self.columns), packed @ self.outcome
        xx = np.empty((m, k, p + 1, p + 1))
        xx[..., :p, :p] = columns[..., : p * p].reshape(m, k, p, p)
        xx[..., p, :] = xx[..., p] = outcome[..., : p + 1]
        ux = np.empty((m, k, J, q, p + 1))
        ux[..., :p] = columns[..., p * p + J * q * q :].reshape(m, k, J, q, p)
        ux[..., p] = outcome[..., p + 1 :].reshape(m, k, J, q)
        return Products(columns[..., p * p : p * p + J * q * q].reshape(m, k, J, q, q), ux, xx)

    def moments(self, weights: Products) -> Array:
        """Packed ``sum over pieces of f_a' M f_b`` (m, k, pairs) for symmetric ``M``, given by its parts."""
        m, k = weights.xx.shape[:2]
        p, inside = self.p, self.groups * self.q**2
        columns = np.empty((m, k, self.columns.shape[2]))
        columns[..., : p * p] = flat(weights.xx[..., :p, :p])
        columns[..., p * p : p * p + inside] = flat(weights.uu)
        columns[..., p * p + inside :] = flat(2.0 * weights.ux[..., :p])
        outcome = np.empty((m, k, self.outcome.shape[2]))
        outcome[..., :p] = 2.0 * weights.xx[..., p, :p]
        outcome[..., p] = weights.xx[..., p, p]
        outcome[..., p + 1 :] = flat(2.0 * weights.ux[..., p])
        return np.asarray(
            _times(columns, self.columns.swapaxes(1, 2)) + outcome @ self.outcome.swapaxes(1, 2)
        )


def products_per_pair(layout: Layout, p: int) -> int:
    """Products that are summed for every pair of places, the outcome's included."""
    q = layout.columns.shape[1]
    return int((p + 1) ** 2 + layout.groups * q * (q + p + 1))


def _times(left: Array, right: Array) -> Array:
    """``left @ right``, as one product where all trials share ``right``."""
    if len(right) > 1:
        return np.asarray(left @ right)
    return np.asarray((left.reshape(-1, left.shape[-1]) @ right[0]).reshape(*left.shape[:2], -1))


def add_up(layout: Layout, pieces: Pieces, X: Array, y: Array) -> Sums:
    """Sums of products of fixed effects (m or 1, n, p) and outcomes (m, n)."""
    m, p = len(y), X.shape[2]
    J, q = layout.groups, layout.columns.shape[1]
    U = np.broadcast_to(layout.columns, (len(X), *layout.columns.shape))
    F, f = _rotate(layout, pieces, np.concatenate([U, X], axis=2)), _rotate(layout, pieces, y[..., None])
    columns, outcome = pieces.by_pair.squares(F[..., q:], f)
    if J:
        uf, uy = pieces.by_group.add_both(F[..., :q], F, f)
        uf = uf.reshape(len(uf), pieces.pairs, J, q, q + p)
        columns += [uf[..., :q], uf[..., q:]]
        outcome.append(uy.reshape(len(uy), pieces.pairs, J * q))
    return Sums(
        np.concatenate([flat(part) for part in columns], axis=2),
        np.concatenate([np.broadcast_to(flat(part), (m, *flat(part).shape[1:])) for part in outcome], axis=2),
        p,
        J,
        q,
    )


def _rotate(layout: Layout, pieces: Pieces, values: Array) -> Array:
    """Rows (m or 1, n, w) by block, rotated: (m or 1, rows, w)."""
    padded = np.concatenate([values, np.zeros((len(values), 1, values.shape[2]))], axis=1)
    parts = []
    for stack, turn in zip(layout.stacks, pieces.rotations, strict=True):
        own = padded[:, stack.rows]
        own = own if turn is None else multiply(turn, own)
        parts.append(own.reshape(len(own), -1, values.shape[2]))
    return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=1)


def multiply(left: Array, right: Array) -> Array:
    """Matrix product of stacks (..., a, b) and (..., b, c), broadcast as by ``@``.

    Examples
    --------
    >>> multiply(np.eye(2), np.array([[1.0, 2.0], [3.0, 4.0]]))
    array([[1., 2.],
           [3., 4.]])
    """
    return np.asarray(left * right if left.shape[-1] == 1 else left @ right)


def multiply_all(left: Array, right: Array) -> Array:
    """All matrices of one trial, ``left`` (m, ..., a, b), times one matrix, ``right`` (m, b, c)."""
    product = left.reshape(len(left), -1, left.shape[-1]) @ right
    return np.asarray(product.reshape(*left.shape[:-1], right.shape[-1]))


def flat(values: Array, kept: int = 2) -> Array:
    """All axes after the first ``kept`` in one."""
    return values.reshape(*values.shape[:kept], -1)


def transposed(values: Array) -> Array:
    """The last two axes exchanged."""
    return values.swapaxes(-1, -2)


def taken(values: Array, trials: Numbers) -> Array:
    """Some of the trials (first axis), or the one that all share."""
    return values if len(values) == 1 else values[trials]
