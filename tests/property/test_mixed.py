"""What must not change, and exact special cases, for trials of any shape."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st
from scipy import stats

from studykit.mixed import MixedFit, RandomEffect, ResidualStructure, fit_linear_mixed

QUICK = settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)


@dataclass(frozen=True)
class Trial:
    y: np.ndarray
    X: np.ndarray
    client: np.ndarray
    trainer: np.ndarray
    visit: np.ndarray
    unstructured: bool

    def fit(self, *, reml: bool = True) -> MixedFit:
        after = (self.visit > 0).astype(float)
        trainer = RandomEffect("trainer", self.trainer, after)
        if self.unstructured:
            residual = ResidualStructure("unstructured", self.client, self.visit)
            return fit_linear_mixed(self.y, self.X, trainer, residual=residual, reml=reml)
        client = RandomEffect("client", self.client)
        return fit_linear_mixed(self.y, self.X, [client, trainer], reml=reml)


def made(
    seed: int, clients: int, trainers: int, missing: float, spread: float, *, unstructured: bool
) -> Trial:
    """Trainers crossed with arm, their effects after the start of a given spread; some tests missing."""
    rng = np.random.default_rng(seed)
    client, visit = np.repeat(np.arange(clients), 3), np.tile(np.arange(3), clients)
    keep = rng.random(len(client)) > missing * (visit > 0)
    client, visit = client[keep], visit[keep]
    arm = (client // trainers) % 2
    y = (
        rng.normal(0, 1, clients)[client]
        + 0.4 * visit
        + rng.normal(0, spread, trainers)[client % trainers] * (visit > 0)
        + rng.normal(0, 0.6, len(client))
    )
    X = np.column_stack([visit == k for k in range(3)] + [arm * (visit == k) for k in (1, 2)]).astype(float)
    return Trial(y, X, client, client % trainers, visit, unstructured)


@st.composite
def trials(draw: st.DrawFn) -> Trial:
    """12 to 30 clients under 2 to 4 trainers."""
    return made(
        draw(st.integers(0, 10_000)),
        draw(st.integers(12, 30)),
        draw(st.integers(2, 4)),
        draw(st.sampled_from([0.0, 0.15])),
        draw(st.sampled_from([0.0, 0.5])),
        unstructured=draw(st.booleans()),
    )


# Few clients were tested at all visits: the likelihood rises without end towards a singular residual.
NO_END = made(1176, 12, 4, 0.15, 0.0, unstructured=True)
THERE_AND_BACK = made(196, 12, 4, 0.15, 0.5, unstructured=True)
BACK_IN_ONE_CODING = made(122, 12, 4, 0.15, 0.5, unstructured=True)
# One combination of visits has 3e-6 of the variance, and an optimum all the same.
NEARLY_SINGULAR = made(5852, 12, 2, 0.15, 0.0, unstructured=True)


def both_reached(before: MixedFit, after: MixedFit) -> bool:
    """Whether both have an optimum; neither has one for another reason than the other."""
    assert after.converged == before.converged
    reasons = {fit.optimiser_report.message for fit in (before, after) if not fit.converged}
    assert len(reasons) < 2
    return before.converged


def inference(fit: MixedFit, weights: list[float]) -> np.ndarray:
    """Estimate, standard error and degrees of freedom by both methods."""
    a = fit.contrast(weights)
    b = fit.contrast(weights, degrees_of_freedom="satterthwaite")
    return np.array([a.value, a.standard_error, a.degrees_of_freedom, b.standard_error, b.degrees_of_freedom])


# Two searches end within the square root of the decrement of each other: seven digits.
SAME = 1e-6
WEIGHTS = [0.0, 0.0, 0.0, 0.0, 1.0]


@QUICK
@given(trials(), st.sampled_from([1e-6, 1e-3, 7.0, 1e4]), st.sampled_from([0.0, 1e3, -20.0]))
@example(NO_END, 1e-6, 0.0)
@example(THERE_AND_BACK, 1e-6, 1e3)
@example(THERE_AND_BACK, 7.0, -20.0)
@example(NEARLY_SINGULAR, 1e-6, 0.0)
@example(NEARLY_SINGULAR, 1e4, -20.0)
def test_unit_and_constant_of_the_outcome(trial: Trial, factor: float, constant: float) -> None:
    before = trial.fit()
    after = replace(trial, y=factor * (trial.y + constant)).fit()
    if not both_reached(before, after):
        return
    first, second = inference(before, WEIGHTS), inference(after, WEIGHTS)
    np.testing.assert_allclose(second, first * [factor, factor, 1, factor, 1], rtol=SAME, atol=1e-8 * factor)
    assert after.boundary_terms == before.boundary_terms
    degrees = len(trial.y) - trial.X.shape[1]
    assert after.log_likelihood + degrees * np.log(factor) == pytest.approx(before.log_likelihood, abs=1e-6)


@QUICK
@given(trials(), st.integers(0, 100))
@example(NO_END, 22)
@example(NEARLY_SINGULAR, 22)
def test_order_of_rows_and_names_of_levels(trial: Trial, seed: int) -> None:
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(trial.y))
    new_names = rng.permutation(100)
    shuffled = Trial(
        trial.y[order],
        trial.X[order],
        np.array([f"c{new_names[label]}" for label in trial.client[order]]),
        np.array([f"t{new_names[label]}" for label in trial.trainer[order]]),
        trial.visit[order],
        trial.unstructured,
    )
    before, after = trial.fit(), shuffled.fit()
    if not both_reached(before, after):
        return
    np.testing.assert_allclose(inference(after, WEIGHTS), inference(before, WEIGHTS), rtol=SAME, atol=1e-8)
    assert after.log_likelihood == pytest.approx(before.log_likelihood, abs=1e-8)


@QUICK
@given(trials(), st.integers(0, 100))
@example(NO_END, 22)
@example(BACK_IN_ONE_CODING, 24)
@example(THERE_AND_BACK, 95)
@example(NEARLY_SINGULAR, 22)
def test_coding_of_the_fixed_effects(trial: Trial, seed: int) -> None:
    """M56: estimates of a contrast do not depend on the coding; the ML likelihood neither, REML's does."""
    coding = np.linalg.qr(np.random.default_rng(seed).normal(size=(5, 5)))[0] @ np.diag([1, 2, 3, 4, 50.0])
    recoded = replace(trial, X=trial.X @ coding)
    moved = np.array(WEIGHTS) @ coding
    before, after = trial.fit(), recoded.fit()
    plain, other = trial.fit(reml=False), recoded.fit(reml=False)
    if both_reached(plain, other):
        assert other.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-7)
    if not both_reached(before, after):
        return
    np.testing.assert_allclose(
        inference(after, moved.tolist()), inference(before, WEIGHTS), rtol=SAME, atol=1e-8
    )
    shift = np.log(np.abs(np.linalg.det(coding)))
    assert after.log_likelihood == pytest.approx(before.log_likelihood - shift, abs=1e-7)


@QUICK
@given(trials())
def test_inputs_are_not_touched(trial: Trial) -> None:
    copies = [array.tobytes() for array in (trial.y, trial.X, trial.client, trial.trainer, trial.visit)]
    trial.fit()
    assert copies == [
        array.tobytes() for array in (trial.y, trial.X, trial.client, trial.trainer, trial.visit)
    ]


@QUICK
@given(st.integers(0, 10_000), st.integers(4, 25), st.floats(0.3, 3.0))
def test_balanced_pairs_are_the_paired_t_test(seed: int, pairs: int, between: float) -> None:
    """Exact where the variance between clients is estimated above zero."""
    rng = np.random.default_rng(seed)
    client = np.tile(np.arange(pairs), 2)
    y = rng.normal(0, between, pairs)[client] + rng.normal(size=2 * pairs)
    X = np.column_stack([np.ones(2 * pairs), np.repeat([0.0, 1.0], pairs)])
    fit = fit_linear_mixed(y, X, RandomEffect("client", client))
    assume(not fit.at_boundary)
    reference = stats.ttest_rel(y[pairs:], y[:pairs])
    for method in ("kenward-roger", "satterthwaite"):
        estimate = fit.contrast([0, 1], degrees_of_freedom=method)
        assert estimate.statistic == pytest.approx(reference.statistic, rel=1e-7)
        assert estimate.degrees_of_freedom == pytest.approx(pairs - 1, rel=1e-5)
        assert estimate.p_value == pytest.approx(reference.pvalue, rel=1e-5)


@QUICK
@given(st.integers(0, 10_000), st.integers(4, 25))
def test_zero_variance_is_least_squares(seed: int, clients: int) -> None:
    """Rows that repel each other within clients: the variance is exactly zero, nothing else moves."""
    rng = np.random.default_rng(seed)
    client = np.repeat(np.arange(clients), 3)
    noise = rng.normal(size=(clients, 3))
    noise -= 0.98 * noise.mean(axis=1, keepdims=True)
    y = noise.ravel()
    X = np.column_stack([np.ones(3 * clients), np.tile([0.0, 1.0, 2.0], clients), client % 2])
    fit = fit_linear_mixed(y, X, RandomEffect("client", client))
    assert fit.boundary_terms == ("The estimated variance of client is zero.",)
    assert fit.covariance_parameters["client"][0, 0] == 0.0
    beta, rss, *_ = np.linalg.lstsq(X, y)
    np.testing.assert_allclose(fit.values, beta, rtol=1e-8, atol=1e-10)
    variance = rss[0] / (len(y) - 3)
    assert fit.covariance_parameters.residual.variance == pytest.approx(variance, rel=1e-8)
    errors = np.sqrt(np.diag(variance * np.linalg.inv(X.T @ X)))
    np.testing.assert_allclose([c.standard_error for c in fit.coefficients], errors, rtol=1e-8)
    satterthwaite = fit.contrast([0, 1, 0], degrees_of_freedom="satterthwaite")
    assert satterthwaite.degrees_of_freedom == pytest.approx(len(y) - 3, rel=1e-7)  # known to be zero
    kenward_roger = fit.contrast([0, 0, 1])
    assert kenward_roger.degrees_of_freedom == pytest.approx(clients - 2, rel=1e-6)  # still uncertain


@QUICK
@given(trials())
def test_the_optimum_is_not_beaten(trial: Trial) -> None:
    """No covariance nearby, and none at the true values, has a higher likelihood: ML nests."""
    full = trial.fit(reml=False)
    assume(full.converged)
    without = (
        fit_linear_mixed(
            trial.y,
            trial.X,
            [],
            residual=ResidualStructure("unstructured", trial.client, trial.visit),
            reml=False,
        )
        if trial.unstructured
        else fit_linear_mixed(trial.y, trial.X, RandomEffect("client", trial.client), reml=False)
    )
    assert full.log_likelihood >= without.log_likelihood - 1e-8
    if "The estimated variance of trainer is zero." in full.boundary_terms:
        assert full.log_likelihood == pytest.approx(without.log_likelihood, abs=1e-7)
