"""Probability of superiority: enumeration, symmetry, arms that do not overlap."""

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from studykit.effects.superiority import matched_rank_biserial, overlap, probability_of_superiority
from studykit.errors import ArgumentError

RNG = np.random.default_rng(8)
ONE, TWO = RNG.integers(0, 9, 14).astype(float), RNG.integers(2, 12, 11).astype(float)


def test_by_enumeration_of_pairs():
    wins = [1.0 if a > b else 0.5 if a == b else 0.0 for a, b in itertools.product(ONE, TWO)]
    result = probability_of_superiority(ONE, TWO)
    assert result.value == pytest.approx(np.mean(wins))
    assert result.statistic == pytest.approx(stats.mannwhitneyu(ONE, TWO).statistic)


def test_the_variance_is_that_of_placements():
    first = np.array([np.mean((a > TWO) + 0.5 * (a == TWO)) for a in ONE])
    second = np.array([np.mean((b < ONE) + 0.5 * (b == ONE)) for b in TWO])
    expected = math.sqrt(first.var(ddof=1) / 14 + second.var(ddof=1) / 11)
    assert probability_of_superiority(ONE, TWO).standard_error == pytest.approx(expected)


def test_swapping_arms_mirrors():
    here, there = probability_of_superiority(ONE, TWO), probability_of_superiority(TWO, ONE)
    assert there.value == pytest.approx(1.0 - here.value)
    assert there.p_value == pytest.approx(here.p_value)
    a, b = here.confidence_interval(), there.confidence_interval()
    assert (b.lower, b.upper) == pytest.approx((1 - a.upper, 1 - a.lower))


def test_arms_that_do_not_overlap():
    result = probability_of_superiority([5.0, 6.0, 7.0], [1.0, 2.0, 3.0, 4.0])
    ends = result.confidence_interval()
    assert (result.value, ends.upper, result.p_value) == (1.0, 1.0, 0.0)
    assert ends.lower == pytest.approx(0.025 ** (1 / 3))
    same = probability_of_superiority([2.0, 2.0], [2.0, 2.0])
    assert (same.value, same.p_value) == (0.5, 1.0)


def test_zero_differences_and_refusals():
    assert matched_rank_biserial([0.0, 0.0]) == 0.0
    assert matched_rank_biserial([0.0, 1.0, 2.0]) == 1.0
    with pytest.raises(ArgumentError, match="at least two finite values"):
        probability_of_superiority([1.0], [1.0, 2.0])
    assert overlap(0.0) == 1.0
