"""Clients before allocation."""

import math

import numpy as np
import pytest

from studykit.randomness import stream
from studykit.trial.models import ClientFactor, DeliveryModel, Machine, RetentionModel, StrengthModel
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_clients import simulate_clients

MACHINES = (Machine("leg_press"), Machine("chest_press"), Machine("row"))
SEX = ClientFactor("sex", ("female", "male"), (0.6, 0.4), (0.0, math.log(1.8)))


def drawn(trials=400, **changes):
    settings = TrialSettings(**{"clients": 60, "trainers": 4, "machines": MACHINES, **changes})
    return settings, simulate_clients(settings, trials, stream(5, "clients"))


def test_spreads_are_those_of_the_settings():
    """24,000 clients: a standard deviation has a relative error of 0.5 %, so 2 % is four of them."""
    settings, traits = drawn(strength=StrengthModel(sd_trainer=0.0))
    strength = settings.strength
    common = traits.baseline.mean(axis=-1)
    assert traits.baseline[..., 0].std() == pytest.approx(
        math.hypot(strength.sd_client, strength.sd_client_exercise), rel=0.02
    )
    assert common.std() == pytest.approx(
        math.sqrt(strength.sd_client**2 + strength.sd_client_exercise**2 / 3), rel=0.02
    )
    assert traits.gain[..., 1].std() == pytest.approx(
        math.hypot(strength.sd_gain, strength.sd_gain_exercise), rel=0.02
    )
    assert traits.own_gain.std() == pytest.approx(1.0, rel=0.02)
    assert traits.gain.mean() == pytest.approx(strength.gain, abs=4 * 0.1 / math.sqrt(24000))


def test_gain_goes_with_baseline_as_told():
    _, traits = drawn(
        strength=StrengthModel(gain_baseline_correlation=-0.5, sd_client_exercise=0.0, sd_gain_exercise=0.0)
    )
    without_trainer = traits.own_gain.ravel()
    found = np.corrcoef(traits.baseline[..., 0].ravel(), without_trainer)[0, 1]
    # Standard error of a correlation of 0.5 from 24,000 clients is 0.005.
    assert found == pytest.approx(-0.5, abs=0.02)


def test_sexes_differ_by_the_ratio():
    _, traits = drawn(factors=(SEX,))
    men = traits.levels[0] == 1
    assert men.mean() == pytest.approx(0.4, abs=4 * math.sqrt(0.24 / men.size))
    ratio = np.exp(traits.baseline[men].mean() - traits.baseline[~men].mean())
    assert ratio == pytest.approx(1.8, rel=0.02)


def test_trained_clients_gain_less():
    factor = ClientFactor("training_age", ("novice", "trained"), (0.5, 0.5), gain_share=(1.0, 0.25))
    settings, traits = drawn(
        factors=(factor,), strength=StrengthModel(sd_gain=0.0, sd_gain_exercise=0.0, sd_trainer=0.0)
    )
    trained = traits.levels[0] == 1
    np.testing.assert_allclose(traits.gain[trained], 0.25 * settings.strength.gain, rtol=1e-12)
    np.testing.assert_allclose(traits.gain[~trained], settings.strength.gain, rtol=1e-12)


def test_clients_are_shared_out_evenly_among_trainers():
    _, traits = drawn(trials=50, clients=62)
    counts = np.array([np.bincount(row, minlength=4) for row in traits.trainer])
    assert set(counts.ravel().tolist()) == {15, 16}


def test_clients_of_one_trainer_share_what_the_trainer_adds():
    _, traits = drawn(trials=20)
    for trial in range(20):
        for trainer in range(4):
            own = traits.trainer[trial] == trainer
            assert np.ptp(traits.trainer_by_arm[trial, own]) == 0.0
            assert np.ptp(traits.trainer_hazard[trial, own]) == 0.0


def test_factor_and_trainer_both_move_the_hazard():
    factor = ClientFactor("sex", ("female", "male"), (0.5, 0.5), hazard_shift=(0.0, 0.7))
    _, traits = drawn(trials=5, factors=(factor,), retention=RetentionModel(sd_trainer=0.0))
    np.testing.assert_allclose(traits.trainer_hazard, 0.7 * traits.levels[0], rtol=1e-12)


def test_delivery_has_the_mean_told_and_is_exact_at_the_ends():
    _, traits = drawn()
    assert traits.delivered.mean() == pytest.approx(0.8, abs=0.004)
    _, whole = drawn(trials=3, delivery=DeliveryModel(delivered=1.0, contaminated=0.0))
    assert np.all(whole.delivered == 1.0)
    assert not whole.contaminated.any()


def test_days_of_allocation_are_in_order_from_the_first():
    _, traits = drawn(trials=30)
    assert np.all(traits.allocated_day[:, 0] == 0)
    assert np.all(np.diff(traits.allocated_day, axis=1) >= 0)
    assert traits.allocated_day.max() < 84


def test_nothing_can_be_changed_afterwards():
    _, traits = drawn(trials=2)
    with pytest.raises(ValueError, match="read-only"):
        traits.gain[0, 0, 0] = 1.0
