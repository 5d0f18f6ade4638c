"""What a fit says in the user's units: covariance parameters, boundaries, predictions, residuals.

``b_k = G Z' P y`` for one level, and the covariance of ``b_k`` minus the truth is ``G - G Z' P Z G``
(Henderson 1975; the fixed effects' uncertainty is in ``P``). Conditional residuals are ``R P y``.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.layout import Layout
from studykit.mixed.objective import State, block_inverses
from studykit.mixed.parameters import triangle
from studykit.mixed.result import (
    CovarianceParameters,
    RandomEffectCovariance,
    RandomEffectPredictions,
    ResidualCovariance,
)
from studykit.mixed.sums import flat, transposed
from studykit.results import frozen_array

Array = NDArray[np.float64]

BOUNDARY = 1e-8  # share of the largest variance below which an eigenvalue is zero


def element_units(layout: Layout, spread: float) -> Array:
    """Factors (k,) from the search's units to those of outcome and columns."""
    factors = np.ones(layout.map.size)
    for block, unit in zip(layout.map.blocks, layout.units, strict=False):
        rows, columns = triangle(block.order)
        factors[block.start : block.stop] = 1.0 / (unit[rows] * unit[columns])
    return np.where(layout.map.linear, factors, factors * spread**2)


def covariance_parameters(layout: Layout, eta: Array) -> CovarianceParameters:
    """The elements (k,), in the user's units, as named matrices."""
    blocks = layout.map.blocks
    effects = tuple(
        RandomEffectCovariance(
            effect.name,
            effect.columns,
            frozen_array(block.matrix(eta)),
            len(effect.levels),
        )
        for effect, block in zip(layout.effects, blocks, strict=False)
    )
    rest = blocks[len(layout.effects) :]
    residual = layout.residual
    visits = () if residual.kind == "autoregressive" else residual.visit_labels
    if residual.kind == "by visit":
        matrix = np.diag([float(eta[block.start]) for block in rest])
    else:
        matrix = rest[0].matrix(eta)
    rho = float(eta[-1]) if residual.kind == "autoregressive" else None
    found = ResidualCovariance(residual.kind, visits, frozen_array(matrix), rho, residual.distance)
    return CovarianceParameters(effects, found)


def fingerprint(y: Array, X: Array) -> tuple[str, str]:
    """Hashes of the outcome and of the fixed effects, by which fits know that they may be compared."""
    return _hash(y), _hash(X)


def _hash(values: Array) -> str:
    return hashlib.sha256(np.ascontiguousarray(values).tobytes()).hexdigest()


def boundary_terms(layout: Layout, eta: Array) -> tuple[str, ...]:
    """One sentence for every covariance matrix that is at zero or singular; ``eta`` in the search's units."""
    largest = max(float(np.trace(block.matrix(eta))) for block in layout.map.blocks)
    sentences: list[str] = []
    for effect, block in zip(layout.effects, layout.map.blocks, strict=False):
        sentences += at_boundary(effect.name, effect.columns, block.matrix(eta), BOUNDARY * largest)
    return tuple(sentences)


def at_boundary(name: str, columns: tuple[str, ...], matrix: Array, floor: float) -> list[str]:
    """What to say of one random effect whose variances or eigenvalues are not above ``floor``."""
    zero = np.diag(matrix) <= floor
    sentences = [
        f"The estimated variance of {name if len(zero) == 1 else f'{name} ({columns[column]})'} is zero."
        for column in np.flatnonzero(zero)
    ]
    if (np.linalg.eigvalsh(matrix) <= floor).sum() > zero.sum():
        sentences.append(
            f"The estimated covariance of {name} is singular: its columns are perfectly correlated."
        )
    return sentences


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """``Z'P y`` (levels, q) and ``Z'P Z`` (levels, q, q) of every random effect, in the search's units."""

    scores: tuple[Array, ...]
    squares: tuple[Array, ...]


def moments(layout: Layout, state: State, eta: Array, X: Array, y: Array) -> Moments:
    """Of one trial with elements ``eta`` (1, k), fixed effects ``X`` (n, p) and outcome ``y`` (n,)."""
    outer = {item.effect: item for item in layout.outer}
    n, w = layout.n, X.shape[1] + 1
    Py, diagonal = np.zeros(n + 1), []
    inside_blocks = len(outer) < len(layout.effects)
    padded = np.concatenate([np.column_stack([X, y]), np.zeros((1, w))])
    U = np.concatenate([layout.columns, np.zeros((1, layout.columns.shape[1]))])
    for stack, inverses in zip(layout.stacks, block_inverses(layout, eta), strict=True):
        B = inverses[stack.kind]
        group, u = layout.group[stack.rows[:, 0]], U[stack.rows]
        own = group if layout.groups > 1 else np.zeros(1, np.intp)
        reach = padded[stack.rows]
        if layout.groups:
            reach = reach + u @ state.E[0][own]
        VX = B @ reach
        Py[stack.rows] = VX @ state.v[0]
        if inside_blocks:
            VX = VX[..., :-1]
            P = B - VX @ state.Phi[0] @ transposed(VX)
            if layout.groups:
                P = P - (B @ u) @ state.N[0][own] @ transposed(B @ u)
            diagonal.append(P)
    scores, squares = [], []
    for number, effect in enumerate(layout.effects):
        if number in outer:
            item = outer[number]
            A, uu = state.C.ux[0, 0] + state.C.uu[0, 0] @ state.E[0], state.C.uu[0, 0]
            columns = A[..., :-1]
            inside = uu - uu @ state.N[0] @ uu - columns @ state.Phi[0] @ transposed(columns)
            at, group = item.columns, item.group[:, None]
            scores.append((A @ state.v[0])[group, at])
            squares.append(inside[group[..., None], at[:, :, None], at[:, None, :]])
        else:
            design, levels = layout.designs[number], len(effect.levels)
            scores.append(_by_level(design * Py[:-1, None], effect.codes, levels))
            squares.append(_squares(layout, diagonal, effect.codes, design, levels))
    return Moments(tuple(scores), tuple(squares))


def predict(layout: Layout, eta: Array, found: Moments, spread: float) -> tuple[RandomEffectPredictions, ...]:
    """Predictions of every random effect, in the user's units."""
    results = []
    for number, effect in enumerate(layout.effects):
        G = layout.map.blocks[number].matrix(eta[0])
        unit = layout.units[number]
        values = spread * (found.scores[number] @ G) / unit
        covariance = spread**2 * (G - G @ found.squares[number] @ G) / np.outer(unit, unit)
        results.append(
            RandomEffectPredictions(
                effect.name,
                tuple(effect.levels.tolist()),
                effect.columns,
                frozen_array(values),
                frozen_array(covariance),
            )
        )
    return tuple(results)


def fitted_and_residuals(
    layout: Layout, eta: Array, found: Moments, means: Array, spread: float, y: Array
) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Marginal and conditional fitted values, marginal and conditional residuals."""
    conditional = means.copy()
    for number, effect in enumerate(layout.effects):
        G = layout.map.blocks[number].matrix(eta[0])
        conditional += spread * (layout.designs[number] * (found.scores[number] @ G)[effect.codes]).sum(
            axis=1
        )
    return (
        (frozen_array(means), frozen_array(conditional)),
        (frozen_array(y - means), frozen_array(y - conditional)),
    )


def _by_level(values: Array, codes: NDArray[np.intp], levels: int) -> Array:
    """Sums of rows (n, q) by level."""
    return np.array([np.bincount(codes, column, minlength=levels) for column in values.T]).T


def _squares(
    layout: Layout, diagonal: list[Array], codes: NDArray[np.intp], design: Array, levels: int
) -> Array:
    """``Z'PZ`` (levels, q, q) of an effect whose levels lie inside blocks, from the blocks of ``P``."""
    q = design.shape[1]
    level, padded = np.append(codes, -1), np.concatenate([design, np.zeros((1, q))])
    total = np.zeros((levels, q, q))
    for stack, P in zip(layout.stacks, diagonal, strict=True):
        here, z = level[stack.rows], padded[stack.rows]
        right = (P * (here[:, :, None] == here[:, None, :])) @ z
        product = flat(z[..., :, None] * right[..., None, :])[stack.rows < layout.n]
        total += _by_level(product, here[stack.rows < layout.n], levels).reshape(levels, q, q)
    return total
