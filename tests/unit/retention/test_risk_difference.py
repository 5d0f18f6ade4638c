"""The stratified risk difference: its pieces, its limits and its batch form."""

import math

import numpy as np
import pytest
from statsmodels.stats.contingency_tables import StratifiedTable

from studykit.errors import ArgumentError, FitError
from studykit.results import HasInterval, to_plain
from studykit.retention.risk_difference import risk_difference, risk_differences
from studykit.retention.stratified_counts import StratifiedCounts

COUNTS = StratifiedCounts([[4, 5], [2, 6], [3, 3]], [[6, 6], [5, 7], [4, 3]], strata=("A", "B", "C"))


def test_value_is_the_weighted_mean_of_differences():
    result = risk_difference(COUNTS)
    weights = np.array([3.0, 35 / 12, 12 / 7])
    differences = np.array([5 / 6 - 4 / 6, 6 / 7 - 2 / 5, 1 - 3 / 4])
    assert result.value == pytest.approx(np.average(differences, weights=weights), rel=1e-14)
    assert [row.weight for row in result.strata] == pytest.approx(weights / weights.sum())


def test_the_test_is_mantel_haenszels_and_the_interval_agrees_with_it():
    result = risk_difference(COUNTS)
    kept, left = COUNTS.retained, COUNTS.clients - COUNTS.retained
    tables = [np.array([k, gone]).T for k, gone in zip(kept, left, strict=True)]
    outside = StratifiedTable(tables).test_null_odds()  # without continuity correction
    assert result.statistic**2 == pytest.approx(outside.statistic, rel=1e-12)
    assert result.p_value == pytest.approx(outside.pvalue, rel=1e-9)
    at_the_edge = result.confidence_interval(1.0 - result.p_value)
    assert at_the_edge.lower == pytest.approx(0.0, abs=1e-9)


def test_an_uninformative_stratum_is_named_and_changes_nothing():
    more = StratifiedCounts(
        [*COUNTS.retained.tolist(), [0, 2], [0, 0]],
        [*COUNTS.clients.tolist(), [0, 5], [0, 0]],
        strata=(*COUNTS.strata, "D", "E"),
    )
    result, without = risk_difference(more), risk_difference(COUNTS)
    assert result.uninformative == ("D", "E")
    assert len(result.strata) == 5
    assert result.value == pytest.approx(without.value)
    assert result.p_value == pytest.approx(without.p_value)
    ends, same = result.confidence_interval(), without.confidence_interval()
    assert (ends.lower, ends.upper) == pytest.approx((same.lower, same.upper))


def test_swapping_the_arms_mirrors_everything():
    result = risk_difference(COUNTS)
    other = risk_difference(StratifiedCounts(COUNTS.retained[:, ::-1], COUNTS.clients[:, ::-1]))
    ends, mirrored = result.confidence_interval(), other.confidence_interval()
    assert (other.value, other.p_value) == pytest.approx((-result.value, result.p_value))
    assert (mirrored.lower, mirrored.upper) == pytest.approx((-ends.upper, -ends.lower), abs=1e-12)


@pytest.mark.parametrize("kept", [0, 6])
def test_everybody_stayed_or_everybody_left(kept):
    result = risk_difference(StratifiedCounts([[kept, kept]] * 3, [[6, 6]] * 3))
    ends = result.confidence_interval()
    assert (result.value, result.p_value) == (0.0, 1.0)
    assert math.isnan(result.statistic)
    assert ends.lower == pytest.approx(-ends.upper, abs=1e-12)
    assert 0.1 < ends.upper < 0.25


def test_all_against_none_ends_at_one():
    ends = risk_difference(StratifiedCounts([[0, 6]] * 2, [[6, 6]] * 2)).confidence_interval()
    assert ends.upper == pytest.approx(1.0, abs=1e-12)
    assert 0.5 < ends.lower < 1.0


def test_one_client_per_cell():
    result = risk_difference(StratifiedCounts([[0, 1], [1, 1], [0, 1]], [[1, 1]] * 3))
    ends = result.confidence_interval()
    assert -1.0 < ends.lower < result.value < ends.upper <= 1.0
    assert result.statistic**2 == pytest.approx(2.0)  # McNemar's test of two discordant pairs


def test_no_stratum_with_both_arms_is_refused():
    with pytest.raises(FitError, match="trainer and arm are then the same thing"):
        risk_difference(StratifiedCounts([[3, 0], [0, 4]], [[6, 0], [0, 6]]))


def test_many_at_once_equal_one_at_a_time():
    rng = np.random.default_rng(3)
    clients = rng.integers(0, 8, (25, 4, 2))
    clients[0, :, 1] = 0  # no comparison possible
    retained = rng.binomial(clients, 0.7)
    many = risk_differences(retained, clients, confidence_level=0.9)
    assert math.isnan(many.value[0])
    assert (many.p_value[0], math.isnan(many.lower[0])) == (1.0, True)
    for row in range(1, 25):
        one = risk_difference(StratifiedCounts(retained[row], clients[row]))
        ends = one.confidence_interval(0.9)
        assert many.value[row] == pytest.approx(one.value, abs=1e-14)
        assert many.p_value[row] == pytest.approx(one.p_value, abs=1e-12)
        assert (many.lower[row], many.upper[row]) == pytest.approx((ends.lower, ends.upper), abs=1e-12)


def test_many_at_once_needs_three_axes():
    with pytest.raises(ArgumentError, match=r"shape \(data sets, strata, 2\)"):
        risk_differences([[1, 2]], [[3, 3]])


def test_it_has_the_shape_of_an_estimate():
    result = risk_difference(COUNTS)
    assert isinstance(result, HasInterval)
    assert to_plain(result)["interval"]["method"].startswith("stratified score (Mantel-Haenszel weights)")
