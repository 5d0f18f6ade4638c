"""Blocks fall into the pieces they should, and sums over pieces are the products by full matrices."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.mixed import RandomEffect, ResidualStructure, fit_linear_mixed, fit_many_linear_mixed
from studykit.mixed.layout import Layout, build_layout
from studykit.mixed.objective import build_problem, evaluate
from studykit.mixed.pieces import find_pieces

CLIENTS, VISITS, EXERCISES = 12, 3, 4
client, visit, exercise = (
    part.ravel()
    for part in np.meshgrid(np.arange(CLIENTS), np.arange(VISITS), np.arange(EXERCISES), indexing="ij")
)


def strength_effects(rows: np.ndarray) -> tuple[RandomEffect, ...]:
    """Client unstructured over visits, client by exercise."""
    return (
        RandomEffect("client", client[rows], np.eye(VISITS)[visit[rows]]),
        RandomEffect("client by exercise", (client * EXERCISES + exercise)[rows]),
    )


def classes(layout: Layout, observed: np.ndarray | None = None) -> list[tuple[int, int]]:
    """Size and number of pieces of every class, largest first."""
    pieces = find_pieces(layout, observed)
    return sorted(
        (
            (int(real.sum()), int(count))
            for stack, counts in zip(pieces.classes, pieces.counts, strict=True)
            for real, count in zip(stack.real, counts[0], strict=True)
        ),
        reverse=True,
    )


def test_client_intercepts_fall_into_means_and_differences() -> None:
    """With 2 and 3 rows per client: one mean each, by number of rows, and n - 1 differences, all alike."""
    rows = ~((visit == 2) & (client < 4)) & (exercise == 0)
    layout = build_layout(int(rows.sum()), (RandomEffect("client", client[rows]),), ResidualStructure())
    assert classes(layout) == [(1, 20), (1, 8), (1, 4)]
    pieces = find_pieces(layout, None)
    found = {tuple(np.round(values, 9)) for values in pieces.classes[0].basis[0, :, :, 0, 0].T}
    assert found == {(3.0, 1.0), (2.0, 1.0), (0.0, 1.0)}


def test_exercises_tested_together_fall_into_their_mean_and_their_differences() -> None:
    """One 3 x 3 piece of means over exercises per client; 3 differences with the client by exercise effect;
    6 without."""
    layout = build_layout(len(client), strength_effects(np.ones(len(client), bool)), ResidualStructure())
    assert classes(layout) == [(3, 12), (1, 72), (1, 36)]


def test_nothing_falls_apart_where_nothing_can() -> None:
    rows = exercise == 0
    residual = ResidualStructure("unstructured", client[rows], visit[rows])
    layout = build_layout(int(rows.sum()), (), residual)
    assert classes(layout) == [(3, 12)]
    seen = np.ones((1, layout.n), bool)
    seen[0, :2] = False
    assert classes(layout, seen) == [(3, 11), (1, 1)]


@pytest.mark.parametrize("crossed", [False, True])
def test_products_are_those_of_full_matrices(crossed: bool) -> None:
    """``[U X y]' A^-1 [U X y]`` at arbitrary parameters, one row missing here and there."""
    rng = np.random.default_rng(4)
    rows = rng.random(len(client)) > 0.2
    trainer = (rng.integers(0, 3, len(client)) if crossed else client % 3)[rows]
    effects = (*strength_effects(rows), RandomEffect("trainer", trainer, (visit > 0)[rows].astype(float)))
    n = int(rows.sum())
    layout = build_layout(n, effects, ResidualStructure())
    X, y = rng.normal(size=(n, 2)), rng.normal(size=n)
    problem = build_problem(layout, y[None], X[None], reml=True)
    state = evaluate(problem, rng.normal(size=(1, layout.map.size)), rescale=False)
    eta = state.eta[0]
    A = eta[-1] * np.eye(n)
    for effect, block, design in zip(effects[:2], layout.map.blocks, layout.designs, strict=False):
        same = effect.groups[:, None] == effect.groups[None, :]
        A += same * (design @ block.matrix(eta) @ design.T)
    U = np.zeros((n, 3))
    U[np.arange(n), trainer] = layout.designs[2][:, 0]
    everything = np.column_stack([U, X, y])
    product = everything.T @ np.linalg.solve(A, everything)
    groups = 1 if crossed else 3
    uu = state.C.uu[0, 0]
    assert uu.shape == (groups, 3 // groups, 3 // groups)
    np.testing.assert_allclose(state.C.xx[0, 0], product[3:, 3:], rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(
        state.C.ux[0, 0].reshape(3, 3), product[:3, 3:], rtol=1e-10, atol=1e-12 * np.abs(product).max()
    )
    full = uu[0] if crossed else np.diag(uu[:, 0, 0])
    np.testing.assert_allclose(full, product[:3, :3], rtol=1e-10, atol=1e-10 * np.abs(product).max())


def test_nested_outer_effects_fall_into_groups() -> None:
    """9 trainers under 3 studios, many clients: a group per studio; sizes of studios differ."""
    studio_of = np.array([0, 0, 0, 0, 1, 1, 1, 2, 2])
    trainer = np.repeat(np.arange(9), 60)
    people = np.arange(540) // 3
    effects = (
        RandomEffect("client", people),
        RandomEffect("trainer", trainer),
        RandomEffect("studio", studio_of[trainer]),
    )
    layout = build_layout(540, effects, ResidualStructure())
    assert layout.groups == 3
    assert layout.columns.shape == (540, 4 + 1)
    rng = np.random.default_rng(2)
    y = sum(rng.normal(size=len(effect.levels))[effect.codes] for effect in effects) + rng.normal(size=540)
    fit = fit_linear_mixed(y, np.ones((540, 1)), effects)
    V = np.eye(540) * fit.covariance_parameters.residual.variance
    for effect in effects:
        V += fit.covariance_parameters[effect.name][0, 0] * (effect.codes[:, None] == effect.codes)
    P = np.linalg.inv(V)
    P -= np.outer(P.sum(axis=1), P.sum(axis=0)) / P.sum()
    for effect in effects:
        variance = fit.covariance_parameters[effect.name][0, 0]
        Z = np.eye(len(effect.levels))[effect.codes]
        found = fit.random_effect_predictions(effect.name)
        np.testing.assert_allclose(found.values[:, 0], variance * (Z.T @ P @ y), atol=1e-7)
        expected = variance - variance**2 * np.diag(Z.T @ P @ Z)
        np.testing.assert_allclose(found.covariance[:, 0, 0], expected, atol=1e-7)


def test_single_tests_missing_in_many_trials() -> None:
    """Every client has a pattern of its own, in every trial another: still equal to single fits."""
    rng = np.random.default_rng(8)
    m, n = 6, len(client)
    observed = rng.random((m, n)) > 0.25
    y = (
        rng.normal(size=(m, CLIENTS))[:, client]
        + 0.5 * rng.normal(size=(m, CLIENTS * EXERCISES))[:, client * EXERCISES + exercise]
        + 0.7 * rng.normal(size=(m, CLIENTS * VISITS))[:, client * VISITS + visit]
        + 0.4 * rng.normal(size=(m, n))
    )
    arm = (client % 2) * (visit > 0)
    X = np.column_stack([np.eye(VISITS)[visit], arm])
    weights = [0.0, 0.0, 0.0, 1.0]
    many = fit_many_linear_mixed(
        y, X, strength_effects(np.ones(n, bool)), contrasts=weights, observed=observed
    )
    assert many.converged.all()
    for trial, rows in enumerate(observed):
        single = fit_linear_mixed(y[trial, rows], X[rows], strength_effects(rows)).contrast(weights)
        ours = [a[trial, 0] for a in (many.value, many.standard_error, many.degrees_of_freedom)]
        np.testing.assert_allclose(
            ours, [single.value, single.standard_error, single.degrees_of_freedom], rtol=1e-6, atol=1e-9
        )
