"""Blocks of rows that may be correlated, and the ``V_i`` of their inner elements, one per kind of block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from studykit.mixed.parameters import triangle

Array = NDArray[np.float64]
Rows = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """Blocks of similar size, padded to one size and stacked.

    Parameters
    ----------
    rows : ndarray of int, shape (blocks, size)
        Row numbers; a padded place holds ``n``, the number of a row of zeros.
    kind : ndarray of int, shape (blocks,)
        Blocks of one kind have the same ``V_i``.
    basis : ndarray, shape (k_inner, kinds, size, size)
        Derivative ``V_i`` of every inner element, zero at padded places. For the autocorrelation it
        holds the lags instead, see `studykit.mixed.objective`.
    real : ndarray of bool, shape (kinds, size)
        False at padded places.
    """

    rows: Rows
    kind: Rows
    basis: Array
    real: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class BlockDescription:
    """What the ``V_i`` of inner elements depend on, row by row."""

    n: int
    effects: tuple[tuple[Rows, Array], ...]  # codes and design of every inner effect
    residual: str
    groups: Rows | None
    visits: Rows | None
    steps: Array | None  # from the group's first visit, where distances count

    def stack(self, rows: Rows) -> Stack:
        """Sort the blocks by kind, and build the ``V_i`` of each kind."""
        seen: dict[bytes, int] = {}
        marks = self._marks(rows)
        kind = np.array([seen.setdefault(mark.tobytes(), len(seen)) for mark in marks], np.intp)
        first = rows[np.unique(kind, return_index=True)[1]]
        return Stack(rows, kind, self._basis(first), first < self.n)

    def _marks(self, rows: Rows) -> Array:
        """Numbers that are equal in two blocks if these are of one kind: padding, levels, designs, visits."""
        parts: list[NDArray[Any]] = [rows < self.n]
        for codes, design in self.effects:
            parts += [_first_alike(_padded(codes, -1)[rows]), *np.moveaxis(_padded(design, 0.0)[rows], 2, 0)]
        if self.groups is not None:
            parts.append(_first_alike(_padded(self.groups, -1)[rows]))
        if self.visits is not None:
            parts.append(_padded(self.visits, -1)[rows])
        if self.steps is not None:
            parts.append(_padded(self.steps, 0.0)[rows])
        return np.concatenate([part.astype(float) for part in parts], axis=1)

    def _basis(self, rows: Rows) -> Array:
        n, real = self.n, rows < self.n
        parts = [_effect_basis(rows, n, codes, design) for codes, design in self.effects]
        diagonal = np.eye(rows.shape[1]) * real[:, :, None]
        if self.residual == "equal":
            parts.append(diagonal[None])
        elif self.residual == "autoregressive":
            assert self.groups is not None
            assert self.steps is not None
            parts.append(_lags(rows, n, self.groups, self.steps))
        else:
            assert self.visits is not None
            indicators = np.eye(int(self.visits.max()) + 1)[self.visits]
            if self.residual == "by visit":
                own = _padded(indicators, 0.0)[rows]
                parts.append(np.moveaxis(own, -1, 0)[:, :, :, None] * diagonal)
            else:
                assert self.groups is not None
                parts.append(_effect_basis(rows, n, self.groups, indicators))
        return np.concatenate(parts)


def _padded(values: Array | Rows, value: float) -> Array:
    """One more row for padded places."""
    return np.concatenate([values, np.full((1, *values.shape[1:]), value, values.dtype)])


def _first_alike(levels: Array) -> Rows:
    """For every place (blocks, size) the first place of its block with the same level."""
    return np.asarray((levels[:, :, None] == levels[:, None, :]).argmax(axis=2), np.intp)


def _effect_basis(rows: Rows, n: int, codes: Rows, design: Array) -> Array:
    """``z_a z_b' + z_b z_a'`` between rows of one level, for every element of the lower triangle."""
    same, z = _same_level(rows, n, codes), np.concatenate([design, np.zeros((1, design.shape[1]))])[rows]
    parts = []
    for a, b in zip(*triangle(design.shape[1]), strict=True):
        product = z[:, :, None, a] * z[:, None, :, b]
        parts.append(same * (product if a == b else product + np.swapaxes(product, 1, 2)))
    return np.array(parts)


def _lags(rows: Rows, n: int, codes: Rows, steps: Array) -> Array:
    """Two layers: whether two rows may be correlated, and how many smallest distances they are apart."""
    place = np.append(steps, 0.0)[rows]
    same = _same_level(rows, n, codes)
    return np.array([same, same * np.abs(place[:, :, None] - place[:, None, :])])


def _same_level(rows: Rows, n: int, codes: Rows) -> Array:
    level = np.append(codes, -1)[rows]
    real = rows < n
    return np.asarray(
        (level[:, :, None] == level[:, None, :]) & real[:, :, None] & real[:, None, :], dtype=float
    )


def stack_rows(blocks: Rows, n: int) -> list[Rows]:
    """Rows of the blocks, padded with ``n``, in one stack per class of sizes."""
    order = np.argsort(blocks, kind="stable")
    sizes = np.bincount(blocks[order])
    sizes = sizes[sizes > 0]
    starts = np.cumsum(np.concatenate([[0], sizes[:-1]]))
    largest = int(sizes.max())
    one_stack = len(sizes) * largest**2 <= 2.5 * float(np.sum(sizes.astype(float) ** 2))
    classes = np.full(len(sizes), largest) if one_stack else 2 ** np.ceil(np.log2(sizes)).astype(int)
    stacks = []
    for size in np.unique(classes):
        chosen = np.flatnonzero(classes == size)
        width = int(sizes[chosen].max())
        places = starts[chosen][:, None] + np.arange(width)
        real = np.arange(width) < sizes[chosen][:, None]
        stacks.append(np.where(real, order[np.where(real, places, 0)], n).astype(np.intp))
    return stacks


def joined(one: Rows, other: Rows) -> Rows:
    """Connected component of every row when rows of one level of either factor hang together."""
    if is_nested(one, other):
        return other
    if is_nested(other, one):
        return one
    levels = np.concatenate([one, other + int(one.max()) + 1])
    rows, size = np.tile(np.arange(len(one)), 2), len(one) + int(levels.max()) + 1
    graph = coo_array((np.ones(len(rows)), (rows, len(one) + levels)), shape=(size, size))
    parts = connected_components(graph, directed=False)[1][: len(one)]
    return np.unique(parts, return_inverse=True)[1].astype(np.intp)


def is_nested(fine: Rows, coarse: Rows) -> bool:
    """Whether every level of ``fine`` lies in one level of ``coarse``."""
    owner = np.zeros(int(fine.max()) + 1, np.intp)
    owner[fine] = coarse
    return np.array_equal(owner[fine], coarse)
