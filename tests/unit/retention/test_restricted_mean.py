"""Restricted means: exact where nobody is censored, refused where they are not known."""

import math

import numpy as np
import pytest
from scipy import stats

from studykit.errors import ArgumentError, FitError
from studykit.retention.censored import CensoredTimes
from studykit.retention.restricted_mean import (
    restricted_mean,
    restricted_mean_difference,
    restricted_mean_log_ratio,
    stratified_restricted_mean_difference,
)

RNG = np.random.default_rng(5)
DAYS = RNG.integers(1, 183, 40)
COMPLETE = CensoredTimes(DAYS, DAYS < 182)
ARM = np.arange(40) % 2 == 1
TRAINER = np.arange(40) // 8


def test_without_censoring_it_is_the_mean_with_its_usual_error():
    mean = restricted_mean(COMPLETE, 182)
    assert mean.value == pytest.approx(DAYS.mean())
    assert mean.estimate.standard_error == pytest.approx(DAYS.std(ddof=1) / math.sqrt(40), rel=1e-10)
    shorter = np.minimum(DAYS, 90)
    assert restricted_mean(COMPLETE, 90).estimate.standard_error == pytest.approx(
        shorter.std(ddof=1) / math.sqrt(40), rel=1e-10
    )


def test_without_censoring_the_difference_is_welchs():
    estimate = restricted_mean_difference(COMPLETE.select(ARM), COMPLETE.select(~ARM), horizon=182)
    welch = stats.ttest_ind(DAYS[ARM], DAYS[~ARM], equal_var=False)
    assert estimate.p_value == pytest.approx(welch.pvalue, rel=1e-9)
    assert estimate.degrees_of_freedom == pytest.approx(welch.df, rel=1e-9)


def test_stratified_difference_by_hand():
    result = stratified_restricted_mean_difference(COMPLETE, ARM, horizon=182, strata=TRAINER)
    rows = [(DAYS[(t == TRAINER) & ARM], DAYS[(t == TRAINER) & ~ARM]) for t in range(5)]
    assert result.estimate.value == pytest.approx(np.mean([a.mean() - b.mean() for a, b in rows]))
    pooled = [sum(((r[k] - r[k].mean()) ** 2).sum() for r in rows) / (20 - 5) for k in (0, 1)]
    assert result.estimate.standard_error == pytest.approx(math.sqrt(sum(pooled) / 20))
    assert [stratum.weight for stratum in result.strata] == pytest.approx([0.2] * 5)


def test_strata_with_an_empty_arm_have_no_weight_and_are_named():
    arm = np.where(TRAINER == 4, True, ARM)
    result = stratified_restricted_mean_difference(COMPLETE, arm, horizon=182, strata=TRAINER)
    assert result.uninformative == ("4",)
    assert result.strata[4].clients == (0, 8)
    assert math.isnan(result.strata[4].difference)
    assert sum(stratum.weight for stratum in result.strata) == pytest.approx(1.0)


def test_a_horizon_beyond_the_data_is_refused():
    times = CensoredTimes([10, 90, 90], [1, 0, 0])
    with pytest.raises(ArgumentError, match="a day up to 90, the last follow-up in this arm; found 91"):
        restricted_mean(times, 91)
    assert restricted_mean(CensoredTimes([10, 20], [1, 1]), 91).value == 15.0  # all left: known


def test_too_little_is_refused():
    one_each = CensoredTimes([10, 20], [1, 1])
    with pytest.raises(FitError, match="a stratum with at least two clients"):
        stratified_restricted_mean_difference(one_each, [True, False], horizon=15)
    with pytest.raises(FitError, match="a stratum with clients in both arms"):
        stratified_restricted_mean_difference(COMPLETE, ARM, horizon=90, strata=np.arange(40))
    with pytest.raises(FitError, match="at least two clients in the arm"):
        _ = restricted_mean(CensoredTimes([10], [1]), 9).estimate
    with pytest.raises(ArgumentError, match="a day above 0"):
        restricted_mean(COMPLETE, 0)
    with pytest.raises(ArgumentError, match="an arm and a stratum for each of 40 clients"):
        stratified_restricted_mean_difference(COMPLETE, ARM[:-1], horizon=90)


def test_ratio_by_the_delta_method():
    one, two = COMPLETE.select(ARM), COMPLETE.select(~ARM)
    ratio = restricted_mean_log_ratio(one, two, horizon=182)
    assert math.exp(ratio.value) == pytest.approx(DAYS[ARM].mean() / DAYS[~ARM].mean())
    swapped = restricted_mean_log_ratio(two, one, horizon=182)
    assert (swapped.value, swapped.standard_error) == pytest.approx((-ratio.value, ratio.standard_error))


def test_nobody_leaves():
    times = CensoredTimes([182] * 20, [0] * 20)
    estimate = restricted_mean_difference(times.select(ARM[:20]), times.select(~ARM[:20]), horizon=182)
    assert (estimate.value, estimate.standard_error) == (0.0, 0.0)
    assert math.isnan(estimate.p_value)


def test_the_method_says_pooled_over_strata_only_where_there_are_some():
    one = stratified_restricted_mean_difference(COMPLETE, ARM, horizon=182, strata=np.zeros(40, dtype=int))
    many = stratified_restricted_mean_difference(COMPLETE, ARM, horizon=182, strata=TRAINER)
    assert one.estimate.method == "Welch, Greenwood-type variance"
    assert many.estimate.method == "Welch, Greenwood-type variance pooled over strata"
