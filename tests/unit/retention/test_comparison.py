"""Log-rank comparison: arms, strata, and what cannot be compared."""

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.retention.censored import CensoredTimes
from studykit.retention.comparison import compare_retention
from studykit.retention.hazard import hazard_ratio

RNG = np.random.default_rng(7)
DAYS = np.arange(1, 61)[RNG.permutation(60)]
TIMES = CensoredTimes(DAYS, RNG.random(60) < 0.7)
ARM = RNG.integers(0, 2, 60)
TRAINER = RNG.integers(0, 4, 60)


def test_by_hand():
    """Two arms of two: departures on days 1 (C), 2 (P), 3 (C); expected of C 1/2 + 1/3 + 1/2 … by hand."""
    result = compare_retention(CensoredTimes([1, 2, 3, 4], [1, 1, 1, 0]), ["C", "P", "C", "P"])
    expected = 2 / 4 + 1 / 3 + 1 / 2
    variance = 1 / 4 + 2 / 9 + 1 / 4
    assert result.observed.tolist() == [2, 1]
    assert result.expected[0] == pytest.approx(expected)
    assert result.statistic == pytest.approx((2 - expected) ** 2 / variance)


def test_it_is_the_score_test_of_the_hazard_ratio_without_ties():
    plain = compare_retention(TIMES, ARM)
    assert plain.statistic == pytest.approx(hazard_ratio(TIMES, ARM == 1).score_statistic, rel=1e-10)
    stratified = compare_retention(TIMES, ARM, strata=TRAINER)
    model = hazard_ratio(TIMES, ARM == 1, strata=TRAINER)
    assert stratified.statistic == pytest.approx(model.score_statistic, rel=1e-10)


def test_three_arms_have_two_degrees_of_freedom_in_any_order():
    arms = np.array(["A", "B", "C"])[RNG.integers(0, 3, 60)]
    result = compare_retention(TIMES, arms)
    other = compare_retention(TIMES, np.where(arms == "A", "Z", arms))
    assert result.degrees_of_freedom == 2
    assert result.statistic == pytest.approx(other.statistic, rel=1e-10)
    assert result.observed.sum() == pytest.approx(result.expected.sum())


def test_one_stratum_per_client_tells_nothing():
    with pytest.raises(ArgumentError, match="none of them while two arms were at risk"):
        compare_retention(TIMES, ARM, strata=np.arange(60))


def test_strata_with_one_arm_are_named():
    trainer = np.where(TRAINER == 3, "alone", "both")
    arm = np.where(TRAINER == 3, 1, ARM)
    assert compare_retention(TIMES, arm, strata=trainer).uninformative == ("alone",)


def test_wrong_labels_are_refused():
    with pytest.raises(ArgumentError, match="at least two arms; found 1"):
        compare_retention(TIMES, np.ones(60, dtype=int))
    with pytest.raises(ArgumentError, match="one label for each of 60 clients"):
        compare_retention(TIMES, ARM[:-1])
