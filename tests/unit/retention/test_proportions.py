"""Intervals of one share."""

import math

import pytest

from studykit.errors import ArgumentError
from studykit.retention.proportions import Proportion


def test_exact_interval_contains_wilsons_centre_and_is_wider():
    share = Proportion(7, 12)
    wilson, exact = share.confidence_interval(), share.confidence_interval(method="exact")
    assert exact.lower < wilson.lower < share.value < wilson.upper < exact.upper
    assert math.isnan(share.p_value)


def test_nobody_and_everybody():
    for method in ("wilson", "exact"):
        assert Proportion(0, 9).confidence_interval(method=method).lower == 0.0
        assert Proportion(9, 9).confidence_interval(method=method).upper == 1.0


@pytest.mark.parametrize(("count", "clients"), [(3, 2), (-1, 2), (0, 0)])
def test_impossible_numbers_are_refused(count, clients):
    with pytest.raises(ArgumentError, match="0 <= count <= clients and at least one client"):
        Proportion(count, clients)


def test_unknown_methods_and_levels_are_refused():
    with pytest.raises(ArgumentError, match="wilson or exact"):
        Proportion(1, 2).confidence_interval(method="wald")
    with pytest.raises(ArgumentError, match="Give a share, not a per cent"):
        Proportion(1, 2).confidence_interval(95)
