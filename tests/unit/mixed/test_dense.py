"""The engine against its slow twin: likelihood, derivatives, Kenward-Roger and predictions by full matrices.

Kenward & Roger's second-derivative term for the autoregressive structure has no other software here to be
held to; the twin's own derivatives are held to differences of the likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from studykit.mixed import MixedFit, RandomEffect, ResidualStructure, fit_linear_mixed
from studykit.mixed.layout import build_layout
from tests.support.dense import (
    dense_derivatives,
    dense_kenward_roger,
    dense_log_likelihood,
    dense_model,
)


@dataclass(frozen=True)
class Case:
    y: np.ndarray
    X: np.ndarray
    effects: list[RandomEffect]
    residual: ResidualStructure

    def fit(self, *, reml: bool = True) -> MixedFit:
        return fit_linear_mixed(self.y, self.X, self.effects, residual=self.residual, reml=reml)


def make(kind: str, *, exercises: int = 1, crossed: bool = False, seed: int = 5) -> Case:
    """A small trial with drop-out; trainers of 45 rows or more are outer effects."""
    rng = np.random.default_rng(seed)
    clients, visits = 30, 4
    client, visit, exercise = (
        part.ravel()
        for part in np.meshgrid(np.arange(clients), np.arange(visits), np.arange(exercises), indexing="ij")
    )
    keep = rng.random(len(client)) > 0.12 * (visit > 0)
    client, visit, exercise = client[keep], visit[keep], exercise[keep]
    trainer = rng.integers(0, 2, len(client)) if crossed else client % 2
    arm = (client // 2) % 2
    y = (
        50
        + 3 * visit
        + 2 * arm * (visit > 0)
        + rng.normal(0, 4, clients)[client]
        + rng.normal(0, 1, clients)[client] * visit
        + rng.normal(0, 2, (clients, exercises))[client, exercise]
        + rng.normal(0, 2, 2)[trainer] * (visit > 0)
        + rng.normal(0, 1.5, len(client))
    )
    X = np.column_stack([np.ones(len(y)), visit, arm * (visit > 0), exercise == 1])[:, : 3 + (exercises > 1)]
    effects = [RandomEffect("trainer", trainer, (visit > 0).astype(float))]
    if kind == "slopes":
        effects.append(RandomEffect("client", client, np.column_stack([np.ones(len(y)), visit])))
        return Case(y, X, effects, ResidualStructure())
    if kind == "visits":
        effects.append(RandomEffect("client", client, np.eye(4)[visit]))
        effects.append(RandomEffect("client by exercise", client * 10 + exercise))
        return Case(y, X, effects, ResidualStructure())
    if kind == "by visit":
        effects.append(RandomEffect("client", client))
        return Case(y, X, effects, ResidualStructure("by visit", None, visit))
    if kind == "several outer":
        effects.append(
            RandomEffect("machine", rng.integers(0, 4, len(y)), np.column_stack([np.ones(len(y)), visit]))
        )
        effects.append(RandomEffect("client", client))
        return Case(y, X, effects, ResidualStructure())
    if kind == "uneven":
        days = np.array([0, 28, 91, 126])[visit]
        return Case(y, X, effects, ResidualStructure("autoregressive", client, days))
    return Case(y, X, effects, ResidualStructure(kind, client, visit))  # type: ignore[arg-type]


CASES = {
    "slopes": make("slopes"),
    "slopes, crossed": make("slopes", crossed=True),
    "unstructured over visits, two exercises": make("visits", exercises=2),
    "by visit": make("by visit"),
    "unstructured residual": make("unstructured"),
    "autoregressive": make("autoregressive"),
    "autoregressive, crossed": make("autoregressive", crossed=True),
    "autoregressive, uneven days": make("uneven"),
    "two outer factors": make("several outer", crossed=True),
}


def elements(fit: MixedFit) -> np.ndarray:
    """The covariance elements in the order of the twin."""
    parts = [
        effect.matrix[np.tril_indices(len(effect.matrix))]
        for effect in fit.covariance_parameters.random_effects
    ]
    residual = fit.covariance_parameters.residual
    if residual.kind == "by visit":
        parts.append(np.diag(residual.matrix))
    else:
        parts.append(residual.matrix[np.tril_indices(len(residual.matrix))])
    if residual.autocorrelation is not None:
        parts.append(np.array([residual.autocorrelation]))
    return np.concatenate(parts)


def test_cases_cover_inner_and_outer_effects() -> None:
    """Otherwise the comparisons below would leave one way of elimination untried."""
    outer = {
        name: len(build_layout(len(case.y), tuple(case.effects), case.residual).outer)
        for name, case in CASES.items()
    }
    assert outer["slopes"] == 1
    assert outer["two outer factors"] == 2


@pytest.mark.parametrize("reml", [True, False])
@pytest.mark.parametrize("name", CASES)
def test_likelihood_and_stationarity(name: str, reml: bool) -> None:
    """Same likelihood as by full matrices, and no slope left in any covariance inside its range."""
    case = CASES[name]
    fit = case.fit(reml=reml)
    assert fit.converged
    model = dense_model(elements(fit), case.effects, case.residual, len(case.y))
    assert dense_log_likelihood(case.y, case.X, model.V, reml=reml) == pytest.approx(
        fit.log_likelihood, abs=1e-9, rel=0
    )
    gradient, _, trace = dense_derivatives(case.y, case.X, model, reml=reml)
    if not fit.at_boundary:
        np.testing.assert_allclose(gradient / np.sqrt(np.diag(trace)), 0.0, atol=1e-6)


@pytest.mark.parametrize("name", CASES)
def test_twin_derivatives_are_differences_of_the_likelihood(name: str) -> None:
    """Central differences of the twin's own likelihood; relative step 1e-4, error of its square."""
    case = CASES[name]
    theta = elements(case.fit()) * 0.9
    theta += np.where(theta == 0.0, 0.01, 0.0)
    reml = name != "by visit"

    def slope(point: np.ndarray) -> np.ndarray:
        model = dense_model(point, case.effects, case.residual, len(case.y))
        return dense_derivatives(case.y, case.X, model, reml=reml)[0]

    def value(point: np.ndarray) -> float:
        model = dense_model(point, case.effects, case.residual, len(case.y))
        return -2.0 * dense_log_likelihood(case.y, case.X, model.V, reml=reml)

    model = dense_model(theta, case.effects, case.residual, len(case.y))
    gradient, hessian, _ = dense_derivatives(case.y, case.X, model, reml=reml)
    for place in range(0, len(theta), max(1, len(theta) // 4)):
        step = np.zeros(len(theta))
        step[place] = 1e-4 * max(abs(theta[place]), 0.01)
        size = 2 * step[place]
        assert (value(theta + step) - value(theta - step)) / size == pytest.approx(
            gradient[place], rel=1e-4, abs=1e-5
        )
        np.testing.assert_allclose(
            (slope(theta + step) - slope(theta - step)) / size,
            hessian[place],
            rtol=1e-4,
            atol=1e-4 * np.abs(hessian).max(),
        )


@pytest.mark.parametrize("name", CASES)
def test_kenward_roger(name: str) -> None:
    """Adjusted covariance and degrees of freedom of every coefficient, to the rounding of the inverse."""
    case = CASES[name]
    fit = case.fit()
    model = dense_model(elements(fit), case.effects, case.residual, len(case.y))
    Phi, adjusted, slopes, W = dense_kenward_roger(case.X, model)
    np.testing.assert_allclose(fit.precision.covariance, Phi, rtol=1e-8, atol=1e-10 * np.abs(Phi).max())
    np.testing.assert_allclose(fit.precision.adjusted, adjusted, rtol=1e-6, atol=1e-8 * np.abs(Phi).max())
    for row in np.eye(case.X.shape[1]):
        v = np.array([row @ S @ row for S in slopes])
        expected = 2.0 * (row @ Phi @ row) ** 2 / (v @ W @ v)
        assert fit.contrast(row).degrees_of_freedom == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("name", [name for name in CASES if "residual" not in name])
def test_satterthwaite_inside(name: str) -> None:
    """Observed information of the elements where no covariance is singular."""
    case = CASES[name]
    fit = case.fit()
    if fit.at_boundary:
        assert name in (
            "unstructured over visits, two exercises",
            "two outer factors",
            "autoregressive, crossed",
        )
        return
    model = dense_model(elements(fit), case.effects, case.residual, len(case.y))
    _, hessian, _ = dense_derivatives(case.y, case.X, model, reml=True)
    Phi, _, slopes, _ = dense_kenward_roger(case.X, model)
    K = 2.0 * np.linalg.inv(hessian)
    row = np.eye(case.X.shape[1])[2]
    v = np.array([row @ S @ row for S in slopes])
    expected = 2.0 * (row @ Phi @ row) ** 2 / (v @ K @ v)
    assert fit.contrast(row, degrees_of_freedom="satterthwaite").degrees_of_freedom == pytest.approx(
        expected, rel=1e-6
    )


@pytest.mark.parametrize("name", ["slopes", "slopes, crossed", "unstructured over visits, two exercises"])
def test_predictions_and_their_covariance(name: str) -> None:
    """``G Z'Py`` and ``G - G Z'PZ G`` by full matrices, for inner and outer effects."""
    case = CASES[name]
    fit = case.fit()
    V = dense_model(elements(fit), case.effects, case.residual, len(case.y)).V
    inverse = np.linalg.inv(V)
    P = inverse - inverse @ case.X @ np.linalg.solve(case.X.T @ inverse @ case.X, case.X.T @ inverse)
    total = fit.fitted_values(conditional=False)
    for effect in case.effects:
        ours = fit.random_effect_predictions(effect.name)
        G = fit.covariance_parameters[effect.name]
        for place, level in enumerate(ours.levels):
            Z = effect.design * (effect.groups == level)[:, None]
            np.testing.assert_allclose(ours.values[place], G @ Z.T @ P @ case.y, rtol=1e-6, atol=1e-8)
            np.testing.assert_allclose(
                ours.covariance[place], G - G @ Z.T @ P @ Z @ G, rtol=1e-6, atol=1e-8 * G.max()
            )
            total = total + Z @ ours.values[place]
    np.testing.assert_allclose(fit.fitted_values(conditional=True), total, rtol=1e-9)
