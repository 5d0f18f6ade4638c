"""Departures of simulated clients."""

import math
from dataclasses import replace

import numpy as np
import pytest

from studykit.randomness import stream
from studykit.trial.departures import Leaving, cumulative_hazard, simulate_departures, staying_share
from studykit.trial.models import RetentionModel, StrengthModel
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_clients import simulate_clients
from studykit.trial.simulated_scores import simulate_tests

PLAIN = RetentionModel(retained=(0.70, 0.80), sd_trainer=0.0, return_share=0.0)


def left(settings, arm=0, trials=400):
    traits = simulate_clients(settings, trials, stream(4, "clients"))
    arms = np.full(traits.trainer.shape, arm)
    tests = simulate_tests(settings, traits, arms, stream(4, "tests"))
    return traits, tests, simulate_departures(settings, traits, arms, tests=tests, rng=stream(4, "left"))


def test_weibull_through_the_share_at_the_horizon():
    """S(t) = exp(-(t / scale) ** shape) with shape 0.85; 24,000 clients, four Monte Carlo errors."""
    _, _, leaving = left(TrialSettings(retention=PLAIN))
    days = np.array([28.0, 84.0, 154.0])
    stayed = (leaving.left[..., None] >= days).mean(axis=(0, 1))
    expected = 0.70 ** ((days / 154.0) ** 0.85)
    np.testing.assert_allclose(stayed, expected, atol=4 * math.sqrt(0.21 / 24000))


def test_default_curve_is_the_derived_one():
    """Shape 0.85 and 0.70 at 26 weeks give 0.93 at 4, 0.83 at 12, 0.53 at 52 (planning default)."""
    survival = 0.70 ** ((np.array([4.0, 12.0, 52.0]) / 26.0) ** RetentionModel().shape)
    np.testing.assert_allclose(survival, [0.93, 0.83, 0.53], atol=0.005)


def test_arms_leave_at_their_own_rates_and_hazards_are_proportional():
    _, _, control = left(TrialSettings(retention=PLAIN), arm=0)
    _, _, compared = left(TrialSettings(retention=PLAIN), arm=1)
    shares = [(leaving.left >= 154.0).mean() for leaving in (control, compared)]
    np.testing.assert_allclose(shares, [0.70, 0.80], atol=0.013)
    # The same chances in both arms: nobody leaves earlier in the arm with the lower hazard.
    assert np.all(compared.left >= control.left)


def test_spread_between_trainers_keeps_the_mean_share():
    _, _, leaving = left(TrialSettings(retention=replace(PLAIN, sd_trainer=0.8)), trials=2000)
    # Twelve thousand trainers; the share of one has a spread of 0.17, so four errors are 0.007.
    assert (leaving.left >= 154.0).mean() == pytest.approx(0.70, abs=0.012)


def test_cumulative_hazard_averages_over_the_spread():
    """Against numerical integration with another rule."""
    level = cumulative_hazard(0.6, 0.7)
    z = np.linspace(-8.0, 8.0, 4001)
    density = np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi)
    mean = np.trapezoid(density * np.exp(-level * np.exp(0.7 * z)), z)
    assert mean == pytest.approx(0.6, abs=1e-6)
    assert cumulative_hazard(1.0, 0.7) == 0.0


def test_everybody_stays_where_the_share_is_one():
    _, _, leaving = left(TrialSettings(retention=replace(PLAIN, retained=(1.0, 1.0))), trials=5)
    assert np.all(np.isinf(leaving.left))
    assert staying_share(1.0, RetentionModel()) == 1.0


def test_who_gains_stays_where_departures_follow_the_true_gain():
    retention = replace(PLAIN, per_gain=-0.8, gain_seen="true")
    traits, _, leaving = left(TrialSettings(retention=retention))
    gone = leaving.left < 154.0
    assert traits.own_gain[gone].mean() < -0.2 < 0.0 < traits.own_gain[~gone].mean()
    assert gone.mean() == pytest.approx(0.30, abs=0.013)


def test_departures_by_the_observed_gain_are_random_given_what_was_seen():
    """Before the first follow-up test nothing has been seen, and nobody leaves because of a gain."""
    strength = StrengthModel(sd_gain_exercise=0.0, measurement_sd=0.06)
    settings = TrialSettings(retention=replace(PLAIN, per_gain=-1.0), strength=strength)
    traits, tests, leaving = left(settings, trials=1500)
    early = leaving.left < 42
    assert traits.own_gain[early].mean() == pytest.approx(0.0, abs=4 / math.sqrt(early.sum()))
    between = (leaving.left >= 42) & (leaving.left < 84)
    seen = tests.came[:, :, 1, 0]
    change = (tests.analysed[:, :, 1, 0] - tests.analysed[:, :, 0, 0])[between & seen]
    stayed = (tests.analysed[:, :, 1, 0] - tests.analysed[:, :, 0, 0])[(leaving.left >= 84) & seen]
    assert change.mean() < stayed.mean() - 0.05


def test_some_come_back_after_the_absence():
    settings = TrialSettings(retention=replace(PLAIN, return_share=0.5, retained=(0.6, 0.6)))
    _, _, leaving = left(settings)
    back = np.isfinite(leaving.returned)
    assert np.all(leaving.returned[back] >= leaving.left[back] + 28)
    gone = np.isfinite(leaving.left)
    assert back.sum() / gone.sum() == pytest.approx(0.5, abs=0.02)


def test_trains_outside_the_absence_only():
    leaving = Leaving(np.array([[10.0, np.inf]]), np.array([[50.0, np.inf]]))
    days = np.array([[[10, 11, 49, 50], [10, 11, 49, 50]]])
    np.testing.assert_array_equal(leaving.trains(days)[0, 0], [True, False, False, True])
    assert leaving.trains(days)[0, 1].all()
