"""Predicted random effects, fitted values and residuals.

``b_k = G Z' P y`` for one level, and the covariance of ``b_k`` minus the truth is ``G - G Z' P Z G``
(Henderson 1975; the fixed effects' uncertainty is in ``P``). Conditional residuals are ``R P y``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.objective import Problem, State
from studykit.mixed.random_effects import level_codes
from studykit.mixed.result import RandomEffectPredictions
from studykit.results import frozen_array

Array = NDArray[np.float64]


def predict(problem: Problem, state: State, spread: float) -> tuple[RandomEffectPredictions, ...]:
    """Predictions of every random effect of the first trial, in the user's units."""
    layout = problem.layout
    outer = {item.effect: item for item in layout.outer}
    results = []
    for number, effect in enumerate(layout.effects):
        levels, codes = level_codes(effect.groups)
        q = effect.design.shape[1]
        G = layout.map.blocks[number].matrix(state.eta[0])
        if number in outer:
            item = outer[number]
            middle = (state.C - state.C @ state.Omega @ state.C)[0]
            scores = _score(problem, state)[item.start : item.stop].reshape(-1, q)
            at = item.start + np.arange(item.levels)[:, None] * q + np.arange(q)
            ZPZ = middle[at[:, :, None], at[:, None, :]]
        else:
            scores, ZPZ = _inner_moments(problem, state, codes, layout.designs[number], len(levels))
        unit = layout.units[number]
        values = spread * (scores @ G) / unit
        covariance = spread**2 * (G - G @ ZPZ @ G) / np.outer(unit, unit)
        results.append(
            RandomEffectPredictions(
                effect.name,
                tuple(levels.tolist()),
                effect.columns,
                frozen_array(values),
                frozen_array(covariance),
            )
        )
    return tuple(results)


def fitted_and_residuals(
    problem: Problem, state: State, means: Array, spread: float, y: Array
) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Marginal and conditional fitted values, marginal and conditional residuals, for the first trial."""
    conditional = means.copy()
    layout = problem.layout
    outer = {item.effect: item for item in layout.outer}
    scores = _score(problem, state)
    for number, effect in enumerate(layout.effects):
        codes = level_codes(effect.groups)[1]
        design = layout.designs[number]
        G = layout.map.blocks[number].matrix(state.eta[0])
        if number in outer:
            item = outer[number]
            own = scores[item.start : item.stop].reshape(-1, item.order)
        else:
            own = _inner_scores(problem, state, codes, design, int(codes.max()) + 1)
        conditional += spread * np.einsum("nq,nq->n", design, (own @ G)[codes])
    return (
        (frozen_array(means), frozen_array(conditional)),
        (frozen_array(y - means), frozen_array(y - conditional)),
    )


def _score(problem: Problem, state: State) -> Array:
    """``U' P y`` (r,)."""
    total = np.zeros(problem.r)
    for part, data in zip(state.stacks, problem.data, strict=True):
        total += np.einsum("bsr,bs->r", data.F[0][..., : problem.r], part.Br[0])
    return total


def _inner_scores(
    problem: Problem, state: State, codes: NDArray[np.intp], design: Array, levels: int
) -> Array:
    """``Z' P y`` of every level, shape (levels, q)."""
    Py = np.zeros(problem.layout.n + 1)
    for part in state.stacks:
        Py[part.stack.rows] = part.Br[0]
    Py = Py[:-1]
    return np.array(
        [np.bincount(codes, design[:, a] * Py, minlength=levels) for a in range(design.shape[1])]
    ).T


def _inner_moments(
    problem: Problem, state: State, codes: NDArray[np.intp], design: Array, levels: int
) -> tuple[Array, Array]:
    """``Z'Py`` (levels, q) and ``Z'PZ`` (levels, q, q) of an effect whose levels lie inside blocks."""
    q = design.shape[1]
    ZPZ = np.zeros((levels, q, q))
    level = np.append(codes, -1)
    padded = np.concatenate([design, np.zeros((1, q))])
    for part in state.stacks:
        rows = part.stack.rows
        P = part.B[0] - (part.BF[0] @ state.Omega[0]) @ part.BF[0].swapaxes(-1, -2)
        here, z = level[rows], padded[rows]
        same = here[:, :, None] == here[:, None, :]
        right = (P * same) @ z
        for a in range(q):
            for b in range(q):
                product = (z[..., a] * right[..., b])[rows < problem.layout.n]
                ZPZ[:, a, b] += np.bincount(here[rows < problem.layout.n], product, minlength=levels)
    return _inner_scores(problem, state, codes, design, levels), ZPZ
