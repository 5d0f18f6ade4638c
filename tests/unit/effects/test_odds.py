"""Two-by-two effects and their conversions."""

import math

import pytest

from studykit.effects.odds import (
    TwoByTwo,
    correlation_from_standardised,
    log_odds_from_standardised,
    standardised_from_log_odds,
)
from studykit.errors import ArgumentError
from studykit.results import Estimate


def test_there_and_back():
    log_odds = Estimate(0.7, 0.3, math.inf, "given")
    back = log_odds_from_standardised(standardised_from_log_odds(log_odds))
    assert (back.value, back.standard_error) == pytest.approx((0.7, 0.3))


def test_unequal_arms_shrink_the_correlation():
    equal = correlation_from_standardised(0.5)
    assert correlation_from_standardised(0.5, clients=(50, 50)) == pytest.approx(equal)
    assert correlation_from_standardised(0.5, clients=(90, 10)) < equal


def test_phi_is_the_root_of_chi_squared_over_n():
    table = TwoByTwo(9, 12, 4, 12)
    assert table.phi**2 * 24 == pytest.approx(24 * (9 * 8 - 3 * 4) ** 2 / (12 * 12 * 13 * 11))
    assert math.isnan(TwoByTwo(12, 12, 12, 12).phi)


def test_what_cannot_be_estimated_is_refused():
    with pytest.raises(ArgumentError, match="odds ratio: expected no empty cell; found 0, 9, 3, 6"):
        TwoByTwo(0, 9, 3, 9).log_odds_ratio()
    with pytest.raises(ArgumentError, match="risk ratio: expected an event in each arm"):
        TwoByTwo(0, 9, 3, 9).log_risk_ratio()
    assert TwoByTwo(0, 9, 3, 9).risk_difference().value == pytest.approx(-1 / 3)
    with pytest.raises(ArgumentError, match="at least one client per arm; found 4 of 3"):
        TwoByTwo(4, 3, 1, 2)
