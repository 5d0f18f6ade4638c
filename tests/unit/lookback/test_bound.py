"""The bound for unrecorded common causes against published worked examples (H09)."""

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.lookback.e_value import (
    bias_table,
    bound_unmeasured,
    corrected_ratio,
    e_value,
    e_value_of_interval,
    risk_ratio_from_hazard_ratio,
)
from studykit.lookback.look_back_results import Answer, Association
from studykit.results import Interval, RowCount


def answer(*, hazard=None, difference=None, ratio=None, out_of_100=None, events=30, clients=100):
    def association(values):
        if values is None:
            return None
        return Association(values[0], Interval(values[1], values[2], 0.95, "given"), 0.5, 0.1, math.inf)

    return Answer(
        method="landmark", estimand="", hazard_ratio=association(hazard),
        risk_difference=association(difference), risk_ratio=association(ratio), out_of_100=out_of_100,
        clients=clients, events=events, unit="clients", rows=RowCount(clients, clients), method_in_words="",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("ratio", "nearer_end", "published", "published_end"),
    [
        # VanderWeele & Ding 2017: formula feeding and death from respiratory infection, 3.9 (1.8 to 8.7)
        (3.9, (1.8, 8.7), 7.26, 3.00),
        # Ding & VanderWeele 2016, Epidemiology 27:368: smoking and lung cancer, 10.73 (8.02 to 14.36)
        (10.73, (8.02, 14.36), 20.95, 15.52),
    ],
)
def test_published_ratios(ratio, nearer_end, published, published_end):
    """Printed with two decimals, so held to half of the last one."""
    assert e_value(ratio) == pytest.approx(published, abs=0.005)
    assert e_value_of_interval(Interval(*nearer_end, 0.95, "")) == pytest.approx(published_end, abs=0.005)


def test_an_e_value_is_the_strength_at_which_the_bias_bound_equals_the_ratio():
    """Ding & VanderWeele 2016: two associations g and d bias a ratio by at most g d / (g + d - 1)."""
    for ratio in np.linspace(1.01, 12.0, 40):
        strength = e_value(ratio)
        assert strength * strength / (2.0 * strength - 1.0) == pytest.approx(ratio, rel=1e-12)


def test_a_protective_ratio_is_turned_over_and_an_interval_with_1_needs_nothing():
    assert e_value(0.5) == e_value(2.0)
    assert e_value_of_interval(Interval(0.4, 0.8, 0.95, "")) == e_value(0.8)
    assert e_value_of_interval(Interval(0.4, 1.2, 0.95, "")) == 1.0


def test_common_departures_pull_the_hazard_ratio_towards_one():
    """By hand for 0.56, sqrt 0.748331: (1 - 0.5^0.748331) / (1 - 0.5^1.336306) = 0.40472 / 0.60396."""
    assert risk_ratio_from_hazard_ratio(0.56) == pytest.approx(0.40472 / 0.60396, rel=1e-4)
    assert e_value(risk_ratio_from_hazard_ratio(0.56)) == pytest.approx(2.35, abs=0.005)
    for hazard in (0.2, 0.7, 1.0, 1.4, 3.0):
        converted = risk_ratio_from_hazard_ratio(hazard)
        assert abs(math.log(converted)) <= abs(math.log(hazard))
        assert risk_ratio_from_hazard_ratio(1.0 / hazard) == pytest.approx(1.0 / converted)


def test_fifteen_per_cent_decides_whether_a_hazard_ratio_is_converted():
    few = bound_unmeasured(answer(hazard=(0.56, 0.46, 0.69), events=15))
    many = bound_unmeasured(answer(hazard=(0.56, 0.46, 0.69), events=16))
    assert few is not None
    assert few.ratio == 0.56
    assert many is not None
    assert many.ratio == pytest.approx(risk_ratio_from_hazard_ratio(0.56))
    assert many.e_value_of_interval == pytest.approx(e_value(risk_ratio_from_hazard_ratio(0.69)))


def test_differences_of_shares_are_put_over_the_share_without():
    bound = bound_unmeasured(answer(difference=(-0.10, -0.18, -0.02), out_of_100=(70.0, 60.0)))
    assert bound is not None
    assert bound.ratio == pytest.approx(0.75)
    assert bound.e_value_of_interval == pytest.approx(e_value(0.95))


def test_the_ratio_of_risks_comes_first_and_no_number_gives_no_bound():
    bound = bound_unmeasured(answer(ratio=(0.8, 0.6, 0.9), hazard=(0.5, 0.4, 0.6)))
    assert bound is not None
    assert bound.ratio == 0.8
    assert bound_unmeasured(answer()) is None


def test_bias_table_agrees_with_a_population_made_of_two_kinds():
    """A population with a cause and no association: the crude ratio is what correction takes away."""
    base, cause, share_with, share_without = 0.4, 0.5, 0.6, 0.2
    risk = [base * (share * cause + 1.0 - share) for share in (share_with, share_without)]
    crude = risk[0] / risk[1]
    found = corrected_ratio(
        crude, share_with=share_with, share_without=share_without, risk_ratio_of_cause=cause
    )
    assert found == pytest.approx(1.0)
    for ratio in (0.7, 1.5):
        assert all(abs(math.log(row.corrected_ratio)) < abs(math.log(ratio)) for row in bias_table(ratio)[:3])


def test_impossible_numbers_are_refused():
    with pytest.raises(ArgumentError, match="above 0"):
        e_value(0.0)
    with pytest.raises(ArgumentError, match="hazard ratio: expected a number above 0"):
        risk_ratio_from_hazard_ratio(-1.0)
    with pytest.raises(ArgumentError, match="shares from 0 to 1"):
        corrected_ratio(0.8, share_with=1.2, share_without=0.1, risk_ratio_of_cause=0.5)
