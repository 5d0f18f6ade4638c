"""Bias, coverage and rejections over simulated trials."""

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.trial.models import StrengthModel
from studykit.trial.performance import (
    Share,
    TrialEstimates,
    batches_of,
    estimate_batch,
    join_estimates,
    summarise_performance,
    with_exercises,
    without_effect,
)
from studykit.trial.settings import TrialSettings
from studykit.trial.truth import true_values


def estimates(value, half, p_value, shift=0.0):
    value = np.asarray(value, dtype=float)
    return TrialEstimates(
        value=value,
        lower=value - half,
        upper=value + half,
        p_value=np.asarray(p_value, dtype=float),
        truth_shift=np.full(value.shape, shift),
        standard_error=np.full(value.shape, half / 2.0),
        degrees_of_freedom=np.full(value.shape, 30.0),
        by_model=np.ones(value.shape, dtype=bool),
        at_boundary=np.zeros(value.shape, dtype=bool),
        failures=(),
    )


def test_summary_by_hand():
    """Four trials, one of them failed; truth 1.0, intervals of half width 0.5."""
    found = summarise_performance(
        estimates([1.2, 0.9, 1.8, math.nan], 0.5, [0.01, 0.2, 0.04, math.nan]), truth=1.0
    )
    assert (found.trials, found.failed) == (4, 1)
    assert found.bias == pytest.approx(0.3)
    assert found.spread == pytest.approx(np.std([0.2, -0.1, 0.8], ddof=1))
    assert found.bias_error == pytest.approx(found.spread / math.sqrt(3))
    assert (found.coverage.count, found.coverage.trials) == (2, 3)
    assert found.mean_width == pytest.approx(1.0)
    # A failed fit is no rejection: it stays in the denominator.
    assert (found.rejected.count, found.rejected.trials) == (2, 4)


def test_trainers_at_hand_move_the_truth_of_a_trial():
    found = summarise_performance(estimates([1.2, 1.2], 0.1, [0.01, 0.01], shift=0.2), truth=1.0)
    assert found.bias == pytest.approx(0.0)
    assert found.truth == pytest.approx(1.2)
    assert found.coverage.value == 1.0


def test_nothing_is_said_where_every_fit_failed():
    found = summarise_performance(estimates([math.nan], 0.1, [math.nan]), truth=0.0)
    assert found.failed == 1
    assert math.isnan(found.bias)
    assert math.isnan(found.coverage.value)
    assert found.rejected.value == 0.0


def test_share_has_a_binomial_error():
    assert Share.of(50, 200).monte_carlo_error == pytest.approx(math.sqrt(0.25 * 0.75 / 200))


def test_batches_do_not_depend_on_who_does_them(protocol):
    study = protocol()
    settings = TrialSettings.from_protocol(study, clients=20)

    def work(size, number):
        return estimate_batch(study, settings, size, seed=8, batch=number)

    whole = join_estimates([work(4, 0), work(3, 1)])
    parts = [work(3, 1), work(4, 0)]
    np.testing.assert_array_equal(join_estimates(reversed(parts)).value, whole.value)
    assert batches_of(7, 4) == (4, 3)
    assert whole.trials == 7


def test_failed_fits_are_counted_with_their_reason(protocol):
    study = protocol()
    found = estimate_batch(study, TrialSettings.from_protocol(study, clients=6), 5, seed=8)
    failed = np.isnan(found.value)
    assert failed.sum() >= len(found.failures) > 0
    assert all("expected" in reason for reason in found.failures)
    assert np.isnan(found.p_value).tolist() == failed.tolist()


def test_retention_is_analysed_too(protocol):
    study = protocol()
    found = estimate_batch(
        study, TrialSettings.from_protocol(study, clients=40), 4, seed=8, analysis="retention"
    )
    assert np.all(np.abs(found.value) < 1.0)
    assert np.all(found.truth_shift == 0.0)
    assert np.isnan(found.standard_error).all()  # a score interval, no t-interval


def test_without_effect_takes_away_every_difference():
    settings = TrialSettings(strength=StrengthModel(effects=(0.0, 0.2)))
    null = without_effect(settings)
    assert [value.value for value in true_values(null, seed=1, trials=4)] == [0.0, 0.0]
    assert null.retention.retained == (0.70, 0.70)


def test_exercises_can_be_chosen(protocol):
    chosen = with_exercises(protocol(), ["row"])
    assert chosen.continuous_outcomes[0].exercises == ("row",)
    assert len(chosen.outcomes) == 2


def test_refuses_to_join_nothing():
    with pytest.raises(ArgumentError, match="at least one batch; found none"):
        join_estimates([])
