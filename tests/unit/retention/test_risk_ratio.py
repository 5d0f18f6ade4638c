"""The stratified risk ratio, on the log scale, with ends that may be infinite."""

import math

import pytest

from studykit.errors import FitError
from studykit.retention.risk_difference import risk_difference
from studykit.retention.risk_ratio import risk_ratio
from studykit.retention.stratified_counts import StratifiedCounts

COUNTS = StratifiedCounts([[4, 5], [2, 6], [3, 3]], [[6, 6], [5, 7], [4, 3]])


def test_same_test_as_the_difference():
    assert risk_ratio(COUNTS).p_value == pytest.approx(risk_difference(COUNTS).p_value, rel=1e-9)
    edge = risk_ratio(COUNTS).confidence_interval(1.0 - risk_ratio(COUNTS).p_value)
    assert edge.lower == pytest.approx(0.0, abs=1e-9)


def test_swapping_the_arms_inverts_the_ratio():
    """Exact for one stratum; over strata the weights keep the property as well."""
    other = risk_ratio(StratifiedCounts(COUNTS.retained[:, ::-1], COUNTS.clients[:, ::-1]))
    here = risk_ratio(COUNTS)
    assert other.value == pytest.approx(-here.value)
    ends, mirrored = here.confidence_interval(), other.confidence_interval()
    assert (mirrored.lower, mirrored.upper) == pytest.approx((-ends.upper, -ends.lower), abs=1e-9)


def test_nobody_retained_in_one_arm():
    ends = risk_ratio(StratifiedCounts([[0, 6]], [[8, 8]])).confidence_interval()
    assert ends.upper == math.inf
    assert 0.0 < ends.lower < 3.0
    other = risk_ratio(StratifiedCounts([[6, 0]], [[8, 8]]))
    assert other.value == -math.inf
    assert other.ratio == 0.0
    assert other.confidence_interval().lower == -math.inf


def test_nobody_retained_in_either_arm():
    nobody = risk_ratio(StratifiedCounts([[0, 0]], [[8, 8]]))
    assert math.isnan(nobody.value)
    ends = nobody.confidence_interval()
    assert (ends.lower, ends.upper) == (-math.inf, math.inf)


def test_no_stratum_with_both_arms_is_refused():
    with pytest.raises(FitError, match="a stratum with clients of both arms"):
        risk_ratio(StratifiedCounts([[3, 0]], [[6, 0]]))
