"""Which random effects are inverted inside small blocks of rows, and which are eliminated across them.

``V = A + U D U'``. ``A`` holds the residuals and the *inner* effects (client, client by exercise): its
rows fall into small unconnected blocks. ``U`` holds the columns of the *outer* effects (trainers of many
clients, crossed factors), few columns that touch many blocks, and is eliminated group by group
(see `studykit.mixed.outer`).

Finest factors first, an effect becomes inner where larger blocks cost less than more columns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.blocks import BlockDescription, Stack, joined, stack_rows
from studykit.mixed.checks import check_crossed
from studykit.mixed.outer import GroupedEffect, build_outer, columns_in_group
from studykit.mixed.parameters import ParameterMap
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
    columns, group, groups
        As in `studykit.mixed.outer.Outer`.
    outer_elements : ndarray of int
        Places in ``eta`` of the outer elements.
    outer_basis : ndarray, shape (k_outer, q, q)
        Derivative by every outer element of ``D`` in one group.
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


def build_layout(n: int, effects: tuple[RandomEffect, ...], residual: ResidualStructure) -> Layout:
    """Choose inner and outer effects and lay out blocks and columns."""
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
    check_crossed(n, columns_in_group(across, codes, orders, blocks), [effects[k] for k in across])
    outer = build_outer(across, codes, designs, blocks)
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
        outer=outer.effects,
        columns=outer.columns,
        group=outer.group,
        groups=outer.groups,
        outer_elements=np.concatenate([none, *(places[k] for k in across)]).astype(np.intp),
        outer_basis=outer.basis,
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
