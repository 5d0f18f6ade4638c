"""Bias, coverage and rejections over simulated trials."""

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.retention.proportions import share_interval
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
from studykit.trial.truth import true_retention, true_strength


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


def test_share_has_wilsons_interval():
    """Newcombe 1998, Statistics in Medicine 17:857, table I: 81 of 263, 15 of 148, 0 of 20, 1 of 29."""
    for count, trials, low, high in (
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ):
        found = Share.of(count, trials)
        assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)
        assert found.reach == pytest.approx((high - low) / 2, abs=5e-5)
    assert (Share.of(20, 20).low, Share.of(20, 20).high) == pytest.approx((0.8389, 1.0), abs=5e-5)


def test_the_exact_interval_is_the_printed_one():
    """Newcombe 1998, table I, method 5 (Clopper-Pearson): the same counts."""
    assert share_interval(81, 263, method="exact") == pytest.approx((0.2527, 0.3676), abs=5e-5)
    assert share_interval(0, 20, method="exact") == pytest.approx((0.0, 0.1684), abs=5e-5)
    assert share_interval(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize(
    ("count", "trials", "side"),
    [
        (0, 20, "open"),  # up to 31 %, surely
        (0, 150, "open"),
        (0, 250, "below"),
        (20, 20, "above"),
        (5, 20, "open"),  # 0.3 % of analyses that keep 5 % do as badly
        (45, 1000, "open"),
        (90, 1000, "above"),
        (19, 1000, "below"),
        (4500, 100_000, "inside"),
        (0, 0, "open"),
    ],
)
def test_a_verdict_is_passed_only_where_the_trials_suffice(count, trials, side):
    """The region is 4 to 5 %."""
    found = Share.of(count, trials)
    assert found.side_of(0.04, 0.05) == side
    words = {
        "inside": "as wanted",
        "open": "not excluded",
        "below": "NOT as wanted",
        "above": "NOT as wanted",
    }
    assert found.wanted(0.04, 0.05) == words[side]


def test_a_share_in_words():
    assert Share.of(0, 20).text() == "0.0 % (0.0 to 16.1)"
    assert Share.of(0, 0).text() == "not known"


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
    found = estimate_batch(study, TrialSettings.from_protocol(study, clients=40), 4, seed=8, outcome="stays")
    assert np.all(np.abs(found.value) < 1.0)
    assert np.all(found.truth_shift == 0.0)
    assert np.isnan(found.standard_error).all()  # a score interval, no t-interval


def test_without_effect_takes_away_every_difference():
    settings = TrialSettings(strength=StrengthModel(effects=(0.0, 0.2)))
    null = without_effect(settings)
    for value in (true_strength, true_retention):
        assert value(null, seed=1, trials=4).value == 0.0
    assert null.retention.retained == (0.70, 0.70)


def test_exercises_can_be_chosen(protocol):
    chosen = with_exercises(protocol(), ["row"])
    assert chosen.continuous_outcomes[0].exercises == ("row",)
    assert len(chosen.outcomes) == 2


def test_refuses_to_join_nothing():
    with pytest.raises(ArgumentError, match="at least one batch; found none"):
        join_estimates([])
