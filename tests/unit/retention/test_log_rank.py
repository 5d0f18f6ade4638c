"""Log-rank comparison: arms, strata, and what cannot be compared."""

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.retention.censored import CensoredTimes
from studykit.retention.hazard import hazard_ratio
from studykit.retention.log_rank import log_rank

RNG = np.random.default_rng(7)
DAYS = np.arange(1, 61)[RNG.permutation(60)]
TIMES = CensoredTimes(DAYS, RNG.random(60) < 0.7)
ARM = RNG.integers(0, 2, 60)
TRAINER = RNG.integers(0, 4, 60)


def test_by_hand():
    """Two arms of two: departures on days 1 (C), 2 (P), 3 (C); expected of C 2/4, 1/3, 1/2."""
    result = log_rank(CensoredTimes([1, 2, 3, 4], [1, 1, 1, 0]), ["C", "P", "C", "P"])
    expected = 2 / 4 + 1 / 3 + 1 / 2
    variance = 1 / 4 + 2 / 9 + 1 / 4
    assert result.statistic == pytest.approx((2 - expected) ** 2 / variance)


def test_it_is_the_score_test_of_the_hazard_ratio_without_ties():
    plain = log_rank(TIMES, ARM)
    assert plain.statistic == pytest.approx(hazard_ratio(TIMES, ARM == 1).score_statistic, rel=1e-10)
    stratified = log_rank(TIMES, ARM, strata=TRAINER)
    model = hazard_ratio(TIMES, ARM == 1, strata=TRAINER)
    assert stratified.statistic == pytest.approx(model.score_statistic, rel=1e-10)


def test_delayed_entry():
    """Who joins late is at risk from then on only; without ties the score test knows it too."""
    late = CensoredTimes(TIMES.time, TIMES.event, entry=np.where(ARM == 1, TIMES.time // 2, 0))
    model = hazard_ratio(late, ARM == 1)
    assert log_rank(late, ARM).statistic == pytest.approx(model.score_statistic, rel=1e-10)
    assert log_rank(late, ARM).statistic != pytest.approx(log_rank(TIMES, ARM).statistic, rel=1e-3)


def test_three_arms_have_two_degrees_of_freedom_in_any_order():
    arms = np.array(["A", "B", "C"])[RNG.integers(0, 3, 60)]
    result = log_rank(TIMES, arms)
    other = log_rank(TIMES, np.where(arms == "A", "Z", arms))
    assert result.degrees_of_freedom == 2
    assert result.statistic == pytest.approx(other.statistic, rel=1e-10)


def test_what_cannot_be_compared_is_refused():
    with pytest.raises(ArgumentError, match="a departure while others of at least two arms stay; found none"):
        log_rank(TIMES, ARM, strata=np.arange(60))
    with pytest.raises(ArgumentError, match="a departure while others of at least two arms stay; found none"):
        log_rank(CensoredTimes([1, 2], [False, False]), [0, 1])
    with pytest.raises(ArgumentError, match="a departure while others of at least two arms stay; found none"):
        log_rank(CensoredTimes([7, 7, 7], [True, True, True]), [0, 1, 1])
    with pytest.raises(ArgumentError, match="at least two arms; found 1"):
        log_rank(TIMES, np.ones(60, dtype=int))
    with pytest.raises(ArgumentError, match="one label for each of 60 clients"):
        log_rank(TIMES, ARM[:-1])
