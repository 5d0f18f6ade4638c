"""Conditional mean imputation: a contrast from rows completed under a fitted model, and the jackknife of it.

A row that is not observed is set to its expectation given the observed rows of its block and a mean that the
caller chooses: its own (missing at random), or that of another arm. The completed rows are analysed by
generalised least squares with the covariance of the fit, so that under the own mean the contrast is that of
the fit itself (Carpenter, Roger & Kenward 2013, 10.1080/10543406.2013.834911; Wolbers et al. 2022,
10.1002/pst.2234). Symbols as in `studykit.mixed.random_effects`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.fit import fit_many_linear_mixed
from studykit.mixed.layout import build_layout
from studykit.mixed.random_effects import RandomEffect, level_codes
from studykit.mixed.residuals import EQUAL, ResidualStructure
from studykit.mixed.result import CovarianceParameters
from studykit.mixed.summary import covariance_parameters

Array = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """All rows that a complete study would have, with its model.

    Parameters
    ----------
    outcome : ndarray, shape (n,)
        Ignored where it is not observed.
    observed : ndarray of bool, shape (n,)
    fixed_effects : ndarray, shape (n, p)
    random_effects : tuple of RandomEffect
        Of kinds whose columns are those of the fit.
    residual : ResidualStructure or None
    block : ndarray of int, shape (n,)
        Rows of different blocks are independent: clients, or trainers where they are random.
    """

    outcome: Array
    observed: Mask
    fixed_effects: Array
    random_effects: tuple[RandomEffect, ...]
    residual: ResidualStructure | None
    block: Integers


@dataclass(frozen=True, slots=True, eq=False)
class Completion:
    """A contrast after completion.

    Parameters
    ----------
    values : ndarray, shape (k,)
        One for each of the chosen means.
    row_weights : ndarray, shape (n,)
        By how much the contrast moves with each row.
    """

    values: Array
    row_weights: Array


def complete(
    grid: Grid,
    beta: Array,
    covariance: CovarianceParameters,
    *,
    means: Sequence[Array],
    weights: Array,
    used: Mask | None = None,
) -> Completion:
    """The contrast ``weights`` (p,) after completion around each of the ``means``, fixed effects (n, p).

    ``used`` (n,) leaves out rows altogether, seen or not.

    Raises
    ------
    numpy.linalg.LinAlgError
        If a block's covariance is singular.
    """
    kept = np.ones(len(grid.outcome), dtype=bool) if used is None else used
    y, X = np.where(grid.observed, grid.outcome, 0.0), grid.fixed_effects
    centres = np.stack([mean @ beta for mean in means])
    completed = np.where(grid.observed, y, centres)
    left = np.zeros(X.shape[::-1])  # X' V^-1
    for rows in _stacks(grid.block):
        V = _covariance(grid, covariance, rows)
        seen = grid.observed[rows] & kept[rows]
        distance = np.where(seen, y[rows] - centres[:, rows], 0.0)
        expected = np.einsum("bij,bjk,sbk->sbi", V, _inverse(V, seen), distance, optimize=True)
        completed[:, rows] += np.where(grid.observed[rows], 0.0, expected)
        left[:, rows] = np.einsum("bip,bij->pbj", X[rows], _inverse(V, kept[rows]), optimize=True)
    row_weights = np.linalg.solve(left @ X, weights) @ left
    return Completion(completed @ row_weights, row_weights)


def jackknife_errors(
    grid: Grid, units: Integers, *, means: Sequence[Array], weights: Array
) -> tuple[Array, int]:
    r"""Jackknife standard errors (k,) of the completed contrast, and the units that could be left out.

    The model is fitted again without each unit in turn, and the rest completed by that fit.

    Parameters
    ----------
    grid : Grid
    units : ndarray of int, shape (n,)
        What is left out at a time: clients, or trainers where they are clusters.
    means, weights
        As for `complete`.

    Notes
    -----
    :math:`\sqrt{\frac{n-1}{n}\sum_i(\theta_{(i)}-\bar\theta)^2}` over the units without which the model
    could be fitted; ``nan`` with fewer than two.
    """
    seen = grid.observed
    levels = np.unique(units)
    effects = tuple(
        RandomEffect(effect.name, effect.groups[seen], effect.design[seen], columns=effect.columns)
        for effect in grid.random_effects
    )
    residual = _rows_of(grid.residual, seen)
    fits = fit_many_linear_mixed(
        grid.outcome[seen],
        grid.fixed_effects[seen],
        effects,
        contrasts=np.eye(grid.fixed_effects.shape[1]),
        observed=units[seen] != levels[:, None],
        residual=residual,
        degrees_of_freedom="residual",
    )
    layout = build_layout(int(seen.sum()), effects, residual or EQUAL)
    values = []
    for place in np.flatnonzero(fits.converged):
        covariance = covariance_parameters(layout, fits.elements[place])
        without = units != levels[place]
        try:
            found = complete(grid, fits.value[place], covariance, means=means, weights=weights, used=without)
        except np.linalg.LinAlgError:
            continue
        values.append(found.values)
    number = len(values)
    if number < 2:
        return np.full(len(means), math.nan), number
    spread = np.var(np.array(values), axis=0)
    return np.asarray(np.sqrt((number - 1.0) * spread)), number


def _stacks(block: Integers) -> list[Integers]:
    """Rows of the blocks, blocks of one size together: index arrays of shape (blocks, rows)."""
    order = np.argsort(block, kind="stable")
    _, sizes = np.unique(block, return_counts=True)
    places = np.split(order, np.cumsum(sizes)[:-1])
    return [np.stack([own for own in places if own.size == size]) for size in np.unique(sizes)]


def _covariance(grid: Grid, covariance: CovarianceParameters, rows: Integers) -> Array:
    """``V`` of a stack of blocks, shape (blocks, rows, rows)."""
    V = _residual(grid.residual or EQUAL, covariance, rows)
    for effect in grid.random_effects:
        codes, Z = effect.codes[rows], effect.design[rows]
        fitted = next(own for own in covariance.random_effects if own.name == effect.name)
        G = _chosen(fitted.matrix, fitted.columns, effect.columns)
        V += (codes[:, :, None] == codes[:, None, :]) * (Z @ G @ Z.swapaxes(1, 2))
    return V


def _residual(residual: ResidualStructure, covariance: CovarianceParameters, rows: Integers) -> Array:
    matrix, size = covariance.residual.matrix, rows.shape[1]
    if residual.kind == "equal":
        return np.broadcast_to(matrix[0, 0] * np.eye(size), (*rows.shape, size)).copy()
    assert residual.groups is not None
    assert residual.visits is not None
    group, visit = level_codes(residual.groups)[1][rows], level_codes(residual.visits)[1][rows]
    own = _chosen(matrix, covariance.residual.visits, residual.visit_labels)[
        visit[:, :, None], visit[:, None, :]
    ]
    return np.asarray(np.where(group[:, :, None] == group[:, None, :], own, 0.0))


def _chosen(matrix: Array, labels: Sequence[object], wanted: Sequence[object]) -> Array:
    """Rows and columns of the wanted labels: the grid may lack visits that the fit has."""
    places = [list(labels).index(label) for label in wanted]
    return np.asarray(matrix[np.ix_(places, places)])


def _inverse(V: Array, chosen: Mask) -> Array:
    """Inverse over the chosen rows of each block, zero elsewhere."""
    both = chosen[:, :, None] & chosen[:, None, :]
    alone = np.eye(V.shape[1]) * ~chosen[:, None, :]
    return np.asarray(np.where(both, np.linalg.inv(np.where(both, V, 0.0) + alone), 0.0))


def _rows_of(residual: ResidualStructure | None, chosen: Mask) -> ResidualStructure | None:
    if residual is None or residual.groups is None or residual.visits is None:
        return residual
    return ResidualStructure(residual.kind, residual.groups[chosen], residual.visits[chosen])
