"""Many binary fits at once are the single fits, trial by trial."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.errors import ArgumentError, DesignError
from studykit.mixed import ManyBinaryFits, RandomEffect, fit_binary_mixed, fit_many_binary_mixed

CLIENTS = 48
TRAINER = np.arange(CLIENTS) % 6
ARM = (np.arange(CLIENTS) // 6 % 2).astype(float)
X = np.column_stack([np.ones(CLIENTS), ARM])
EFFECT = RandomEffect("trainer", TRAINER)
M = np.array([[0.0, 1.0], [1.0, 0.5]])


def outcomes(trials: int, seed: int, deviation: float = 0.8, centre: float = 0.6) -> np.ndarray:
    rng = np.random.default_rng(seed)
    eta = centre + 0.5 * ARM + deviation * rng.standard_normal((trials, 6))[:, TRAINER]
    return (rng.random((trials, CLIENTS)) < 1.0 / (1.0 + np.exp(-eta))).astype(float)


def check(many: ManyBinaryFits, trial: int, y: np.ndarray, design: np.ndarray, **options: object) -> None:
    """One trial against its own fit; both searches stop where less than 1e-10 can be gained."""
    used = options.pop("used", np.ones(len(y), bool))
    effect = options.pop("effect", EFFECT)
    effect = RandomEffect(effect.name, effect.groups[used], effect.design[used])
    try:
        single = fit_binary_mixed(y[used], design[used], effect, **options)
    except DesignError:
        assert not many.converged[trial]
        assert np.isnan(many.value[trial]).all()
        return
    assert many.converged[trial] == single.converged
    assert many.at_boundary[trial] == single.at_boundary
    assert many.penalised[trial] == single.penalised
    assert many.log_likelihood[trial] == pytest.approx(single.log_likelihood, abs=1e-8)
    deviation = float(np.sqrt(single.random_effects[0].matrix[0, 0]))
    assert many.standard_deviation[trial] == pytest.approx(deviation, abs=2e-5)
    for place, row in enumerate(M):
        estimate = single.contrast(row)
        assert many.value[trial, place] == pytest.approx(estimate.value, abs=1e-5)
        assert many.standard_error[trial, place] == pytest.approx(estimate.standard_error, rel=1e-5)
        assert many.degrees_of_freedom[trial, place] == estimate.degrees_of_freedom
        assert many.p_value[trial, place] == pytest.approx(estimate.p_value, abs=1e-5)


@pytest.mark.parametrize("link", ["logit", "cloglog"])
@pytest.mark.parametrize("points", [1, 9])
def test_one_design(link: str, points: int) -> None:
    y = outcomes(25, 3)
    many = fit_many_binary_mixed(y, X, EFFECT, contrasts=M, link=link, quadrature_points=points)
    assert many.at_boundary.any()
    assert not many.at_boundary.all()
    for trial in range(25):
        check(many, trial, y[trial], X, link=link, quadrature_points=points)


def test_a_new_allocation_and_missing_clients_in_every_trial() -> None:
    rng = np.random.default_rng(8)
    y, used = outcomes(20, 5), rng.random((20, CLIENTS)) < 0.8
    designs = np.stack([np.column_stack([np.ones(CLIENTS), rng.permutation(ARM)]) for _ in range(20)])
    many = fit_many_binary_mixed(y, designs, EFFECT, contrasts=M, observed=used, quadrature_points=7)
    for trial in range(20):
        check(many, trial, y[trial], designs[trial], used=used[trial], quadrature_points=7)


def test_trainers_as_clusters_have_their_degrees_of_freedom() -> None:
    arm = (TRAINER % 2).astype(float)
    design = np.column_stack([np.ones(CLIENTS), arm])
    y = outcomes(15, 6)
    many = fit_many_binary_mixed(y, design, EFFECT, contrasts=M)
    assert (many.degrees_of_freedom == 4.0).all()
    for trial in range(15):
        check(many, trial, y[trial], design)


def test_separated_trials_are_penalised_and_hopeless_ones_marked() -> None:
    """Rare departures: several trials without any in one arm, or without any at all."""
    y = outcomes(40, 7, deviation=0.2, centre=3.0)
    y[0] = 1.0
    y[1] = (TRAINER < 3).astype(float)  # every trainer keeps all clients or none
    many = fit_many_binary_mixed(y, X, EFFECT, contrasts=M)
    assert not many.converged[:2].any()
    assert many.penalised.any()
    for trial in range(40):
        check(many, trial, y[trial], X)


def test_counts_and_one_outcome_with_many_designs() -> None:
    rng = np.random.default_rng(2)
    trials = rng.integers(4, 12, 10)
    y = rng.binomial(trials, 0.5)
    designs = np.stack([np.column_stack([np.ones(10), rng.permutation(10) % 2]) for _ in range(6)])
    effect = RandomEffect("trainer", np.arange(10))
    many = fit_many_binary_mixed(y, designs, effect, contrasts=M, trials=trials)
    for trial in range(6):
        check(many, trial, y.astype(float), designs[trial], effect=effect, trials=trials)


def test_a_design_that_repeats_itself_fails_in_every_trial() -> None:
    many = fit_many_binary_mixed(outcomes(3, 1), np.column_stack([X, X[:, 1]]), EFFECT, contrasts=[0, 1, 0])
    assert not many.converged.any()
    assert np.isnan(many.p_value).all()


def test_a_column_that_no_observed_client_tells_fails_in_that_trial_alone() -> None:
    y, late = outcomes(3, 11), (np.arange(CLIENTS) % 8 == 3).astype(float)
    used = np.ones((3, CLIENTS), bool)
    used[1] = late == 0.0  # here the third column is zero wherever somebody was seen
    many = fit_many_binary_mixed(
        y, np.column_stack([X, late]), EFFECT, contrasts=[0.0, 1.0, 0.0], observed=used
    )
    assert many.converged.tolist() == [True, False, True]
    assert np.isnan(many.value).ravel().tolist() == [False, True, False]


def test_always_penalised_when_asked() -> None:
    y = outcomes(4, 9)
    many = fit_many_binary_mixed(y, X, EFFECT, contrasts=M, penalty="always")
    assert many.penalised.all()
    check(many, 2, y[2], X, penalty="always")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"contrasts": [0.0, 0.0]}, "not all zero"),
        ({"outcomes": np.full((2, CLIENTS), 0.5)}, "successes from 0 to the trials"),
        ({"fixed_effects": X[:-1]}, "fixed effects"),
        ({"quadrature_points": 0}, "whole number"),
        ({"link": "probit"}, "logit"),
        ({"random_effect": RandomEffect("trainer", TRAINER, X)}, "one column"),
    ],
)
def test_refusals(change: dict[str, object], words: str) -> None:
    given = {"outcomes": outcomes(2, 1), "fixed_effects": X, "random_effect": EFFECT, "contrasts": [0.0, 1.0]}
    given |= change
    first = [given.pop(name) for name in ("outcomes", "fixed_effects", "random_effect")]
    with pytest.raises(ArgumentError, match=words):
        fit_many_binary_mixed(*first, **given)
