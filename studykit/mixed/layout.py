"""Which random effects are inverted inside small blocks of rows, and which are eliminated across them.

``V = A + U D U'``. ``A`` holds the residuals and the *inner* effects (client, client by exercise): its
rows fall into small unconnected blocks. ``U`` holds the columns of the *outer* effects (trainers of many
clients, crossed factors), few columns that touch many blocks, and is eliminated group by group
(see `studykit.mixed.layout`).

Finest factors first, an effect becomes inner where larger blocks cost less than more columns.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from studykit.mixed.checks import check_crossed
from studykit.mixed.parameters import ParameterMap, triangle
from studykit.mixed.random_effects import RandomEffect, column_units, level_codes
from studykit.mixed.residuals import ResidualStructure, element_names

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

USUAL_FIXED_EFFECTS = 10  # columns of X assumed when inner and outer effects are chosen
MOST_NESTED = 50  # columns that many groups of few columns count for


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """All that does not depend on outcome, fixed effects or parameters.

    Parameters
    ----------
    n : int
        Rows.
    effects : tuple of RandomEffect
    residual : ResidualStructure
    map : ParameterMap
    stacks : tuple of Stack
    inner : ndarray of int
        Places in ``eta`` of the inner elements, in the order of ``Stack.basis``; the residual's last.
    outer : tuple of GroupedEffect
    columns : ndarray, shape (n, q)
        Each row's columns of ``U`` in its own group.
    group : ndarray of int, shape (n,)
        Group of every row.
    groups : int
        Their number; 0 without outer effects.
    outer_elements : ndarray of int
        Places in ``eta`` of the outer elements.
    outer_basis : ndarray, shape (k_outer, q, q)
        Derivative by every outer element of ``D`` in one group; all groups have the same.
    designs, units : tuple of ndarray
        Columns of every effect divided by ``units``, so that their mean square is one where they are
        not zero; the search then sees variances of one size.
    """

    n: int
    effects: tuple[RandomEffect, ...]
    residual: ResidualStructure
    map: ParameterMap
    stacks: tuple[Stack, ...]
    inner: Rows
    outer: tuple[GroupedEffect, ...]
    columns: Array
    group: Rows
    groups: int
    outer_elements: Rows
    outer_basis: Array
    designs: tuple[Array, ...]
    units: tuple[Array, ...]

    @property
    def autocorrelation(self) -> bool:
        """Whether the residual is autoregressive."""
        return self.residual.kind == "autoregressive"

    @property
    def element_names(self) -> tuple[str, ...]:
        """One name per covariance element."""
        return element_names(self.effects, self.residual)


@lru_cache(maxsize=8)
def build_layout(n: int, effects: tuple[RandomEffect, ...], residual: ResidualStructure) -> Layout:
    """Choose inner and outer effects and lay out blocks and columns; kept for the next fit of the same model.

    Profiles, bootstrap and simulation fit one model again and again.
    """
    orders = [effect.design.shape[1] for effect in effects]
    codes = [effect.codes for effect in effects]
    correlated = None if residual.groups is None else level_codes(residual.groups)[1]
    inner, blocks = _split(n, effects, codes, correlated)
    parameters = ParameterMap.build(
        (*orders, *_residual_orders(residual)), autocorrelation=residual.kind == "autoregressive"
    )
    places = [np.arange(parameters.blocks[k].start, parameters.blocks[k].stop) for k in range(len(effects))]
    residual_places = np.arange(sum(len(place) for place in places), parameters.size)
    units = tuple(column_units(effect.design) for effect in effects)
    designs = tuple(effect.design / unit for effect, unit in zip(effects, units, strict=True))
    across = [k for k in range(len(effects)) if k not in inner]
    outer, group = _placed(across, codes, orders, blocks)
    check_crossed(n, outer[-1].stop if outer else 0, [effects[k] for k in across])
    visits = None if residual.visits is None else level_codes(residual.visits)[1]
    description = BlockDescription(
        n,
        tuple((codes[k], designs[k]) for k in inner),
        residual.kind,
        correlated,
        visits,
        residual.steps,
    )
    stacks = tuple(description.stack(rows) for rows in stack_rows(blocks, n))
    none = np.zeros(0, np.intp)
    return Layout(
        n=n,
        effects=effects,
        residual=residual,
        map=parameters,
        stacks=stacks,
        inner=np.concatenate([none, *(places[k] for k in inner), residual_places]).astype(np.intp),
        outer=outer,
        columns=_outer_columns(outer, codes, designs) if outer else np.zeros((n, 0)),
        group=group,
        groups=int(group.max()) + 1 if outer else 0,
        outer_elements=np.concatenate([none, *(places[k] for k in across)]).astype(np.intp),
        outer_basis=_outer_basis(outer),
        designs=designs,
        units=units,
    )


def _residual_orders(residual: ResidualStructure) -> tuple[int, ...]:
    visits = len(residual.visit_labels)
    if residual.kind == "by visit":
        return (1,) * visits
    return (visits,) if residual.kind == "unstructured" else (1,)


def _split(
    n: int, effects: tuple[RandomEffect, ...], codes: list[Rows], correlated: Rows | None
) -> tuple[list[int], Rows]:
    """Numbers of the inner effects, and the block of every row."""
    inner: list[int] = []
    outer: list[int] = []
    orders = [effect.design.shape[1] for effect in effects]
    blocks = np.arange(n) if correlated is None else correlated
    width = USUAL_FIXED_EFFECTS
    for k in sorted(range(len(effects)), key=lambda k: -len(effects[k].levels)):
        candidate = joined(blocks, codes[k])
        size, larger = int(np.bincount(blocks).max()), int(np.bincount(candidate).max())
        columns = sum(len(effects[number].levels) * orders[number] for number in (*outer, k))
        inside = _cost(larger, width)
        if columns > MOST_NESTED and inside > _cost(size, USUAL_FIXED_EFFECTS + MOST_NESTED):
            columns = max(MOST_NESTED, columns_in_group([*outer, k], codes, orders, blocks))
        if inside <= _cost(size, USUAL_FIXED_EFFECTS + columns):
            inner.append(k)
            blocks = candidate
        else:
            outer.append(k)
            width = USUAL_FIXED_EFFECTS + columns
    return sorted(inner), blocks


def _cost(size: int, width: int) -> int:
    """Multiplications per row and element: inside blocks of ``size``, with ``width`` columns of ``F``."""
    return 2 * size**2 + 2 * size * width + width**2


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


@dataclass(frozen=True, slots=True, eq=False)
class GroupedEffect:
    """Where one outer effect stands among the columns of a group.

    Parameters
    ----------
    effect : int
        Its number among the effects.
    start, levels, order : int
        First column, most levels that a group has, columns per level.
    group, place : ndarray of int
        For every level its group, and its place there.
    """

    effect: int
    start: int
    levels: int
    order: int
    group: Rows
    place: Rows

    @property
    def stop(self) -> int:
        """Column after its last one."""
        return self.start + self.levels * self.order

    @property
    def columns(self) -> Rows:
        """Columns (levels, order) of every level in its group."""
        return self.start + self.place[:, None] * self.order + np.arange(self.order)


def _outer_columns(
    effects: tuple[GroupedEffect, ...], codes: list[Rows], designs: tuple[Array, ...]
) -> Array:
    """Each row's columns of ``U`` in its own group, (n, q)."""
    columns = np.zeros((len(codes[0]), effects[-1].stop))
    for item in effects:
        np.put_along_axis(columns, item.columns[codes[item.effect]], designs[item.effect], axis=1)
    return columns


def _outer_basis(effects: tuple[GroupedEffect, ...]) -> Array:
    """Derivative (k_outer, q, q) by every outer element of ``D`` in one group."""
    width = effects[-1].stop if effects else 0
    basis: list[Array] = []
    for item in effects:
        for a, b in zip(*triangle(item.order), strict=True):
            small = np.zeros((item.order, item.order))
            small[a, b] = small[b, a] = 1.0
            layer = np.zeros((width, width))
            layer[item.start : item.stop, item.start : item.stop] = np.kron(np.eye(item.levels), small)
            basis.append(layer)
    return np.array(basis).reshape(len(basis), width, width)


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
