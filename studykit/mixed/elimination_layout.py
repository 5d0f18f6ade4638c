"""Large data: which factors are eliminated level by level, and the sums of products that this needs.

Factors that lie within each other (tests of one exercise in a client in a trainer) form the *chain*, finest
first; their levels are eliminated one factor after the other, each level by itself, whatever their number.
Factors that are crossed with the chain stay *beside* it, one dense matrix together. Rows are only looked at
here: the likelihood works on sums of products by level.

Columns of one level of chain factor ``k``, in this order::

    own | factor k+1 | ... | last chain factor | beside, those that the level's last ancestor meets | X | y
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.outer import OuterEffect
from studykit.mixed.parameters import ParameterMap
from studykit.mixed.random_effects import RandomEffect, column_units, level_codes
from studykit.mixed.residuals import ResidualStructure

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

MOST_MET = 2e7  # products of columns beside the chain, over all last ancestors, that are worth summing


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """One factor of the chain.

    Parameters
    ----------
    effect : int
        Its number among the random effects.
    order : int
        Its columns.
    parents : ndarray of int, shape (levels,)
        Level of the next factor of the chain; of the last one, itself.
    within : tuple of ndarray of int
        For every later factor of the chain, and last for the last one again (the ancestors that meet
        columns beside the chain): number of the first level of this factor in each of its levels.
    products : ndarray, shape (levels, order, columns)
        Sums over a level's rows of its columns times all columns (see above).
    codes : ndarray of int, shape (levels,)
        Place of every level among the sorted labels.
    """

    effect: int
    order: int
    parents: Codes
    within: tuple[Codes, ...]
    products: Array
    codes: Codes


@dataclass(frozen=True, slots=True, eq=False)
class EliminationLayout:
    """The model, arranged, and everything that its likelihood needs of the data.

    Parameters
    ----------
    n, p : int
    effects : tuple of RandomEffect
    residual : ResidualStructure
    map : ParameterMap
        Of all elements, the residual variance last.
    ratios : ParameterMap
        Of the random effects alone, relative to the residual variance.
    units : tuple of ndarray
        The columns are divided by them.
    chain : tuple of Link
    beside : tuple of OuterEffect
    columns : int
        Columns of all factors beside the chain.
    met : ndarray of int, shape (ancestors, t)
        For every level of the last chain factor the columns beside the chain that it meets, padded with
        ``columns``.
    products : ndarray, shape (ancestors, t, t + p + 1)
        Their products with each other, with X and with y.
    fixed : ndarray, shape (p + 1, p + 1)
        Products of ``[X y]``.
    """

    n: int
    p: int
    effects: tuple[RandomEffect, ...]
    residual: ResidualStructure
    map: ParameterMap
    ratios: ParameterMap
    units: tuple[Array, ...]
    chain: tuple[Link, ...]
    beside: tuple[OuterEffect, ...]
    columns: int
    met: Codes
    products: Array
    fixed: Array


def build_elimination(
    y: Array, X: Array, effects: tuple[RandomEffect, ...], residual: ResidualStructure
) -> EliminationLayout:
    """Choose the chain, sort the rows by it, and sum."""
    n, p = X.shape
    codes = [level_codes(effect.groups)[1] for effect in effects]
    orders = [effect.design.shape[1] for effect in effects]
    units = tuple(column_units(effect.design) for effect in effects)
    numbers = _chain(codes, orders)
    order = np.lexsort([codes[k] for k in numbers])
    codes = [code[order] for code in codes]
    designs = [effect.design[order] / unit for effect, unit in zip(effects, units, strict=True)]
    ends = np.column_stack([X, y])[order]
    starts = [np.flatnonzero(np.diff(codes[k], prepend=-1)) for k in numbers]
    ancestors = np.repeat(np.arange(len(starts[-1])), np.diff(starts[-1], append=n))
    others = [k for k in range(len(effects)) if k not in numbers]
    beside, met, slots = _beside(others, orders, codes, ancestors, len(starts[-1]))
    columns = beside[-1].stop if beside else 0
    met_products = _met_products(beside, slots, designs, ancestors, met.shape, ends)
    links = []
    for place, k in enumerate(numbers):
        wide = np.concatenate([*(designs[j] for j in numbers[place:]), ends], axis=1)
        sums = np.stack(
            [np.add.reduceat(wide * column[:, None], starts[place], axis=0) for column in designs[k].T],
            axis=1,
        )
        levels = np.repeat(np.arange(len(starts[place])), np.diff(starts[place], append=n))
        meeting = _level_products(beside, slots, designs, levels, designs[k], met.shape[1])
        split = sums.shape[2] - p - 1
        later = [*starts[place + 1 :], starts[-1]]
        within = tuple(np.searchsorted(starts[place], first) for first in later)
        parents = np.repeat(np.arange(len(within[0])), np.diff(within[0], append=len(starts[place])))
        products = np.concatenate([sums[..., :split], meeting, sums[..., split:]], axis=2)
        links.append(Link(k, orders[k], parents, within, products, codes[k][starts[place]]))
    return EliminationLayout(
        n=n,
        p=p,
        effects=effects,
        residual=residual,
        map=ParameterMap.build((*orders, 1), autocorrelation=False),
        ratios=ParameterMap.build(tuple(orders), autocorrelation=False),
        units=units,
        chain=tuple(links),
        beside=beside,
        columns=columns,
        met=met,
        products=met_products,
        fixed=ends.T @ ends,
    )


def _chain(codes: list[Codes], orders: list[int]) -> list[int]:
    """Numbers of the factors that lie within each other, finest first."""
    ranked = sorted(range(len(codes)), key=lambda k: -int(codes[k].max()))
    chain = ranked[:1]
    for k in ranked[1:]:
        parent = np.zeros(int(codes[chain[-1]].max()) + 1, np.intp)
        parent[codes[chain[-1]]] = codes[k]
        if (parent[codes[chain[-1]]] == codes[k]).all():
            chain.append(k)
    while len(chain) > 1 and _products_met(codes, orders, chain) > MOST_MET:
        chain.pop()
    return chain


def _products_met(codes: list[Codes], orders: list[int], chain: list[int]) -> float:
    """Products of columns beside the chain that its last factor would have to sum."""
    last = codes[chain[-1]]
    width = sum(
        orders[k]
        * int(np.bincount(np.unique(last * (codes[k].max() + 1) + codes[k]) // (codes[k].max() + 1)).max())
        for k in range(len(codes))
        if k not in chain
    )
    return float(width) ** 2 * float(last.max() + 1)


def _beside(
    numbers: Sequence[int], orders: list[int], codes: list[Codes], ancestors: Codes, count: int
) -> tuple[tuple[OuterEffect, ...], Codes, dict[int, Codes]]:
    """Factors beside the chain, the columns that every ancestor meets, and every row's place among them."""
    places: list[OuterEffect] = []
    met: list[Codes] = []
    slots: dict[int, Codes] = {}
    start = width = 0
    for k in numbers:
        levels = int(codes[k].max()) + 1
        item = OuterEffect(k, start, levels, orders[k])
        pairs, own = np.unique(ancestors * levels + codes[k], return_inverse=True)
        owner = pairs // levels
        first = np.searchsorted(owner, np.arange(count))
        slot = np.arange(len(pairs)) - first[owner]
        table = np.full((count, int(slot.max()) + 1), -1)
        table[owner, slot] = pairs % levels
        for_columns = item.start + table[..., None] * orders[k] + np.arange(orders[k])
        met.append(np.where(table[..., None] >= 0, for_columns, -1).reshape(count, -1))
        slots[k] = width + slot[own] * orders[k]
        width += met[-1].shape[1]
        start = item.stop
        places.append(item)
    joined = np.concatenate([np.zeros((count, 0), np.intp), *met], axis=1).astype(np.intp)
    return tuple(places), np.where(joined < 0, start, joined), slots


def _level_products(
    beside: tuple[OuterEffect, ...],
    slots: dict[int, Codes],
    designs: list[Array],
    levels: Codes,
    own: Array,
    width: int,
) -> Array:
    """Products of a chain factor's columns (n, q) with those beside the chain, (levels, q, t)."""
    count = int(levels[-1]) + 1
    total = np.zeros((own.shape[1], count * width))
    for item in beside:
        for b, column in enumerate(designs[item.effect].T):
            at = levels * width + slots[item.effect] + b
            for a, z in enumerate(own.T):
                total[a] += np.bincount(at, z * column, count * width)
    return total.reshape(own.shape[1], count, width).swapaxes(0, 1)


def _met_products(
    beside: tuple[OuterEffect, ...],
    slots: dict[int, Codes],
    designs: list[Array],
    ancestors: Codes,
    shape: tuple[int, ...],
    ends: Array,
) -> Array:
    """Products of the columns beside the chain with each other and with ``[X y]``."""
    count, width = shape
    pairs = np.zeros(count * width * width)
    last = np.zeros((ends.shape[1], count * width))
    for item in beside:
        for a, z in enumerate(designs[item.effect].T):
            row = ancestors * width + slots[item.effect] + a
            for other in beside:
                for b, column in enumerate(designs[other.effect].T):
                    pairs += np.bincount(row * width + slots[other.effect] + b, z * column, len(pairs))
            for c, column in enumerate(ends.T):
                last[c] += np.bincount(row, z * column, count * width)
    return np.concatenate(
        [pairs.reshape(count, width, width), np.moveaxis(last.reshape(len(last), count, width), 0, 2)], axis=2
    )
