"""Pooling held to printed numbers, to independent ways of computing, and to its own limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from studykit.errors import ArgumentError
from studykit.pooling.statistics import (
    like_many,
    one_further_studio,
    spread_between_studios,
    studios_like_these,
    these_studios,
)
from studykit.retention import CensoredTimes, StratifiedCounts, log_rank, log_rank_numbers, risk_difference

# BCG vaccine against tuberculosis, 13 trials (Colditz 1994, as in the R package metafor): cases and clients.
BCG = np.array([
    (4, 123, 11, 139), (6, 306, 29, 303), (3, 231, 11, 220), (62, 13598, 248, 12867), (33, 5069, 47, 5808),
    (180, 1541, 372, 1451), (8, 2545, 10, 629), (505, 88391, 499, 88391), (29, 7499, 45, 7277),
    (17, 1716, 65, 1665), (186, 50634, 141, 27338), (5, 2498, 3, 2341), (27, 16913, 29, 17854),
], dtype=float)  # fmt: skip
RATIO = np.log(BCG[:, 0] / BCG[:, 1] / (BCG[:, 2] / BCG[:, 3]))
ERROR = np.sqrt(1 / BCG[:, 0] - 1 / BCG[:, 1] + 1 / BCG[:, 2] - 1 / BCG[:, 3])
HALF = 5e-7  # half a unit of the last printed digit


def test_thirteen_trials_as_printed_by_metafor() -> None:
    """`rma(method="REML", test="knha")`: estimate, error, interval, prediction, spread."""
    found, spread = studios_like_these(RATIO, ERROR, cautious=False)
    interval, further = found.confidence_interval(), one_further_studio(found, spread).confidence_interval()
    assert found.value == pytest.approx(-0.714532, abs=HALF)
    assert found.standard_error == pytest.approx(0.180792, abs=HALF)
    assert (interval.lower, interval.upper) == pytest.approx((-1.108444, -0.320621), abs=HALF)
    assert (further.lower, further.upper) == pytest.approx((-1.996017, 0.566952), abs=HALF)
    assert spread**2 == pytest.approx(0.313243, abs=HALF)
    assert found.degrees_of_freedom == 12
    # The model's own error is printed as .179782: smaller, so that being cautious changes nothing here.
    assert studios_like_these(RATIO, ERROR)[0].standard_error == pytest.approx(0.180792, abs=HALF)


def test_three_studies_as_printed_in_their_meta_analysis() -> None:
    """Hinks 2010 (Genes and Immunity 11:584): OR .82 (.73 to .93) of three studies, without spread.

    The tolerance is one unit of the last printed digit: the studies' own numbers are printed with two digits.
    """
    ratio, ends = np.log([0.88, 0.79, 0.82]), np.log([[0.71, 0.66, 0.63], [1.07, 0.94, 1.08]])
    error = (ends[1] - ends[0]) / (2 * 1.959964)
    found, spread = studios_like_these(ratio, error)
    told = np.exp(found.value + found.standard_error * 1.959964 * np.array([0.0, -1.0, 1.0]))
    assert spread == 0.0
    assert told == pytest.approx([0.82, 0.73, 0.93], abs=0.01)
    # Three studies that agree too well: the plain form would halve the error, the cautious one does not.
    assert studios_like_these(ratio, error, cautious=False)[0].standard_error < 0.6 * found.standard_error
    assert found.standard_error == pytest.approx((1 / error**2).sum() ** -0.5)


def test_risk_difference_of_thirteen_trials_as_printed_by_metafor() -> None:
    """`rma.mh(measure="RD")`, tests/testthat/test_misc_metan_vs_rma.mh_with_dat.bcg.r: -.0033."""
    found = risk_difference(StratifiedCounts(BCG[:, [2, 0]], BCG[:, [3, 1]]))
    interval = found.confidence_interval()
    assert found.value == pytest.approx(-0.0033, abs=5e-5)
    # Printed -.0039 to -.0027 with another variance (Sato); the score interval agrees to the printed digits.
    assert (interval.lower, interval.upper) == pytest.approx((-0.0039, -0.0027), abs=1e-4)


def _minus_two_restricted(spread: float, y: np.ndarray, v: np.ndarray) -> float:
    w = 1 / (v + spread)
    mean = (w * y).sum() / w.sum()
    return float(-np.log(w).sum() + np.log(w.sum()) + (w * (y - mean) ** 2).sum())


@pytest.mark.parametrize(("k", "truth"), [(2, 0.1), (3, 0.03), (6, 0.0), (6, 0.08), (25, 0.02)])
def test_the_spread_is_where_the_restricted_likelihood_is_highest(k: int, truth: float) -> None:
    rng = np.random.default_rng(k)
    v = rng.uniform(0.0002, 0.003, (4, k))
    y = rng.normal(0.02, np.sqrt(v + truth**2))
    found = spread_between_studios(y, v)
    for own_y, own_v, own in zip(y, v, found, strict=True):
        best = minimize_scalar(
            _minus_two_restricted, bounds=(0.0, 0.2), args=(own_y, own_v), options={"xatol": 1e-12}
        )
        assert own == pytest.approx(best.x, abs=2e-7)


def test_these_studios_are_weighted_by_clients() -> None:
    found = these_studios([0.10, 0.01], [0.03, 0.02], [20.0, 50.0], [10, 30])
    parts = np.array([0.25 * 0.03, 0.75 * 0.02]) ** 2
    assert found.value == pytest.approx(0.25 * 0.10 + 0.75 * 0.01)
    assert found.standard_error == pytest.approx(math.sqrt(parts.sum()))
    assert found.degrees_of_freedom == pytest.approx(parts.sum() ** 2 / (parts**2 / [20, 50]).sum())


def test_many_sets_at_once_are_each_as_alone_and_in_any_order() -> None:
    rng = np.random.default_rng(3)
    y, s = rng.normal(0.03, 0.05, (5, 7)), rng.uniform(0.01, 0.05, (5, 7))
    many, spreads = like_many(y, s)
    for place in range(5):
        order = rng.permutation(7)
        alone, spread = studios_like_these(y[place, order], s[place, order])
        assert alone.value == pytest.approx(many.value[place], abs=1e-12)
        assert alone.standard_error == pytest.approx(many.standard_error[place], abs=1e-12)
        assert spread**2 == pytest.approx(spreads[place], abs=1e-12)


@pytest.mark.parametrize(
    ("values", "errors"), [([0.1], [0.1]), ([0.1, 0.2], [0.1, 0.0]), ([0.1, 0.2], [0.1])]
)
def test_what_cannot_be_pooled_is_refused(values: list[float], errors: list[float]) -> None:
    with pytest.raises(ArgumentError, match="an error above zero of each of two studios or more"):
        studios_like_these(values, errors)


def test_log_rank_of_all_rows_from_two_numbers_a_studio() -> None:
    rng = np.random.default_rng(8)
    n = 240
    times = CensoredTimes(rng.integers(1, 60, n), rng.random(n) < 0.6)
    arm, studio, trainer = rng.random(n) < 0.45, rng.integers(0, 6, n), rng.integers(0, 3, n)
    for strata in (studio, 10 * studio + trainer):
        parts = [
            log_rank_numbers(times.select(studio == s), arm[studio == s], strata=strata[studio == s])
            for s in range(6)
        ]
        distance, variance = np.sum(parts, axis=0)
        assert distance**2 / variance == pytest.approx(
            log_rank(times, arm, strata=strata).statistic, rel=1e-10
        )


def test_nothing_to_compare_adds_nothing() -> None:
    times = CensoredTimes([5, 8, 9], [True, True, False])
    assert log_rank_numbers(times, [True, True, True]) == (0.0, 0.0)
    assert log_rank_numbers(CensoredTimes([5, 8], [False, False]), [True, False]) == (0.0, 0.0)
