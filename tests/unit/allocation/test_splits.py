"""Trainers split over the arms in one act."""

from fractions import Fraction
from itertools import combinations

import numpy as np
import pytest

from studykit.allocation.bits import RecordedBits
from studykit.allocation.splits import (
    SplitPlan,
    draw_split,
    find_candidates,
    number_of_partitions,
    plan_from,
)
from studykit.errors import ArgumentError, DesignError

YEARS = {
    f"T{place}": {"years": float(years), "clients": float(place)}
    for place, years in enumerate((1, 2, 9, 8, 4, 6, 3, 7))
}
ENTROPY = "07" * 32


def candidates(units, plan):
    return find_candidates(units, plan, bits=RecordedBits(ENTROPY))


@pytest.mark.parametrize(("units", "arms"), [(4, 2), (5, 2), (8, 2), (6, 3), (7, 3), (8, 3), (9, 4)])
def test_every_partition_is_listed_once(units, arms):
    plan = SplitPlan(tuple("abcd"[:arms]))
    found = candidates({f"T{place}": {} for place in range(units)}, plan)
    assert len(found.partitions) == len({tuple(row) for row in found.partitions.tolist()})
    assert len(found.partitions) == number_of_partitions(units, arms) == found.possible == found.considered
    sizes = np.sort([(found.partitions == arm).sum(axis=1) for arm in range(arms)], axis=0)
    assert (sizes[-1] - sizes[0]).max() <= 1


def test_the_best_balanced_are_kept():
    """Against a plain computation of the measure for every four of eight trainers."""
    plan = SplitPlan(("a", "b"), covariates=("years",), kept_share=Fraction(1, 5), kept_at_least=1)
    found = candidates(YEARS, plan)
    years = np.array([facts["years"] for facts in YEARS.values()])
    measures = {}
    for first in combinations(range(8), 4):
        if 0 in first:
            second = [place for place in range(8) if place not in first]
            measures[first] = (years[list(first)].mean() - years[second].mean()) ** 2 / years.var(ddof=1)
    limit = sorted(measures.values())[6] + 1e-9
    expected = {first for first, measure in measures.items() if measure <= limit}
    assert {tuple(np.flatnonzero(row == 0)) for row in found.partitions} == expected
    assert np.sort(found.imbalance) == pytest.approx(
        sorted(m for m in measures.values() if m <= limit), abs=1e-12
    )


def test_weights_and_units_of_measurement():
    """Days in place of years keep the same splits; a heavier weight need not."""
    days = {unit: {**facts, "years": facts["years"] * 365.0} for unit, facts in YEARS.items()}
    plan = SplitPlan(("a", "b"), covariates=("years", "clients"), kept_at_least=1)
    assert np.array_equal(candidates(YEARS, plan).partitions, candidates(days, plan).partitions)
    heavier = SplitPlan(("a", "b"), covariates=("years", "clients"), weights=(1, 50), kept_at_least=1)
    assert not np.array_equal(candidates(YEARS, plan).partitions, candidates(YEARS, heavier).partitions)


def test_a_fact_that_does_not_differ_is_no_hindrance():
    same = {unit: {"years": 5.0} for unit in YEARS}
    assert len(candidates(same, SplitPlan(("a", "b"), covariates=("years",))).partitions) == 35


def test_enough_are_kept_for_a_test():
    found = candidates(YEARS, SplitPlan(("a", "b"), covariates=("years",), kept_share=Fraction(1, 100)))
    assert len(found.partitions) >= 20
    assert found.smallest_p_value <= 0.05
    assert found.findings() == ()


def test_too_many_are_sampled_from_the_recorded_entropy():
    units = {f"T{place:02d}": {"years": float(place % 7)} for place in range(20)}
    plan = SplitPlan(("a", "b"), covariates=("years",), listed_at_most=300)
    first, again = candidates(units, plan), candidates(units, plan)
    other = find_candidates(units, plan, bits=RecordedBits("08" * 32))
    assert first.considered == 300 < first.possible == 92_378
    assert np.array_equal(first.partitions, again.partitions)
    assert not np.array_equal(first.partitions, other.partitions)
    assert {int((row == 0).sum()) for row in first.partitions} == {10}


def test_a_draw_is_one_of_the_candidates_and_can_be_repeated():
    plan = SplitPlan(("a", "b"), covariates=("years",))
    split, found = draw_split(YEARS, plan, entropy=ENTROPY)
    assert draw_split(YEARS, plan, entropy=ENTROPY)[0] == split
    assert split.kept == found.number == len(found.all_splits())
    row = [plan.arms.index(arm) for arm in split.arm_of.values()]
    assert row == found.all_splits()[split.index].tolist()
    assert split.imbalance <= split.largest_kept_imbalance
    drawn = {draw_split(YEARS, plan, entropy=f"{number:064x}")[0].index for number in range(600)}
    assert len(drawn) > 0.9 * found.number, "all candidates can be drawn"


def test_plans_come_back_from_their_description():
    plan = SplitPlan(
        ("a", "b", "c"), covariates=("years",), weights=(3,), kept_share=Fraction(1, 3), kept_at_least=7
    )
    assert plan_from(plan.describe()) == plan


def test_one_trainer_in_an_arm_is_refused():
    """F08: the arm's effect and the trainer's cannot be told apart."""
    with pytest.raises(DesignError, match="at least two in each of the 2 arms; found 3 in all"):
        candidates({"T1": {}, "T2": {}, "T3": {}}, SplitPlan(("a", "b")))


def test_pairs_that_are_never_apart_are_pointed_out():
    """Moulton 2004: a set that is too narrow is no longer random for every pair."""
    pairs = {f"T{place}": {"years": float(years)} for place, years in enumerate((0, 0, 0, 0, 100, 100, 0, 0))}
    found = candidates(pairs, SplitPlan(("a", "b"), covariates=("years",), kept_at_least=1))
    assert ["T4 and T5 never in one arm" in str(finding) for finding in found.findings()].count(True) == 1


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"arms": ("a",)}, "at least two different arms"),
        ({"arms": ("a", "a")}, "at least two different arms"),
        ({"weights": (1, 2)}, "a whole number from 1 for each covariate"),
        ({"kept_share": Fraction(0)}, "a share above 0 up to 1"),
    ],
)
def test_odd_plans_are_refused(settings, message):
    with pytest.raises(ArgumentError, match=message):
        SplitPlan(**{"arms": ("a", "b"), "covariates": ("years",), **settings})


@pytest.mark.parametrize("years", [None, "five", True, float("nan")])
def test_a_fact_must_be_a_number(years):
    units = {**YEARS, "T0": {"years": years}}
    with pytest.raises(ArgumentError, match="trainer T0, years: expected a number"):
        candidates(units, SplitPlan(("a", "b"), covariates=("years",)))
