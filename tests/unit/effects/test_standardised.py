"""Standardised differences: denominators are named, signs and units behave, impossible input is refused."""

import math

import pytest

from studykit.effects.noncentral import noncentrality_interval
from studykit.effects.standardised import (
    OF_DIFFERENCES,
    POOLED,
    REFERENCE,
    WITHIN_PAIRS,
    Sample,
    difference_in_reference_spread,
    paired_difference,
    paired_difference_in_raw_spread,
    paired_from_independent,
    sample_of,
    small_sample_factor,
    standardised_difference,
)
from studykit.errors import ArgumentError
from studykit.results import HasInterval

ONE, TWO = Sample(12.0, 3.0, 14), Sample(10.0, 2.0, 11)


def test_every_effect_names_its_denominator():
    assert standardised_difference(ONE, TWO).denominator == POOLED
    assert difference_in_reference_spread(ONE, TWO).denominator == REFERENCE
    assert paired_difference(ONE).denominator == OF_DIFFERENCES
    assert paired_difference_in_raw_spread(ONE, 0.5).denominator == WITHIN_PAIRS


@pytest.mark.parametrize("corrected", [True, False])
def test_swapping_arms_and_changing_units(corrected):
    g = standardised_difference(ONE, TWO, corrected=corrected)
    other = standardised_difference(TWO, ONE, corrected=corrected)
    pounds = standardised_difference(Sample(26.4, 6.6, 14), Sample(22.0, 4.4, 11), corrected=corrected)
    assert (other.value, other.p_value) == pytest.approx((-g.value, g.p_value))
    assert pounds.value == pytest.approx(g.value)
    here, there = g.confidence_interval(), other.confidence_interval()
    assert (there.lower, there.upper) == pytest.approx((-here.upper, -here.lower), abs=1e-8)
    assert isinstance(g, HasInterval)


def test_the_interval_excludes_zero_exactly_when_t_rejects():
    for difference in (1.5, 1.9, 2.1, 2.5):
        g = standardised_difference(Sample(difference, 3.0, 15), Sample(0.0, 3.0, 15))
        assert (g.confidence_interval().lower > 0.0) == (g.p_value < 0.05)
    edge = g.confidence_interval(1.0 - g.p_value)
    assert edge.lower == pytest.approx(0.0, abs=1e-8)


def test_raw_and_paired_metrics_agree_through_the_correlation():
    raw = paired_difference_in_raw_spread(Sample(3.0, 5.5, 30), 0.7, corrected=False).value
    assert paired_from_independent(raw, 0.7) == pytest.approx(paired_difference(Sample(3.0, 5.5, 30)).value)


def test_the_error_of_the_difference_over_its_own_spread_by_hand():
    """Mean 3, standard deviation 5.5, 50 pairs: variance 1/50 + d squared / 100, d being 3 / 5.5."""
    d = 3.0 / 5.5
    found = paired_difference(Sample(3.0, 5.5, 50))
    assert found.variance == pytest.approx(0.02 + d**2 / 100.0, rel=1e-12)
    corrected, factor = paired_difference(Sample(3.0, 5.5, 50), corrected=True), small_sample_factor(49.0)
    assert corrected.value == pytest.approx(factor * d, rel=1e-12)
    assert corrected.variance == pytest.approx(factor**2 * found.variance, rel=1e-12)


def test_equal_spread_makes_the_reference_denominator_the_pooled_one():
    one, two = Sample(12.0, 3.0, 14), Sample(10.0, 3.0, 11)
    pooled = standardised_difference(one, two, corrected=False)
    reference = difference_in_reference_spread(one, two)
    assert reference.value == pytest.approx(pooled.value)
    assert reference.degrees_of_freedom == 10


def test_noncentrality_solves_its_equation_far_from_zero():
    from scipy.stats import nct

    for statistic, freedom in ((0.0, 5), (-3.0, 8), (25.0, 40), (2.0, 1)):
        lower, upper = noncentrality_interval(statistic, freedom, confidence_level=0.9)
        assert nct.sf(statistic, freedom, lower) == pytest.approx(0.05, abs=1e-8)
        assert nct.cdf(statistic, freedom, upper) == pytest.approx(0.05, abs=1e-8)


def test_impossible_input_is_refused():
    with pytest.raises(ArgumentError, match="a standard deviation above 0 and at least two clients"):
        Sample(1.0, 0.0, 10)
    with pytest.raises(ArgumentError, match="at least two finite values"):
        sample_of([1.0, math.nan])
    with pytest.raises(ArgumentError, match="more than 1 degree of freedom"):
        small_sample_factor(1)
    with pytest.raises(ArgumentError, match="correlation: expected a number between -1 and 1"):
        paired_difference_in_raw_spread(ONE, 1.0)
    with pytest.raises(ArgumentError, match="correlation: expected a number between -1 and 1"):
        paired_from_independent(0.5, -1.0)
    with pytest.raises(ArgumentError, match="a finite statistic and at least 1 degree of freedom"):
        noncentrality_interval(math.inf, 4)
