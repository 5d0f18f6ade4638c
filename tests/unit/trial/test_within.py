"""Simulated studies in which one client gets both arms: each test has the arm that the analysis gives it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.kinds.continuous.within import arms_of_tests
from studykit.planning.simulated_plan import remarks_on_design
from studykit.planning.simulation import simulate_study
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Protocol
from studykit.shipped import shipped
from studykit.trial.arrays import score_arrays
from studykit.trial.batch import simulate_batch
from studykit.trial.performance import without_effect
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_clients import arms_given
from studykit.trial.truth import true_strength

DESIGNS = ("crossover", "limbs", "stepped")


def ready(design: str) -> Protocol:
    return read_protocol(shipped("protocols") / f"{design}.toml").protocol


@pytest.mark.parametrize("design", DESIGNS)
def test_the_arm_of_a_simulated_test_is_that_of_the_analysis(design: str) -> None:
    protocol = ready(design)
    settings = TrialSettings.from_protocol(protocol, clients=18)
    batch = simulate_batch(settings, 3, seed=5, attendance=False)
    assert settings.drawn == protocol.allocated_codes
    scores = score_arrays(protocol, batch)
    wanted = arms_of_tests(protocol, scores)
    given = np.broadcast_to(arms_given(settings, batch.traits, batch.arm), wanted.shape)
    analysed = wanted >= 0
    assert set(wanted[analysed]) == {0, 1}
    assert np.array_equal(given[analysed], wanted[analysed])
    assert not given[:, :, list(scores.baseline_visits)].any()


@pytest.mark.parametrize("design", DESIGNS)
def test_the_effect_is_whole_at_the_tests_of_the_compared_arm_and_nowhere_else(design: str) -> None:
    """The same random numbers without an effect leave the difference that the arm makes."""
    settings = TrialSettings.from_protocol(ready(design), clients=18)
    with_, without = (
        simulate_batch(meant, 20, seed=6, attendance=False) for meant in (settings, without_effect(settings))
    )
    exact = [np.log(batch.tests.load) for batch in (with_, without)]
    arms = np.broadcast_to(arms_given(settings, with_.traits, with_.arm), exact[0].shape)
    baseline = [visit.baseline for visit in settings.visits]
    difference = exact[0] - exact[1]
    assert np.all(difference[:, :, baseline] == 0.0)
    after = np.array([not visit.baseline for visit in settings.visits])
    compared, other = ((arms == arm) & after[:, None] for arm in (1, 0))
    found = difference[compared].mean() - difference[other].mean()
    truth = true_strength(settings, seed=6, trials=200)
    assert found == pytest.approx(truth.value, abs=0.006)  # loads are rounded to the stack; trainers differ


def test_where_simulated_periods_are_kinder_the_formula_counts() -> None:
    """Simulated gains fan out: the ends of two periods are more alike than the formula takes them to be."""
    said = {design: " ".join(remarks_on_design(ready(design))) for design in (*DESIGNS, "parallel")}
    assert said["crossover"].startswith("Plan by the formula where the two differ")
    assert said["stepped"] == said["crossover"]
    assert said["limbs"] == said["parallel"] == ""


def test_trainers_of_a_roll_out_pass_their_step_on() -> None:
    settings = TrialSettings.from_protocol(ready("stepped"), clients=27)
    batch = simulate_batch(settings, 4, seed=7, attendance=False)
    for trial in range(4):
        steps = {
            (trainer, step)
            for trainer, step in zip(batch.traits.trainer[trial], batch.arm[trial], strict=True)
        }
        assert len(steps) == settings.trainers
        assert sorted(step for _, step in steps) == [0, 0, 0, 1, 1, 1, 2, 2, 2]


@pytest.mark.parametrize("design", DESIGNS)
def test_a_plan_is_simulated_and_its_analysis_finds_the_truth(design: str) -> None:
    """80 studies of the planned size: bias within four Monte Carlo errors, no excess of false claims.

    95 % intervals that hold the truth in fewer than 88 of 100, or claims in more than 14 of 100 without an
    effect, would come up by chance once in some hundred runs.
    """
    found = simulate_study(ready(design), trials=80, seed=3).outcomes[0]
    effect, null = found.with_effect, found.without_effect
    assert null is not None
    assert (effect.failed, null.failed) == (0, 0)
    assert effect.by_model.value == 1.0
    assert abs(effect.bias) < 4.0 * effect.bias_error
    assert effect.coverage.value >= 0.88
    assert null.rejected.value <= 0.14
    assert math.isfinite(found.width.value)
