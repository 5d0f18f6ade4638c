"""Hazard ratios: what cannot be estimated is said before fitting; clusters get t."""

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError, ConvergenceError, DesignError
from studykit.retention.censored import CensoredTimes
from studykit.retention.cox import partial_likelihood, risk_sets, score_residuals
from studykit.retention.hazard import fit_hazards, hazard_ratio

RNG = np.random.default_rng(11)
N = 60
TIMES = CensoredTimes(RNG.integers(1, 30, N), RNG.random(N) < 0.6)
ARM = np.arange(N) % 2 == 1
TRAINER = np.arange(N) // 10


def test_nobody_left_in_one_arm():
    """User need: a coefficient of -19 with standard error 3,260 came from other software, warnings only."""
    event = TIMES.event & ~ARM
    model = hazard_ratio(CensoredTimes(TIMES.time, event), ARM)
    assert not model.estimable
    assert model.not_estimable == "every departure was in the reference arm while both arms were at risk"
    assert np.isnan(model.covariance).all()
    assert 0.0 < model.score_p_value < 0.01
    with pytest.raises(ConvergenceError, match="a ratio cannot be estimated"):
        model.log_hazard_ratio("arm")
    with pytest.raises(ConvergenceError, match="a ratio cannot be estimated"):
        _ = model.likelihood_ratio_statistic


def test_nobody_left_in_the_reference_arm_within_strata():
    event = TIMES.event & ARM
    model = hazard_ratio(CensoredTimes(TIMES.time, event), ARM, strata=TRAINER)
    assert model.not_estimable == "every departure was in the compared arm while both arms were at risk"


def test_departures_never_seen_beside_the_other_arm():
    times = CensoredTimes([5, 6, 7, 20, 21, 22], [1, 1, 1, 1, 1, 1], entry=[0, 0, 0, 10, 10, 10])
    model = hazard_ratio(times, [0, 0, 0, 1, 1, 1])
    assert model.not_estimable == "no departure happened while both arms were at risk"


def test_departures_only_after_the_other_arm_has_gone_are_found_too():
    times = CensoredTimes([2, 3, 8, 9], [1, 1, 1, 1])
    model = hazard_ratio(times, [0, 0, 1, 1])
    assert model.not_estimable == "every departure was in the reference arm while both arms were at risk"


def test_a_combination_that_separates_is_refused_without_an_estimate():
    x1, x2 = np.array([1, 0, 2, 1, 0, 2.0]), np.array([2, 3, 0.5, 0, 1, -1.0])
    times = CensoredTimes([1, 2, 3, 9, 9, 9], [1, 1, 1, 0, 0, 0])
    with pytest.raises(ConvergenceError, match="a combination of covariates separates"):
        fit_hazards(times, np.column_stack((x1, x2)), names=("one", "two"))


def test_score_and_information_are_derivatives():
    x = np.column_stack((ARM, RNG.normal(size=N)))
    beta, step = np.array([0.3, -0.2]), 1e-5
    for ties in ("efron", "breslow"):
        sets = [risk_sets(TIMES, x, ties=ties)]
        here = partial_likelihood(sets, beta)
        for k in range(2):
            shift = step * np.eye(2)[k]
            up, down = partial_likelihood(sets, beta + shift), partial_likelihood(sets, beta - shift)
            assert here.score[k] == pytest.approx(
                (up.log_likelihood - down.log_likelihood) / (2 * step), rel=1e-6
            )
            np.testing.assert_allclose(here.information[k], -(up.score - down.score) / (2 * step), rtol=1e-6)


def weighted_breslow_score(x: np.ndarray, beta: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Written out departure by departure, as in the books."""
    risk, score = weights * np.exp(x @ beta), np.zeros(2)
    for row in np.flatnonzero(TIMES.event):
        present = (TIMES.entry < TIMES.time[row]) & (TIMES.time >= TIMES.time[row])
        score += weights[row] * (x[row] - risk[present] @ x[present] / risk[present].sum())
    return score


def test_score_residuals_add_up_to_the_score_and_are_derivatives_by_weight():
    x = np.column_stack((ARM, RNG.normal(size=N)))
    beta = np.array([0.3, -0.2])
    for ties in ("efron", "breslow"):
        sets = risk_sets(TIMES, x, ties=ties)
        residuals = score_residuals(sets, beta)
        np.testing.assert_allclose(residuals.sum(axis=0), partial_likelihood([sets], beta).score, atol=1e-10)
    # Breslow's likelihood is a smooth function of the weights, so a residual is a derivative by weight.
    for row in (0, 17, 42):
        shift = 1e-5 * (np.arange(N) == row)
        change = weighted_breslow_score(x, beta, 1.0 + shift) - weighted_breslow_score(x, beta, 1.0 - shift)
        np.testing.assert_allclose(residuals[row], change / 2e-5, atol=1e-6)


def test_splitting_rows_changes_nothing():
    """A client's follow-up in several start-stop rows is the same client."""
    whole = fit_hazards(TIMES, ARM.astype(float), names=("arm",))
    long = TIMES.time > 7
    time = np.concatenate((np.minimum(TIMES.time, 7), TIMES.time[long]))
    event = np.concatenate((TIMES.event & ~long, TIMES.event[long]))
    entry = np.concatenate((np.zeros(N), np.full(long.sum(), 7)))
    split = fit_hazards(
        CensoredTimes(time, event, entry=entry),
        np.concatenate((ARM, ARM[long])).astype(float),
        names=("arm",),
    )
    assert split.coefficients[0] == pytest.approx(whole.coefficients[0], rel=1e-9)
    assert split.log_likelihood == pytest.approx(whole.log_likelihood, rel=1e-12)


def test_clusters_get_the_factor_and_t_on_clusters_minus_two():
    model = hazard_ratio(TIMES, TRAINER % 2 == 1, clusters=TRAINER)
    estimate = model.log_hazard_ratio("arm")
    assert estimate.degrees_of_freedom == 4
    assert estimate.standard_error == pytest.approx(math.sqrt(6 / 5 * model.robust_covariance[0, 0]))
    assert "supporting only" in estimate.method


def test_strata_that_tell_nothing_are_named():
    trainer = np.where(TRAINER == 0, "alone", "both")
    arm = np.where(TRAINER == 0, True, ARM)
    assert hazard_ratio(TIMES, arm, strata=trainer).uninformative == ("alone",)


@pytest.mark.parametrize(
    ("covariates", "names", "message"),
    [
        (np.ones(N), ("arm",), "covariate arm: expected values that differ"),
        (np.column_stack((ARM, 1.0 - ARM)), ("arm", "other"), "covariate other: expected values that differ"),
        (np.where(np.arange(N) == 3, np.nan, ARM), ("arm",), "finite covariates"),
        (ARM[:-1].astype(float), ("arm",), r"covariates of shape \(60, 1\)"),
    ],
)
def test_impossible_covariates_are_refused(covariates, names, message):
    with pytest.raises(ArgumentError, match=message):
        fit_hazards(TIMES, covariates, names=names)


def test_impossible_questions_are_refused():
    with pytest.raises(ArgumentError, match="clients in both arms"):
        hazard_ratio(TIMES, np.ones(N, dtype=bool))
    with pytest.raises(ArgumentError, match=r"at least one departure; found none\. Report that nobody left"):
        hazard_ratio(CensoredTimes(TIMES.time, np.zeros(N, dtype=bool)), ARM)
    with pytest.raises(DesignError, match="at least three clusters; found 2"):
        hazard_ratio(TIMES, ARM, clusters=ARM)
    with pytest.raises(ArgumentError, match="one label for each of 60 rows"):
        hazard_ratio(TIMES, ARM, clusters=TRAINER[:-1])
    with pytest.raises(ArgumentError, match="expected one of arm; found age"):
        hazard_ratio(TIMES, ARM).log_hazard_ratio("age")
