"""Standardised differences at time zero (H06)."""

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.lookback.adjustment import standardised_differences


def test_a_published_row():
    """Shares 0.40 and 0.20: |d| = 0.2 / sqrt((0.24 + 0.16) / 2) = 0.447 (formula of Austin 2009)."""
    facts = np.r_[np.repeat([1.0, 0.0], [40, 60]), np.repeat([1.0, 0.0], [20, 80])][:, None]
    first = np.arange(200) < 100
    (row,) = standardised_differences(facts, first, ~first, names=("goal",))
    assert (row.with_partner_reps, row.without) == (0.4, 0.2)
    assert row.standardised_difference == pytest.approx(0.2 / math.sqrt(0.2))
    assert math.isnan(row.after_weighting)


def test_weights_that_balance_give_zero_with_the_same_spread_below():
    facts = np.array([[1.0], [0.0], [0.0], [1.0]])
    first = np.array([True, True, True, False])
    weights = (np.array([2.0, 1.0, 1.0, 0.0]), np.array([1.0, 1.0, 0.0, 0.0]))
    (row,) = standardised_differences(facts, first, [0, 1, 1, 1], names=("goal",), weights=weights)
    assert row.after_weighting == pytest.approx(0.0)


def test_swapping_groups_changes_the_sign_only():
    rng = np.random.default_rng(1)
    facts, first = rng.normal(size=(60, 3)), rng.random(60) < 0.4
    names = ("a", "b", "c")
    one = standardised_differences(facts, first, ~first, names=names)
    two = standardised_differences(facts, ~first, first, names=names)
    for left, right in zip(one, two, strict=True):
        assert left.standardised_difference == pytest.approx(-right.standardised_difference)


def test_a_constant_fact_has_no_standardised_difference_and_shapes_are_checked():
    (row,) = standardised_differences(np.ones((4, 1)), [1, 1, 0, 0], [0, 0, 1, 1], names=("same",))
    assert math.isnan(row.standardised_difference)
    with pytest.raises(ArgumentError, match="facts of shape"):
        standardised_differences(np.ones((4, 1)), [1, 1, 0], [0, 0, 1], names=("same",))
