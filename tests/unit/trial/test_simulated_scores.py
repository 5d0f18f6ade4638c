"""Tests of strength in simulated trials."""

import math
from dataclasses import replace

import numpy as np
import pytest

from studykit.randomness import stream
from studykit.trial.models import DeliveryModel, Machine, PlannedVisit, StrengthModel
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_clients import simulate_clients
from studykit.trial.simulated_scores import effect_received, simulate_tests, true_scores

FULL = DeliveryModel(delivered=1.0, contaminated=0.0)
QUIET = StrengthModel(effects=(0.0, 0.1), measurement_sd=0.0, sd_trainer_by_arm=0.0, learning=0.0)


def measured(settings, arm, trials=200):
    traits = simulate_clients(settings, trials, stream(3, "clients"))
    arms = np.full(traits.trainer.shape, arm)
    return traits, simulate_tests(settings, traits, arms, stream(3, "tests"))


def test_scores_fan_out():
    """The spread between clients grows with time, as published (Vickers et al. 2009)."""
    settings = TrialSettings(machines=(Machine("row", stack_step=0.0),))
    traits = simulate_clients(settings, 300, stream(3, "clients"))
    spread = true_scores(settings, traits, np.zeros(traits.trainer.shape, int))[..., 0].std(axis=(0, 1))
    assert spread[0] < spread[1] < spread[2]
    strength = settings.strength
    expected = strength.sd_client**2 + strength.sd_client_exercise**2
    expected += strength.sd_gain**2 + strength.sd_gain_exercise**2 + strength.sd_trainer**2
    assert spread[2] == pytest.approx(math.sqrt(expected), rel=0.02)


def test_effect_grows_to_the_primary_visit_and_is_nothing_at_baseline():
    settings = TrialSettings(strength=QUIET, delivery=FULL, machines=(Machine("row", stack_step=0.0),))
    _, control = measured(settings, 0)
    _, compared = measured(settings, 1)
    difference = compared.analysed - control.analysed
    growth = settings.strength.growth(np.array(settings.days, dtype=float))
    np.testing.assert_allclose(
        difference[..., 0], np.broadcast_to(0.1 * growth, difference.shape[:3]), atol=1e-12
    )


def test_effect_shows_only_where_partner_reps_are_given():
    machines = (Machine("row", stack_step=0.0), Machine("curl", stack_step=0.0, effect_share=0.0))
    settings = TrialSettings(strength=QUIET, delivery=FULL, machines=machines)
    _, control = measured(settings, 0, trials=5)
    _, compared = measured(settings, 1, trials=5)
    np.testing.assert_allclose(compared.analysed[:, :, 2, 0] - control.analysed[:, :, 2, 0], 0.1, atol=1e-12)
    np.testing.assert_allclose(compared.analysed[..., 1], control.analysed[..., 1], atol=1e-12)


def test_delivery_and_contamination_dilute_the_effect():
    """The mean contrast is the effect times (delivered - contaminated), the planning formula of dilution."""
    settings = TrialSettings(strength=QUIET, delivery=DeliveryModel(delivered=0.8, contaminated=0.1))
    traits = simulate_clients(settings, 500, stream(3, "clients"))
    shape = traits.trainer.shape
    contrast = effect_received(settings, traits, np.ones(shape, int)) - effect_received(
        settings, traits, np.zeros(shape, int)
    )
    # 30,000 clients with a spread of 0.033 each: the Monte Carlo error is 0.0002.
    assert contrast.mean() == pytest.approx(0.1 * 0.7, abs=0.0008)


def test_loads_are_whole_steps_of_the_stack():
    settings = TrialSettings(machines=(Machine("row", level=40.0, stack_step=5.0),))
    _, tests = measured(settings, 0, trials=20)
    np.testing.assert_allclose(tests.score % 5.0, 0.0, atol=1e-9)
    assert tests.score.min() >= 5.0


def test_rounding_adds_the_spread_of_a_uniform_step():
    """Standard deviation step / sqrt(12), as derived for weight stacks."""
    rounded = TrialSettings(machines=(Machine("row", level=80.0, stack_step=5.0),))
    plain = replace(rounded, machines=(Machine("row", level=80.0, stack_step=0.0),))
    lost = measured(plain, 0)[1].score - measured(rounded, 0)[1].score
    assert lost.std() == pytest.approx(5.0 / math.sqrt(12.0), rel=0.02)
    assert lost.mean() == pytest.approx(2.5, rel=0.02)


def test_shares_of_missed_tests():
    visits = (
        PlannedVisit("baseline", -3, baseline=True, missed=0.0),
        PlannedVisit("week_6", 42, missed=0.1),
        PlannedVisit("week_12", 84, missed=0.3),
    )
    _, tests = measured(TrialSettings(visits=visits), 0)
    np.testing.assert_allclose(tests.came.mean(axis=(0, 1, 3)), [1.0, 0.9, 0.7], atol=4 * 0.0042)


def test_poor_attenders_miss_more_tests():
    traits, tests = measured(TrialSettings(missed_by_attendance=-1.0), 0)
    missed = ~tests.came[:, :, 2, 0]
    assert traits.attendance[missed].mean() < -0.5 < 0.0 < traits.attendance[~missed].mean()
    assert tests.came[:, :, 0].all()


def test_baseline_tests_come_before_allocation_and_others_near_their_day():
    _, tests = measured(TrialSettings(), 0, trials=5)
    assert tests.day[..., 0].max() <= -3
    assert np.abs(tests.day[..., 1:] - [42, 84]).max() == 3


def test_scale_as_measured_adds():
    strength = replace(QUIET, scale="as_measured", gain=6.0, effects=(0.0, 4.0), sd_client=10.0)
    settings = TrialSettings(
        strength=strength, delivery=FULL, machines=(Machine("", level=80.0, stack_step=0.0),)
    )
    _, control = measured(settings, 0, trials=10)
    _, compared = measured(settings, 1, trials=10)
    np.testing.assert_allclose(compared.score[:, :, 2] - control.score[:, :, 2], 4.0, atol=1e-9)
    np.testing.assert_array_equal(control.analysed, control.score)
