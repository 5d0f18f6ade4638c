"""The truth of simulated trials."""

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.trial.batch import simulate_batch
from studykit.trial.models import DeliveryModel, Machine, RetentionModel, StrengthModel
from studykit.trial.settings import TrialSettings
from studykit.trial.truth import composite_at_primary, trainers_shift, true_retention, true_strength

SETTINGS = TrialSettings(
    clients=60,
    machines=(Machine("leg_press"), Machine("row", stack_step=5.0)),
    strength=StrengthModel(effects=(0.0, 0.1)),
    delivery=DeliveryModel(delivered=0.8, contaminated=0.1),
    retention=RetentionModel(retained=(0.70, 0.80)),
)


def test_strength_truth_is_the_diluted_effect():
    """0.1 x (0.8 - 0.1); rounding down to a step shifts both arms alike but for a thousandth."""
    strength = true_strength(SETTINGS, seed=1, trials=600)
    assert strength.value == pytest.approx(0.07, abs=3 * strength.monte_carlo_error + 0.001)
    assert strength.ratio == math.exp(strength.value)
    assert strength.unit == "log ratio"
    assert "leg_press, row" in strength.estimand


def test_retention_truth_is_the_share_assumed():
    retention = true_retention(SETTINGS, seed=1, trials=600, outcome="stays")
    # The curve through the horizon is exact but for pauses, missed last sessions and returns: one point.
    np.testing.assert_allclose(retention.by_arm, [0.70, 0.80], atol=0.012)
    assert retention.value == pytest.approx(0.10, abs=0.012)
    assert retention.outcome == "stays"


def test_no_effect_is_exactly_nothing():
    settings = TrialSettings(
        strength=StrengthModel(effects=(0.0, 0.0), sd_trainer_by_arm=0.0),
        retention=RetentionModel(retained=(0.7, 0.7)),
    )
    assert true_strength(settings, seed=2, trials=20).value == 0.0
    assert true_retention(settings, seed=2, trials=20).value == 0.0


def test_monte_carlo_error_is_the_spread_over_seeds():
    values = [true_strength(SETTINGS, seed=seed, trials=30) for seed in range(40)]
    spread = np.std([value.value for value in values], ddof=1)
    stated = np.mean([value.monte_carlo_error for value in values])
    # A standard deviation from 40 seeds has a relative error of 11 %; a third is three of them.
    assert spread == pytest.approx(stated, rel=0.33)


def test_trainers_at_hand_shift_the_truth():
    under = [simulate_batch(SETTINGS, 300, seed=5, arm=arm) for arm in (0, 1)]
    contrast = (composite_at_primary(under[1]) - composite_at_primary(under[0])).mean(axis=1)
    shift = trainers_shift(under[0])
    assert np.corrcoef(contrast, shift)[0, 1] > 0.5
    assert np.std(contrast - shift) < np.std(contrast)
    slope = np.polyfit(shift, contrast, 1)[0]
    assert slope == pytest.approx(1.0, abs=0.2)


def test_trainers_of_one_arm_do_not_shift_the_truth():
    settings = TrialSettings(trainers_deliver="one arm", strata=())
    assert not trainers_shift(simulate_batch(settings, 3, seed=1)).any()


def test_refuses_too_few_trials_and_a_ratio_of_shares():
    with pytest.raises(ArgumentError, match="trials: expected at least 2; found 1"):
        true_strength(SETTINGS, seed=1, trials=1)
    retention = true_retention(SETTINGS, seed=1, trials=2)
    with pytest.raises(ArgumentError, match="truth of retention: expected a log ratio; found share"):
        _ = retention.ratio
