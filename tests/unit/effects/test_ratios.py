"""Logarithms, ratios and per cent."""

import math

import pytest

from studykit.effects.ratios import (
    coefficient_of_variation_from_spread,
    log_from_percent,
    percent_from_log,
    percent_interval,
    spread_from_coefficient_of_variation,
)
from studykit.errors import ArgumentError
from studykit.results import Estimate


@pytest.mark.parametrize("percent", [-60.0, -1.0, 0.0, 2.0, 150.0])
def test_there_and_back(percent):
    assert percent_from_log(log_from_percent(percent)) == pytest.approx(percent, abs=1e-12)


def test_interval_ends_are_transformed():
    estimate = Estimate(0.05, 0.02, 20.0, "given")
    ends = estimate.confidence_interval(0.9)
    percent = percent_interval(estimate, confidence_level=0.9)
    assert percent.lower == pytest.approx(100 * (math.exp(ends.lower) - 1))
    assert percent.upper == pytest.approx(100 * (math.exp(ends.upper) - 1))


def test_spread_and_coefficient_of_variation():
    for coefficient in (0.0, 0.05, 0.2, 1.0):
        spread = spread_from_coefficient_of_variation(coefficient)
        assert coefficient_of_variation_from_spread(spread) == pytest.approx(coefficient)


def test_refusals():
    with pytest.raises(ArgumentError, match="more than -100"):
        log_from_percent(-100.0)
    with pytest.raises(ArgumentError, match="coefficient of variation: expected a share from 0"):
        spread_from_coefficient_of_variation(-0.1)
    with pytest.raises(ArgumentError, match="standard deviation of the logarithm"):
        coefficient_of_variation_from_spread(math.nan)
