"""Which random effects are inverted inside small blocks of rows, and which are eliminated across them.

``V = A + U D U'``. ``A`` holds the residuals and the *inner* effects (client, client by exercise): its
rows fall into small unconnected blocks. ``U`` holds the columns of the *outer* effects (trainers of many
clients, crossed factors), few columns that touch many blocks. Where all blocks are nested in the levels of
one outer effect, ``U`` is eliminated level by level (*group* by group); otherwise it is one group.

Finest factors first, an effect becomes inner where larger blocks cost less than more columns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from studykit.mixed.parameters import ParameterMap, triangle
from studykit.mixed.random_effects import RandomEffect, column_units, level_codes
from studykit.mixed.residuals import ResidualStructure, element_names

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

USUAL_FIXED_EFFECTS = 10  # columns of X assumed when inner and outer effects are chosen


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """Blocks of similar size, padded to one size and stacked.

    Parameters
    ----------
    rows : ndarray of int, shape (blocks, size)
        Row numbers; a padded place holds ``n``, the number of a row of zeros.
    basis : ndarray, shape (k_inner, blocks, size, size)
        Derivative ``V_i`` of every inner element, zero at padded places. For the autocorrelation it
        holds the lags instead, see `studykit.mixed.objective`.
    """

    rows: Rows
    basis: Array


@dataclass(frozen=True, slots=True, eq=False)
class OuterEffect:
    """Where one outer effect stands: its number among the effects and its columns of ``U`` in a group."""

    effect: int
    start: int
    levels: int
    order: int

    @property
    def stop(self) -> int:
        """Column after its last one."""
        return self.start + self.levels * self.order


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
    outer : tuple of OuterEffect
    columns : ndarray, shape (n, q)
        Each row's columns of ``U`` in its own group.
    group : ndarray of int, shape (n,)
        Group of every row: the level of a single outer effect in which the blocks are nested; otherwise
        all rows are one group.
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
    outer: tuple[OuterEffect, ...]
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


def build_layout(n: int, effects: tuple[RandomEffect, ...], residual: ResidualStructure) -> Layout:
    """Choose inner and outer effects and lay out blocks and columns."""
    orders = [effect.design.shape[1] for effect in effects]
    codes = [level_codes(effect.groups)[1] for effect in effects]
    correlated = [] if residual.groups is None else [level_codes(residual.groups)[1]]
    inner, blocks = _split(n, effects, codes, correlated)
    parameters = ParameterMap.build(
        (*orders, *_residual_orders(residual)), autocorrelation=residual.kind == "autoregressive"
    )
    places = [np.arange(parameters.blocks[k].start, parameters.blocks[k].stop) for k in range(len(effects))]
    residual_places = np.arange(sum(len(place) for place in places), parameters.size)
    units = tuple(column_units(effect.design) for effect in effects)
    designs = tuple(effect.design / unit for effect, unit in zip(effects, units, strict=True))
    across = [k for k in range(len(effects)) if k not in inner]
    group = _groups(across, codes, blocks)
    within = [np.zeros_like(code) for code in codes] if group.any() else codes
    outer, columns, basis = _outer(across, designs, within, n)
    stacks = tuple(
        Stack(rows, _inner_basis(rows, n, inner, designs, codes, residual)) for rows in _stack_rows(blocks, n)
    )
    none = np.zeros(0, np.intp)
    return Layout(
        n=n,
        effects=effects,
        residual=residual,
        map=parameters,
        stacks=stacks,
        inner=np.concatenate([none, *(places[k] for k in inner), residual_places]).astype(np.intp),
        outer=outer,
        columns=columns,
        group=group,
        groups=int(group.max()) + 1 if across else 0,
        outer_elements=np.concatenate([none, *(places[item.effect] for item in outer)]).astype(np.intp),
        outer_basis=basis,
        designs=designs,
        units=units,
    )


def _residual_orders(residual: ResidualStructure) -> tuple[int, ...]:
    visits = len(residual.visit_labels)
    if residual.kind == "by visit":
        return (1,) * visits
    return (visits,) if residual.kind == "unstructured" else (1,)


def _split(
    n: int, effects: tuple[RandomEffect, ...], codes: list[Rows], correlated: list[Rows]
) -> tuple[list[int], Rows]:
    """Numbers of the inner effects, and the block of every row."""
    joined, inner = list(correlated), []
    blocks = _components(n, joined)
    width = USUAL_FIXED_EFFECTS
    for k in sorted(range(len(effects)), key=lambda k: -int(codes[k].max() + 1)):
        candidate = _components(n, [*joined, codes[k]])
        columns = int(codes[k].max() + 1) * effects[k].design.shape[1]
        size, larger = int(np.bincount(blocks).max()), int(np.bincount(candidate).max())
        if _cost(larger, width) <= _cost(size, width + columns):
            inner.append(k)
            joined.append(codes[k])
            blocks = candidate
        else:
            width += columns
    return sorted(inner), blocks


def _cost(size: int, width: int) -> int:
    """Multiplications per row and element: inside blocks of ``size``, with ``width`` columns of ``F``."""
    return 2 * size**2 + 2 * size * width + width**2


def _components(n: int, factors: list[Rows]) -> Rows:
    """Connected component of every row when rows of one level hang together."""
    if not factors:
        return np.arange(n, dtype=np.intp)
    if len(factors) == 1:
        return np.unique(factors[0], return_inverse=True)[1].astype(np.intp)
    starts = np.cumsum([n, *(int(codes.max()) + 1 for codes in factors)])
    rows = np.tile(np.arange(n), len(factors))
    levels = np.concatenate([codes + start for codes, start in zip(factors, starts, strict=False)])
    graph = coo_array((np.ones(len(rows)), (rows, levels)), shape=(starts[-1], starts[-1]))
    return np.asarray(connected_components(graph, directed=False)[1][:n], dtype=np.intp)


def _stack_rows(blocks: Rows, n: int) -> list[Rows]:
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


def _inner_basis(
    rows: Rows,
    n: int,
    inner: list[int],
    designs: tuple[Array, ...],
    codes: list[Rows],
    residual: ResidualStructure,
) -> Array:
    parts = [_effect_basis(rows, n, codes[k], designs[k]) for k in inner]
    real = rows < n
    diagonal = np.eye(rows.shape[1]) * real[:, :, None]
    if residual.kind == "equal":
        parts.append(diagonal[None])
    elif residual.visits is not None:
        visits = np.append(level_codes(residual.visits)[1], -1)[rows]
        indicators = np.eye(int(visits.max()) + 1)[visits] * real[:, :, None]
        if residual.kind == "by visit":
            parts.append(np.moveaxis(indicators, -1, 0)[:, :, :, None] * diagonal)
        elif residual.groups is not None:
            groups = level_codes(residual.groups)[1]
            if residual.kind == "unstructured":
                parts.append(
                    _effect_basis(rows, n, groups, np.eye(int(visits.max()) + 1)[visits_of(residual)])
                )
            else:
                parts.append(_lags(rows, n, groups, np.asarray(residual.visits, dtype=float)))
    return np.concatenate(parts)


def visits_of(residual: ResidualStructure) -> Rows:
    """Place of every row's visit among the distinct ones."""
    assert residual.visits is not None
    return level_codes(residual.visits)[1]


def _effect_basis(rows: Rows, n: int, codes: Rows, design: Array) -> Array:
    """``z_a z_b' + z_b z_a'`` between rows of one level, for every element of the lower triangle."""
    same, z = _same_level(rows, n, codes), np.concatenate([design, np.zeros((1, design.shape[1]))])[rows]
    parts = []
    for a, b in zip(*triangle(design.shape[1]), strict=True):
        product = z[:, :, None, a] * z[:, None, :, b]
        parts.append(same * (product if a == b else product + np.swapaxes(product, 1, 2)))
    return np.array(parts)


def _lags(rows: Rows, n: int, codes: Rows, visits: Array) -> Array:
    """Two layers: whether two rows may be correlated, and the distance of their visits."""
    occasion = np.append(visits, 0.0)[rows]
    same = _same_level(rows, n, codes)
    return np.array([same, same * np.abs(occasion[:, :, None] - occasion[:, None, :])])


def _same_level(rows: Rows, n: int, codes: Rows) -> Array:
    level = np.append(codes, -1)[rows]
    real = rows < n
    return np.asarray(
        (level[:, :, None] == level[:, None, :]) & real[:, :, None] & real[:, None, :], dtype=float
    )


def _groups(across: list[int], codes: list[Rows], blocks: Rows) -> Rows:
    """Level of the single outer effect in which every block lies, if it is so; else zero everywhere."""
    if len(across) != 1:
        return np.zeros_like(blocks)
    level = codes[across[0]]
    level_of_block = np.zeros(int(blocks.max()) + 1, np.intp)
    level_of_block[blocks] = level
    return level if np.array_equal(level_of_block[blocks], level) else np.zeros_like(blocks)


def _outer(
    numbers: list[int], designs: tuple[Array, ...], codes: list[Rows], n: int
) -> tuple[tuple[OuterEffect, ...], Array, Array]:
    places: list[OuterEffect] = []
    width = 0
    for k in numbers:
        places.append(OuterEffect(k, width, int(codes[k].max()) + 1, designs[k].shape[1]))
        width = places[-1].stop
    columns = np.zeros((n, width))
    basis: list[Array] = []
    for item in places:
        for column in range(item.order):
            at = item.start + codes[item.effect] * item.order + column
            columns[np.arange(n), at] = designs[item.effect][:, column]
        for a, b in zip(*triangle(item.order), strict=True):
            small = np.zeros((item.order, item.order))
            small[a, b] = small[b, a] = 1.0
            layer = np.zeros((width, width))
            layer[item.start : item.stop, item.start : item.stop] = np.kron(np.eye(item.levels), small)
            basis.append(layer)
    return tuple(places), columns, np.array(basis).reshape(len(basis), width, width)
