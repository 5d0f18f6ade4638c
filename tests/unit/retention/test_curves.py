"""Retention curves on small sets worked by hand."""

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.retention.censored import CensoredTimes
from studykit.retention.curves import first_day_at_risk, kaplan_meier

SMALL = CensoredTimes([10, 20, 20, 30, 40], [1, 1, 0, 1, 0])


def test_by_hand():
    curve = kaplan_meier(SMALL)
    assert curve.days.tolist() == [10, 20, 30]
    assert curve.at_risk.tolist() == [5, 4, 2]
    np.testing.assert_allclose(curve.retained, [4 / 5, 3 / 5, 3 / 10], rtol=1e-14)
    np.testing.assert_allclose(
        curve.variance,
        [0.8**2 / 20, 0.6**2 * (1 / 20 + 1 / 12), 0.3**2 * (1 / 20 + 1 / 12 + 1 / 2)],
        rtol=1e-14,
    )


def test_values_between_steps_and_at_the_ends():
    curve = kaplan_meier(SMALL)
    assert [curve.at(day).value for day in (0, 9, 10, 29, 30, 40)] == pytest.approx(
        [1, 1, 0.8, 0.6, 0.3, 0.3]
    )
    with pytest.raises(ArgumentError, match="a day from 0 to 40, where clients were followed; found 41"):
        curve.at(41)


def test_without_censoring_it_is_the_share_retained():
    rng = np.random.default_rng(1)
    days = rng.integers(1, 60, 40)
    curve = kaplan_meier(CensoredTimes(days, np.ones(40, dtype=bool)))
    for day in (5, 20, 41):
        share = curve.at(day)
        assert share.value == pytest.approx(np.mean(days > day), rel=1e-12)
        assert share.standard_error == pytest.approx(
            math.sqrt(share.value * (1 - share.value) / 40), rel=1e-12
        )


def test_intervals_where_nobody_or_everybody_left_are_exact():
    """No departure among n: lower end (tail)**(1/n), as Clopper and Pearson."""
    stayed = kaplan_meier(CensoredTimes([50] * 12, [0] * 12)).at(50)
    interval = stayed.confidence_interval()
    assert (stayed.value, interval.upper) == (1.0, 1.0)
    assert interval.lower == pytest.approx(0.025 ** (1 / 12))
    gone = kaplan_meier(CensoredTimes([5, 6, 7], [1, 1, 1])).at(7).confidence_interval()
    assert (gone.lower, gone.upper) == (0.0, pytest.approx(1 - 0.025 ** (1 / 3)))


def test_median_may_not_be_reached():
    never = kaplan_meier(CensoredTimes([10, 50, 50, 50], [1, 0, 0, 0])).median()
    assert not never.reached
    assert str(never) == "not reached"
    assert never.confidence_interval().upper == math.inf
    assert kaplan_meier(SMALL).median().value == 30
    assert str(kaplan_meier(SMALL).quantile(0.2)) == "day 10"


def test_band_has_a_step_at_zero_and_keeps_its_order():
    band = kaplan_meier(SMALL).band(0.9)
    assert band.days.tolist() == [0, 10, 20, 30]
    assert (band.lower <= band.retained).all()
    assert (band.retained <= band.upper).all()
    assert "log(-log)" in band.method


def test_numbers_at_risk_are_just_before_the_day():
    assert kaplan_meier(SMALL).numbers_at_risk([0, 10, 11, 20, 21, 40, 41]).tolist() == [5, 5, 4, 4, 2, 1, 0]


def test_a_drawn_curve_stops_where_few_remain():
    curve = kaplan_meier(SMALL)
    assert [curve.stops_at(number) for number in (1, 2, 4, 5, 6)] == [40, 30, 20, 10, 0]


def test_late_entry_starts_where_enough_are_at_risk():
    times = CensoredTimes([6, 20, 30, 40], [1, 1, 0, 1], entry=[5, 8, 10, 0])
    start = first_day_at_risk(times, 3)
    assert start == 10
    curve = kaplan_meier(times, from_day=start)
    assert curve.days.tolist() == [20, 40]
    assert curve.at(10).value == 1.0
    with pytest.raises(ArgumentError, match="a day from 10"):
        curve.at(9)
    assert first_day_at_risk(times, 9) == math.inf


def test_impossible_questions_are_refused():
    with pytest.raises(ArgumentError, match="share between 0 and 1"):
        kaplan_meier(SMALL).quantile(1.0)
    with pytest.raises(ArgumentError, match="confidence_level"):
        kaplan_meier(SMALL).band(95)


def test_a_curve_that_begins_late_has_the_clients_followed_from_there_behind_its_first_interval():
    """At a landmark everybody is still there: the exact interval counts them."""
    late = CensoredTimes([40.0, 50.0, 60.0, 90.0], [True, True, False, False], entry=[28.0, 28.0, 28.0, 10.0])
    band = kaplan_meier(late, from_day=28.0).band()
    assert (band.days[0], band.retained[0]) == (28.0, 1.0)
    assert band.lower[0] == pytest.approx(0.025 ** (1.0 / 4.0))
