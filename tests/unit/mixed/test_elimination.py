"""The way for very many rows gives what the usual one gives, level by level in place of block by block."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.errors import DesignError
from studykit.mixed import RandomEffect, ResidualStructure, elimination_fit, fit_linear_mixed
from studykit.mixed.elimination import eliminate, gradient, moments
from studykit.mixed.elimination_layout import build_elimination

ROWS = 240
RNG = np.random.default_rng(11)
TRAINER = np.repeat(np.arange(6), 40)
CLIENT = np.repeat(np.arange(30), 8)
EXERCISE = np.tile(np.repeat(np.arange(4), 2), 30)
VISIT = np.tile([0.0, 1.0], 120)
CROSSED = (CLIENT * 3 + VISIT.astype(int) * (CLIENT % 2)) % 5
SLOPE = np.column_stack([np.ones(ROWS), VISIT])
X = np.column_stack([np.ones(ROWS), VISIT, RNG.standard_normal(ROWS)])
CELL = CLIENT * 4 + EXERCISE

MODELS = {
    "one factor": [RandomEffect("client", CLIENT)],
    "three nested": [
        RandomEffect("trainer", TRAINER),
        RandomEffect("client", CLIENT, SLOPE),
        RandomEffect("cell", CELL),
    ],
    "crossed": [RandomEffect("client", CLIENT), RandomEffect("assessor", CROSSED)],
    "crossed, with slopes, and nested": [
        RandomEffect("assessor", CROSSED, SLOPE),
        RandomEffect("cell", CELL),
        RandomEffect("client", CLIENT, SLOPE),
        RandomEffect("exercise", EXERCISE),
    ],
    "two of one factor": [RandomEffect("client", CLIENT), RandomEffect("client's change", CLIENT, VISIT)],
}


def outcome(effects: list[RandomEffect], seed: int = 4) -> np.ndarray:
    rng = np.random.default_rng(seed)
    y = X @ [5.0, 1.0, 0.5] + rng.standard_normal(ROWS)
    for effect in effects:
        levels, codes = np.unique(effect.groups, return_inverse=True)
        y = y + (rng.standard_normal((len(levels), effect.design.shape[1]))[codes] * effect.design).sum(1)
    return y


def force(monkeypatch: pytest.MonkeyPatch) -> None:
    """Everything counts as very many rows, too many for the usual way."""
    monkeypatch.setattr(elimination_fit, "LARGE", 0)
    monkeypatch.setattr(elimination_fit, "MOST_NUMBERS", -1)


@pytest.mark.parametrize("reml", [True, False])
@pytest.mark.parametrize("name", sorted(MODELS))
def test_same_fit_by_levels_and_by_blocks(name: str, reml: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    effects = MODELS[name]
    y = outcome(effects)
    usual = fit_linear_mixed(y, X, effects, reml=reml)
    force(monkeypatch)
    large = fit_linear_mixed(y, X, effects, reml=reml)
    assert usual.converged
    assert large.converged
    assert large.log_likelihood == pytest.approx(usual.log_likelihood, abs=1e-8)
    np.testing.assert_allclose(large.values, usual.values, rtol=1e-6)
    assert large.boundary_terms == usual.boundary_terms
    assert large.parameters == usual.parameters
    assert large.fingerprint == usual.fingerprint
    np.testing.assert_allclose(large.precision.covariance, usual.precision.covariance, atol=1e-6)
    for effect in effects:
        ours, theirs = (fit.covariance_parameters[effect.name] for fit in (large, usual))
        np.testing.assert_allclose(ours, theirs, rtol=1e-5, atol=1e-6)
        ours, theirs = (fit.random_effect_predictions(effect.name) for fit in (large, usual))
        assert ours.levels == theirs.levels
        np.testing.assert_allclose(ours.values, theirs.values, atol=1e-5)
        np.testing.assert_allclose(ours.covariance, theirs.covariance, atol=1e-5)
    for conditional in (True, False):
        ours, theirs = (fit.residuals(conditional=conditional) for fit in (large, usual))
        np.testing.assert_allclose(ours, theirs, atol=1e-5)
    for row in np.eye(3):
        ours, theirs = (fit.contrast(row, degrees_of_freedom="satterthwaite") for fit in (large, usual))
        assert ours.degrees_of_freedom == pytest.approx(theirs.degrees_of_freedom, rel=1e-4)


@pytest.mark.parametrize("reml", [True, False])
@pytest.mark.parametrize("name", sorted(MODELS))
def test_gradient_is_that_of_the_likelihood(name: str, reml: bool) -> None:
    layout = build_elimination(outcome(MODELS[name]), X, tuple(MODELS[name]), ResidualStructure())
    psi = np.random.default_rng(2).uniform(0.2, 0.9, layout.ratios.size)
    state = eliminate(layout, psi, reml=reml)
    slope = gradient(layout, state, moments(layout, state, projected=reml))
    slope = slope @ layout.ratios.jacobian(psi[None])[0]
    for place, step in enumerate(1e-5 * np.eye(len(psi))):
        higher, lower = (eliminate(layout, psi + sign * step, reml=reml).value for sign in (1, -1))
        assert slope[place] == pytest.approx((higher - lower) / 2e-5, rel=1e-5, abs=1e-5)


def test_factors_within_each_other_form_the_chain() -> None:
    effects = tuple(MODELS["crossed, with slopes, and nested"])
    layout = build_elimination(outcome(list(effects)), X, effects, ResidualStructure())
    assert [effects[link.effect].name for link in layout.chain] == ["cell", "client"]
    assert [effects[item.effect].name for item in layout.beside] == ["assessor", "exercise"]
    assert layout.columns == 2 * len(np.unique(CROSSED)) + 4


def test_a_variance_of_zero_stays_at_zero(monkeypatch: pytest.MonkeyPatch) -> None:
    force(monkeypatch)
    effects = [RandomEffect("client", CLIENT), RandomEffect("trainer", TRAINER)]
    y = outcome(effects[:1], 1)
    y -= (np.array([y[k == TRAINER].mean() for k in range(6)]))[TRAINER]
    fit = fit_linear_mixed(y, X, effects)
    assert fit.boundary_terms == ("The estimated variance of trainer is zero.",)
    assert fit.contrast([0, 1, 0]).degrees_of_freedom > 100


def test_what_the_rows_cannot_tell_apart_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    force(monkeypatch)
    twice = [RandomEffect("client", CLIENT), RandomEffect("again", CLIENT)]
    with pytest.raises(DesignError, match="no way to separate"):
        fit_linear_mixed(outcome(twice), X, twice)
    dummies = np.eye(6)[TRAINER]
    both = [RandomEffect("client", CLIENT), RandomEffect("trainer", TRAINER)]
    with pytest.raises(DesignError, match="trainer"):
        fit_linear_mixed(outcome(both), dummies, both)


def test_the_usual_way_where_it_fits_into_memory_and_for_other_residuals() -> None:
    """Nested factors do, whatever their levels; factors of 900 and 1,000 levels that cross do not."""
    nested = (RandomEffect("client", np.arange(8000) // 4), RandomEffect("trainer", np.arange(8000) // 40))
    assert not elimination_fit.is_large(8000, nested, ResidualStructure(), 5)
    rng = np.random.default_rng(1)
    crossed = tuple(
        RandomEffect(name, np.append(np.arange(levels), rng.integers(0, levels, 60_000 - levels)))
        for name, levels in (("client", 900), ("exercise", 1000))
    )
    assert elimination_fit.is_large(60_000, crossed, ResidualStructure(), 5)
    by_visit = ResidualStructure("by visit", visits=np.arange(60_000) % 2)
    assert not elimination_fit.is_large(60_000, crossed, by_visit, 5)
    assert not elimination_fit.is_large(elimination_fit.LARGE, crossed, ResidualStructure(), 5)


@pytest.mark.parametrize("forced", [False, True])
def test_very_many_rows_say_which_method(forced: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """6,000 rows, 1,500 clients under 30 trainers: Kenward-Roger, unless it would not fit into memory."""
    if forced:
        force(monkeypatch)
    client = np.repeat(np.arange(1500), 4)
    rng = np.random.default_rng(5)
    arm = (np.arange(1500) % 2)[client].astype(float)
    y = 1.0 + 0.1 * arm + rng.standard_normal(1500)[client] + rng.standard_normal(6000)
    effects = [RandomEffect("client", client), RandomEffect("trainer", client // 2 % 30)]
    fit = fit_linear_mixed(y, np.column_stack([np.ones(6000), arm]), effects, names=["mean", "arm"])
    estimate = fit.contrast({"arm": 1})
    method = "Satterthwaite (Kenward-Roger is not computed at this size)" if forced else "Kenward-Roger"
    assert estimate.method == method
    assert fit.method_name("kenward-roger") == estimate.method
    assert fit.method_name("satterthwaite") == "Satterthwaite"
    assert estimate.degrees_of_freedom == pytest.approx(1470, rel=0.02)
    assert fit.joint_test([{"arm": 1}]).statistic == pytest.approx(estimate.statistic**2)


@pytest.mark.parametrize("residual", [30.0, 1.0, 0.03, 0.001])
def test_hardly_any_residual_or_hardly_anything_else(
    residual: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ratios of standard deviations from 1/30 to 1000 are found from where the search starts."""
    effects = [RandomEffect("client", CLIENT, SLOPE), RandomEffect("assessor", CROSSED)]
    y = outcome(effects, 3)
    y += (residual - 1.0) * np.random.default_rng(3).standard_normal(ROWS)  # the same draw, at another size
    usual = fit_linear_mixed(y, X, effects)
    force(monkeypatch)
    large = fit_linear_mixed(y, X, effects)
    assert large.converged
    assert large.log_likelihood == pytest.approx(usual.log_likelihood, abs=1e-5)
    ours, theirs = (fit.covariance_parameters.residual.variance for fit in (large, usual))
    assert ours == pytest.approx(theirs, rel=1e-4)
