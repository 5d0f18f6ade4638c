"""Many fits at once are the single fits: value, error, degrees of freedom, convergence, boundary."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

from studykit.errors import ArgumentError, DesignError
from studykit.mixed import RandomEffect, ResidualStructure, fit_linear_mixed, fit_many_linear_mixed


@dataclass(frozen=True)
class Trials:
    y: np.ndarray
    X: np.ndarray
    observed: np.ndarray
    effects: list[RandomEffect]
    residual: ResidualStructure


def make(kind: str, m: int = 8) -> Trials:
    """A new allocation and new missing tests in every trial; 45 rows per trainer, so trainers are outer."""
    rng = np.random.default_rng(11)
    client, visit = np.repeat(np.arange(30), 3), np.tile(np.arange(3), 30)
    trainer = client % 2
    arm = rng.permuted(np.tile(np.arange(30) % 2, (m, 1)), axis=1)[:, client]
    y = (
        rng.normal(size=(m, 30))[:, client]
        + 0.5 * visit
        + rng.normal(0, 0.4, (m, 2))[:, trainer] * (visit > 0)
        + rng.normal(0, 0.5, (m, 90))
    )
    X = np.stack(
        [np.broadcast_to(visit == k, (m, 90)) for k in range(3)] + [arm * (visit == k) for k in (1, 2)], 2
    )
    observed = rng.random((m, 90)) > 0.15 * (visit > 0)
    effects = [RandomEffect("trainer", trainer, (visit > 0).astype(float))]
    residual = ResidualStructure()
    if kind == "equal":
        effects.append(RandomEffect("client", client))
    else:
        residual = ResidualStructure(kind, client, visit)  # type: ignore[arg-type]
    return Trials(y, X.astype(float), observed, effects, residual)


CONTRASTS = np.array([[0, 0, 0, 0, 1.0], [0, 0, 0, 0.5, 0.5]])


@pytest.mark.parametrize("method", ["kenward-roger", "satterthwaite", "residual"])
@pytest.mark.parametrize("kind", ["equal", "unstructured", "autoregressive"])
def test_equal_to_single_fits(kind: str, method: str) -> None:
    """To seven digits: both searches end within the square root of the decrement of the optimum."""
    trials = make(kind)
    many = fit_many_linear_mixed(
        np.where(trials.observed, trials.y, np.nan),
        trials.X,
        trials.effects,
        contrasts=CONTRASTS,
        observed=trials.observed,
        residual=trials.residual,
        degrees_of_freedom=method,  # type: ignore[arg-type]
    )
    assert many.converged.all()
    for trial, used in enumerate(trials.observed):
        effects = [RandomEffect(e.name, e.groups[used], e.design[used]) for e in trials.effects]
        residual = trials.residual
        if residual.groups is not None and residual.visits is not None:
            residual = ResidualStructure(residual.kind, residual.groups[used], residual.visits[used])
        fit = fit_linear_mixed(trials.y[trial, used], trials.X[trial, used], effects, residual=residual)
        assert fit.at_boundary == many.at_boundary[trial]
        for place, row in enumerate(CONTRASTS):
            single = fit.contrast(row, degrees_of_freedom=method)  # type: ignore[arg-type]
            ours = [a[trial, place] for a in (many.value, many.standard_error, many.degrees_of_freedom)]
            theirs = [single.value, single.standard_error, single.degrees_of_freedom]
            np.testing.assert_allclose(ours, theirs, rtol=1e-7, atol=1e-9)
            assert many.p_value[trial, place] == pytest.approx(single.p_value, rel=1e-6)


def test_one_design_many_outcomes_and_one_outcome_many_designs() -> None:
    trials = make("equal")
    for y, X in ((trials.y, trials.X[0]), (trials.y[0], trials.X)):
        many = fit_many_linear_mixed(y, X, trials.effects, contrasts=CONTRASTS[0])
        assert many.value.shape == (8, 1)
        last = fit_linear_mixed(
            trials.y[-1] if y.ndim == 2 else y, trials.X[-1] if X.ndim == 3 else X, trials.effects
        ).contrast(CONTRASTS[0])
        assert many.value[-1, 0] == pytest.approx(last.value, rel=1e-7)
        assert many.degrees_of_freedom[-1, 0] == pytest.approx(last.degrees_of_freedom, rel=1e-6)


def test_a_trial_that_cannot_be_fitted_is_marked_and_the_others_go_on() -> None:
    trials = make("equal")
    observed, y = trials.observed.copy(), trials.y.copy()
    observed[2] = np.arange(90) % 3 == 0  # baseline only: the follow-up means do not exist
    y[4] = 0.0
    many = fit_many_linear_mixed(y, trials.X, trials.effects, contrasts=CONTRASTS, observed=observed)
    assert np.flatnonzero(~many.converged).tolist() == [2, 4]
    assert np.isnan(many.p_value[[2, 4]]).all()
    assert np.isfinite(many.p_value[[0, 1, 3, 5, 6, 7]]).all()


def test_refusals() -> None:
    trials = make("equal")
    with pytest.raises(ArgumentError, match="finite numbers in every observed row"):
        fit_many_linear_mixed(np.full((8, 90), np.nan), trials.X, trials.effects, contrasts=CONTRASTS)
    with pytest.raises(ArgumentError, match="rows of 5 weights"):
        fit_many_linear_mixed(trials.y, trials.X, trials.effects, contrasts=[1, 0])
    with pytest.raises(ArgumentError, match=r"outcomes \(m, n\)"):
        fit_many_linear_mixed(trials.y, trials.X[:3], trials.effects, contrasts=CONTRASTS)
    with pytest.raises(ArgumentError, match="'kenward-roger' with reml=True"):
        fit_many_linear_mixed(trials.y, trials.X, trials.effects, contrasts=CONTRASTS, reml=False)
    with pytest.raises(DesignError, match="at least two levels"):
        fit_many_linear_mixed(trials.y, trials.X, RandomEffect("studio", np.zeros(90)), contrasts=CONTRASTS)


def test_small_null_trials_never_fail_unseen() -> None:
    """300 null trials of 24 clients, no trainer variance: none crashes or warns, rejections near 5 %.

    Monte Carlo standard error at 300 trials is 1.3 %; the limit is three of them.
    """
    rng = np.random.default_rng(21)
    client, visit = np.repeat(np.arange(24), 3), np.tile(np.arange(3), 24)
    spread = np.linalg.cholesky([[1.0, 0.8, 0.7], [0.8, 1.2, 1.0], [0.7, 1.0, 1.5]])
    y = (rng.normal(size=(300, 24, 3)) @ spread.T).reshape(300, 72)
    arm = rng.permuted(np.tile(np.arange(24) % 2, (300, 1)), axis=1)[:, client]
    means = [np.broadcast_to(visit == k, (300, 72)) for k in range(3)]
    X = np.stack([*means, *(arm * (visit == k) for k in (1, 2))], axis=2).astype(float)
    many = fit_many_linear_mixed(
        y,
        X,
        RandomEffect("trainer", client % 4, (visit > 0).astype(float)),
        contrasts=CONTRASTS[0],
        observed=rng.random((300, 72)) > 0.1 * (visit > 0),
        residual=ResidualStructure("unstructured", client, visit),
    )
    assert many.converged.mean() >= 0.99
    assert many.at_boundary.mean() > 0.3  # the variance is zero: about half of the estimates are
    rejected = np.mean(many.p_value[many.converged] < 0.05)
    assert abs(rejected - 0.05) < 3 * np.sqrt(0.05 * 0.95 / 300)


def test_tests_that_nearly_repeat_each_other_give_the_exact_t_test() -> None:
    """Body mass: 12 kg between clients, 1 kg to 50 g from visit to visit; three studies beside each other.

    With every client at every visit, the contrast of changes between arms is the t-test of two groups with
    22 degrees of freedom. They were 22.12 (Kenward-Roger) and 21.986 (Satterthwaite) for 50 g, where all was
    computed in the elements of a matrix whose inverse is 300,000 times its size.
    """
    rng = np.random.default_rng(5)
    arm, client, visit = np.arange(24) % 2, np.repeat(np.arange(24), 3), np.tile(np.arange(3), 24)
    mass = np.array(
        [70 + rng.normal(0, 12, (24, 1)) + rng.normal(0, spread, (24, 3)) for spread in (1.0, 0.1, 0.05)]
    )
    X = np.column_stack([(visit == v) & (arm[client] == a) for v in range(3) for a in (0, 1)]).astype(float)
    residual, change = ResidualStructure("unstructured", client, visit), mass[:, :, 2] - mass[:, :, 0]
    weights = np.array([1.0, -1.0, 0.0, 0.0, -1.0, 1.0])
    exact = stats.ttest_ind(change[:, arm == 1], change[:, arm == 0], axis=1)
    for method in ("kenward-roger", "satterthwaite"):
        many = fit_many_linear_mixed(
            mass.reshape(3, -1), X, [], contrasts=weights, residual=residual, degrees_of_freedom=method
        )
        np.testing.assert_allclose(many.degrees_of_freedom[:, 0], 22.0, rtol=1e-7)
        np.testing.assert_allclose(many.value[:, 0] / many.standard_error[:, 0], exact.statistic, rtol=1e-7)
        for study in range(3):
            single = fit_linear_mixed(mass[study].ravel(), X, [], residual=residual)
            found = single.contrast(weights, degrees_of_freedom=method)
            assert found.degrees_of_freedom == pytest.approx(22.0, rel=1e-7)
            assert found.statistic == pytest.approx(exact.statistic[study], rel=1e-7)


def test_a_small_residual_beside_more_effects_than_rows_is_fitted_as_alone() -> None:
    """Six clients under two trainers and three columns are 11, but explain only 8 of 9 rows: one is left.

    Among many, such a trial counted as one whose residual variance has run to zero.
    """
    rng = np.random.default_rng(4)
    client = np.repeat(np.arange(6), [2, 2, 2, 1, 1, 1])
    effects = [RandomEffect("client", client), RandomEffect("trainer", client % 2)]
    X = np.column_stack([np.ones(9), [0, 1, 0, 1, 0, 1, 0, 0, 0], rng.normal(size=9)])
    y = rng.normal(size=6)[client] + X[:, 1] + 1e-3 * rng.normal(size=9)
    single = fit_linear_mixed(y, X, effects)
    many = fit_many_linear_mixed(y, X, effects, contrasts=[0.0, 1.0, 0.0])
    assert single.converged
    assert many.converged[0]
    alone = single.contrast([0.0, 1.0, 0.0])
    assert many.degrees_of_freedom[0, 0] == pytest.approx(alone.degrees_of_freedom, rel=1e-8)
    assert many.standard_error[0, 0] == pytest.approx(alone.standard_error, rel=1e-8)


def test_the_layout_that_is_kept_belongs_to_the_model() -> None:
    """Fitted again, with another outcome or other columns, a model gives what new effects would give."""
    trials = make("equal")
    for y, X in zip(trials.y[:3], trials.X[:3], strict=True):
        anew = [RandomEffect(effect.name, effect.groups, effect.design) for effect in trials.effects]
        kept, new = fit_linear_mixed(y, X, trials.effects), fit_linear_mixed(y, X, anew)
        assert kept.log_likelihood == new.log_likelihood
        np.testing.assert_array_equal(kept.values, new.values)
