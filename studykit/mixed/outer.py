"""Columns of the random effects that are eliminated across blocks, group by group.

Rows of different groups share no level of an outer effect and no block: trainers under studios fall into
studios, trainers alone into trainers; factors that cross are one group. All groups have the same columns,
those of the largest one; a smaller group's others are zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.blocks import joined
from studykit.mixed.parameters import triangle

Array = NDArray[np.float64]
Rows = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class OuterEffect:
    """Where one effect stands: its number among the effects, first column, levels, and columns per level."""

    effect: int
    start: int
    levels: int
    order: int

    @property
    def stop(self) -> int:
        """Column after its last one."""
        return self.start + self.levels * self.order


@dataclass(frozen=True, slots=True, eq=False)
class GroupedEffect(OuterEffect):
    """The same within a group; ``levels`` are the most that a group has.

    Parameters
    ----------
    group, place : ndarray of int
        For every level its group, and its place there.
    """

    group: Rows
    place: Rows

    @property
    def columns(self) -> Rows:
        """Columns (levels, order) of every level in its group."""
        return self.start + self.place[:, None] * self.order + np.arange(self.order)


@dataclass(frozen=True, slots=True, eq=False)
class Outer:
    """All outer effects.

    Parameters
    ----------
    effects : tuple of GroupedEffect
    group : ndarray of int, shape (n,)
        Group of every row.
    groups : int
        Their number; 0 without outer effects.
    columns : ndarray, shape (n, q)
        Each row's columns of ``U`` in its own group.
    basis : ndarray, shape (k_outer, q, q)
        Derivative by every outer element of ``D`` in one group; all groups have the same.
    """

    effects: tuple[GroupedEffect, ...]
    group: Rows
    groups: int
    columns: Array
    basis: Array


def build_outer(numbers: list[int], codes: list[Rows], designs: tuple[Array, ...], blocks: Rows) -> Outer:
    """Lay out the outer effects ``numbers``; ``blocks`` (n,) holds the block of every row."""
    orders = [design.shape[1] for design in designs]
    effects, group = _placed(numbers, codes, orders, blocks)
    width = effects[-1].stop if effects else 0
    columns = np.zeros((len(blocks), width))
    basis: list[Array] = []
    for item in effects:
        at = item.columns[codes[item.effect]]
        np.put_along_axis(columns, at, designs[item.effect], axis=1)
        for a, b in zip(*triangle(item.order), strict=True):
            small = np.zeros((item.order, item.order))
            small[a, b] = small[b, a] = 1.0
            layer = np.zeros((width, width))
            layer[item.start : item.stop, item.start : item.stop] = np.kron(np.eye(item.levels), small)
            basis.append(layer)
    groups = int(group.max()) + 1 if effects else 0
    return Outer(effects, group, groups, columns, np.array(basis).reshape(len(basis), width, width))


def columns_in_group(numbers: list[int], codes: list[Rows], orders: list[int], blocks: Rows) -> int:
    """Columns of ``U`` in a group, if ``numbers`` are the outer effects."""
    effects, _ = _placed(numbers, codes, orders, blocks)
    return effects[-1].stop if effects else 0


def _placed(
    numbers: list[int], codes: list[Rows], orders: list[int], blocks: Rows
) -> tuple[tuple[GroupedEffect, ...], Rows]:
    """The outer effects in their groups, and the group of every row; one group where that is smaller."""
    group = blocks if numbers else np.zeros_like(blocks)
    for k in numbers:
        group = joined(group, codes[k])
    effects = _in_groups(numbers, codes, orders, group)
    whole = _in_groups(numbers, codes, orders, np.zeros_like(group))
    if effects and (int(group.max()) + 1) * effects[-1].stop ** 2 > whole[-1].stop ** 2:
        return whole, np.zeros_like(group)
    return effects, group


def _in_groups(
    numbers: list[int], codes: list[Rows], orders: list[int], group: Rows
) -> tuple[GroupedEffect, ...]:
    effects: list[GroupedEffect] = []
    start = 0
    for k in numbers:
        own = np.zeros(int(codes[k].max()) + 1, np.intp)
        own[codes[k]] = group
        size = np.bincount(own)
        order = np.argsort(own, kind="stable")
        place = np.empty_like(own)
        place[order] = np.arange(len(own)) - (np.cumsum(size) - size)[own[order]]
        effects.append(GroupedEffect(k, start, int(size.max()), orders[k], own, place))
        start = effects[-1].stop
    return tuple(effects)
