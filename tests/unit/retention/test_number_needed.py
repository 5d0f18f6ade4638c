"""Numbers needed: two ranges that meet at infinity when zero is inside."""

import math

import pytest

from studykit.errors import ArgumentError
from studykit.retention.number_needed import NeededRange, number_needed, number_needed_from_ends
from studykit.retention.risk_difference import risk_difference
from studykit.retention.stratified_counts import StratifiedCounts


def test_harm_side():
    result = number_needed_from_ends(-0.2, (-0.5, -0.1))
    assert (result.direction, result.value) == ("harm", 5.0)
    assert result.interval == (NeededRange("harm", 2.0, 10.0),)


def test_no_difference():
    result = number_needed_from_ends(0.0, (-0.5, 0.25))
    assert (result.direction, result.value) == ("benefit", math.inf)
    assert result.interval == (NeededRange("benefit", 4.0, math.inf), NeededRange("harm", 2.0, math.inf))


def test_from_the_score_interval():
    difference = risk_difference(StratifiedCounts([[48, 56]], [[80, 70]]))
    result = number_needed(difference, confidence_level=0.9)
    ends = difference.confidence_interval(0.9)
    assert result.interval == (NeededRange("benefit", 1 / ends.upper, 1 / ends.lower),)
    assert result.confidence_level == 0.9


def test_an_estimate_outside_its_interval_is_refused():
    with pytest.raises(ArgumentError, match="a difference of shares inside its interval"):
        number_needed_from_ends(0.3, (0.4, 0.5))
