"""The recommendation by its rule, to the last client and the last hair; and words that agree with numbers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from studykit.kinds.continuous import planning as continuous
from studykit.kinds.continuous.planning import ContinuousPlan
from studykit.kinds.retention import planning as retention
from studykit.kinds.retention.planning import RetentionPlan
from studykit.planning.advice import FEWEST_FOR_PILOT, MOST_STUDIOS, Recommendation, recommend
from studykit.planning.assumptions import Assumptions
from studykit.protocol.protocol_file import read_protocol
from studykit.shipped import shipped

READY = read_protocol(shipped("protocols") / "parallel.toml").protocol
STRENGTH, RETENTION = READY.continuous_outcomes[0], READY.retention_outcome
assert RETENTION is not None
TO_FIND = "to find a true difference of 6.0 %, the largest plausible one, 80 times in 100"
TO_REACH = (
    "for an interval that reaches no farther than the smallest worthwhile difference, 5.5 %, to either side"
)


def planned(clients: int, *, worthwhile: float | None = 3.0) -> ContinuousPlan:
    outcome = STRENGTH.model_copy(update={"smallest_worthwhile": worthwhile})
    return continuous.plan(READY, outcome, Assumptions(READY), clients=clients, counts=())


@pytest.fixture(scope="module")
def force() -> ContinuousPlan:
    return planned(40)


@pytest.fixture(scope="module")
def kept() -> RetentionPlan:
    plain = RETENTION.model_copy(update={"smallest_worthwhile": None})
    return retention.plan(READY, plain, Assumptions(READY), clients=40, counts=())


def advised(plan: ContinuousPlan, clients: int) -> Recommendation:
    needed = plan.clients_to_find(plan.largest_plausible)
    return recommend(plan, clients=clients, pilot=False, needed_for_plausible=needed)


@pytest.mark.parametrize(
    ("clients", "worthwhile", "said", "needed_for"),
    [
        (40, 3.0, f"About 111 clients are needed {TO_FIND}; 3 studios of this size", TO_FIND),
        (16, 3.0, f"About 111 clients are needed {TO_FIND}; 16 are planned", TO_FIND),
        (40, None, f"About 111 clients are needed {TO_FIND}; 3 studios of this size", TO_FIND),
        (120, 3.0, "found 80 times in 100; the largest plausible one is 6.0 %. Smaller", TO_FIND),
        (40, 5.5, f"About 64 clients are needed {TO_REACH}; 2 studios of this size", TO_REACH),
        (64, 5.5, "to either side, no farther than the smallest worthwhile difference, 5.5 %.", TO_REACH),
    ],
)  # fmt: skip
def test_a_number_of_clients_is_told_with_what_it_is_for(
    clients: int, worthwhile: float | None, said: str, needed_for: str
) -> None:
    advice = advised(planned(clients, worthwhile=worthwhile), clients)
    assert said in advice.reason
    assert advice.needed_for == needed_for


@pytest.mark.parametrize("worthwhile", [3.0, 5.5])
def test_so_many_clients_as_are_needed_are_enough_and_one_fewer_is_not(worthwhile: float) -> None:
    needed = advised(planned(40, worthwhile=worthwhile), 40).clients_needed
    assert needed is not None
    actions = [
        advised(planned(number, worthwhile=worthwhile), number).action for number in (needed - 1, needed)
    ]
    assert actions == ["join other studios", "run"]


def at(plan: ContinuousPlan, *, half: float, detectable: float, **changes: Any) -> ContinuousPlan:
    point = replace(plan.planned, half_width=half, detectable=detectable)
    return replace(plan, planned=point, smallest_worthwhile=3.0, largest_plausible=6.0, **changes)


@pytest.mark.parametrize(
    ("half", "detectable", "clients", "by_width", "to_find", "action"),
    [
        (3.0, 9.0, 40, None, None, "run"),  # reaches exactly as far
        (3.01, 9.0, 40, None, None, "run as a pilot"),
        (5.0, 6.0, 40, None, None, "run"),  # finds exactly the largest plausible one
        (5.0, 6.01, 40, None, None, "run as a pilot"),
        (5.0, 9.0, 40, None, MOST_STUDIOS * 40, "join other studios"),
        (5.0, 9.0, 40, None, MOST_STUDIOS * 40 + 1, "run as a pilot"),
        (5.0, 9.0, 40, MOST_STUDIOS * 40, 9999, "join other studios"),
        (3.0, 6.0, FEWEST_FOR_PILOT, None, None, "run"),
        (3.0, 6.0, FEWEST_FOR_PILOT - 1, None, None, "do not run"),
    ],
)
def test_the_rule_at_its_edges(
    force: ContinuousPlan, half: float, detectable: float, clients: int, by_width: int | None,
    to_find: int | None, action: str,
) -> None:  # fmt: skip
    plan = at(force, half=half, detectable=detectable, clients_for_worthwhile=by_width)
    assert recommend(plan, clients=clients, pilot=False, needed_for_plausible=to_find).action == action


@pytest.mark.parametrize(("needed", "studios"), [(80, 2), (81, 3), (120, 3)])
def test_studios_are_counted_up_to_the_last_client(force: ContinuousPlan, needed: int, studios: int) -> None:
    plan = at(force, half=5.0, detectable=9.0, clients_for_worthwhile=None)
    reason = recommend(plan, clients=40, pilot=False, needed_for_plausible=needed).reason
    assert f"About {needed} clients are needed {TO_FIND}; {studios} studios" in reason


def test_the_smaller_of_two_numbers_is_told_with_its_own_purpose(force: ContinuousPlan) -> None:
    for by_width, to_find, number, purpose in (
        (90, 91, 90, "for an interval"),
        (90, 90, 90, "for an interval"),
        (91, 90, 90, "to find"),
        (90, None, 90, "for an interval"),
        (None, 90, 90, "to find"),
    ):
        plan = at(force, half=5.0, detectable=9.0, clients_for_worthwhile=by_width)
        advice = recommend(plan, clients=40, pilot=False, needed_for_plausible=to_find)
        assert advice.clients_needed == number
        assert advice.needed_for.startswith(purpose)


def test_out_of_reach_is_said_of_the_difference(force: ContinuousPlan, kept: RetentionPlan) -> None:
    plan = at(force, half=5.0, detectable=9.0, clients_for_worthwhile=None)
    reason = recommend(plan, clients=40, pilot=False, needed_for_plausible=None).reason
    assert reason.startswith(f"No number of clients within reach is enough {TO_FIND}; 40 are planned.")
    back = recommend(kept, clients=40, pilot=False, needed_for_plausible=None)
    assert back.action == "look back first"
    assert "to find a true difference of 8.0 points, the largest plausible one, 80 times" in back.reason


@pytest.mark.parametrize(("power", "told"), [(0.7999, "cannot be told from none (found 80"), (0.8, "much")])
def test_found_often_enough_is_not_out_of_reach(
    force: ContinuousPlan, kept: RetentionPlan, power: float, told: str
) -> None:
    for changed in (
        replace(force, planned=replace(force.planned, power=power, detectable=1.9)),
        replace(kept, planned=replace(kept.planned, power=power, detectable=1.9)),
    ):
        _, cannot = changed.sentences(confidence_level=0.95, power=0.8)
        assert told in cannot
        if power == 0.8:
            assert "differences much below 1.9" in cannot


def test_sentences_hold_each_number_once(force: ContinuousPlan, kept: RetentionPlan) -> None:
    point = replace(
        force.planned, detectable=11.31, width=13.92, half_width=7.23, clients=41,
        tested_per_arm=(13.0, 19.0), power=0.12,
    )  # fmt: skip
    changed = replace(force, planned=point, effect_after_dilution=-2.4, clients_for_effect=731)
    can, cannot = changed.sentences(confidence_level=0.9, power=0.85)
    assert can == (
        "Strength (10-repetition load) at week 12 over 4 exercises: true differences from about 11.3 % are "
        "found 85 times in 100. The 90 % interval will be about 13.9 % wide, 7.2 % to either side, with 41 "
        "clients, of whom about 13 and 19 are tested in the two arms."
    )
    assert cannot == (
        "Strength (10-repetition load): the assumed difference of 2.4 % cannot be told from none (found 12 "
        "times in 100); to find it 85 times in 100 takes about 731 clients."
    )
    seen = replace(kept.planned, detectable=17.2, width=41.3, power=0.13)
    other = replace(kept, planned=seen, effect_after_dilution=-3.1, clients_for_effect=None)
    can, cannot = other.sentences(confidence_level=0.9, power=0.85)
    assert can == (
        "Still training at the studio on day 182: a change from 70 to about 87 of 100 is found 85 times in "
        "100. The 90 % interval of the difference will be about 41 percentage points wide."
    )
    assert cannot == (
        "Still training at the studio: the assumed difference of -3.1 points cannot be told from none (found "
        "13 times in 100); no number of clients within reach finds it 85 times in 100."
    )
