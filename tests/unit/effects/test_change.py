"""Differences in change: both metrics, their variances, refusals."""

import math

import pytest

from studykit.effects.change import (
    OWN_BASELINE,
    POOLED_BASELINE,
    BeforeAfter,
    change_difference_own,
    change_difference_pooled,
)
from studykit.effects.standardised import Sample
from studykit.errors import ArgumentError

TRAINED = BeforeAfter(Sample(30.6, 15.0, 20), 38.5)
CONTROL = BeforeAfter(Sample(23.1, 13.8, 20), 19.7)


def test_denominators_are_named_and_signs_turn():
    pooled, own = change_difference_pooled(TRAINED, CONTROL), change_difference_own(TRAINED, CONTROL)
    assert (pooled.denominator, own.denominator) == (POOLED_BASELINE, OWN_BASELINE)
    assert change_difference_pooled(CONTROL, TRAINED).value == pytest.approx(-pooled.value)
    assert change_difference_own(CONTROL, TRAINED).value == pytest.approx(-own.value)


def test_without_a_correlation_there_is_no_interval():
    pooled = change_difference_pooled(TRAINED, CONTROL)
    assert math.isnan(pooled.variance)
    assert math.isnan(pooled.confidence_interval().lower)


def test_a_higher_correlation_gives_a_narrower_interval():
    widths = [
        change_difference_pooled(TRAINED, CONTROL, correlation=r).confidence_interval().width
        for r in (0.0, 0.5, 0.9)
    ]
    assert widths[0] > widths[1] > widths[2] > 0.0
    own = change_difference_own(TRAINED, CONTROL, correlations=(0.5, 0.5))
    assert own.confidence_interval().contains(own.value)
    assert 0.0 < own.p_value < 1.0


def test_impossible_correlations_are_refused():
    with pytest.raises(ArgumentError, match=r"a number between -1 and 1; found 1\.2"):
        change_difference_pooled(TRAINED, CONTROL, correlation=1.2)
    with pytest.raises(ArgumentError, match=r"a number between -1 and 1; found -1\.0"):
        change_difference_own(TRAINED, CONTROL, correlations=(0.5, -1.0))
