"""Names, labels and scales that everything in the report is written with."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studykit.kinds.continuous.scales import contrast_scale, step
from studykit.kinds.retention.tables import scale_of
from studykit.outcomes.results import StudyResults
from studykit.protocol.types import Protocol
from studykit.report.kind_report import report_of
from studykit.report.numbers import DAYS, GAP, PER_CENT_CHANGE, RATIO
from studykit.report.report_context import Reading
from studykit.results import Estimate

LONG = "conventional sets, then partner reps"


@pytest.fixture
def reading(results: StudyResults, protocol: Protocol) -> Reading:
    return Reading(results, protocol)


def renamed(results: StudyResults, conventional: str, partner_reps: str) -> Reading:
    return Reading(replace(results, arms=(("conventional", conventional), ("partner_reps", partner_reps))))


def test_the_compared_arm_comes_first_and_the_reference_second(results: StudyResults) -> None:
    reading = renamed(results, "sets", "reps")
    assert (reading.compared, reading.reference) == ("reps", "sets")
    assert reading.arms == ("conventional", "partner_reps")


def test_an_arm_is_labelled_by_a_short_name_else_by_its_code(results: StudyResults) -> None:
    """24 letters are short, 25 are long; a list is long; no name at all leaves the code, as words."""
    assert renamed(results, "a" * 24, "").arm("conventional") == "a" * 24
    assert renamed(results, "a" * 25, "").arm("conventional") == "conventional"
    assert renamed(results, "sets", "sets, reps").arm("partner_reps") == "partner reps"
    assert renamed(results, "sets", "").arm("partner_reps") == "partner reps"
    assert renamed(results, "sets", "reps").arm("third_arm") == "third arm"


def test_the_key_explains_labels_that_are_not_the_name(results: StudyResults) -> None:
    assert renamed(results, "sets", LONG).arm_key() == f"partner reps = {LONG}"
    assert renamed(results, LONG, "reps, by hand").arm_key() == (
        f"conventional = {LONG}; partner reps = reps, by hand"
    )
    assert renamed(results, "sets", "").arm_key() == ""


def test_trainers_are_those_of_the_arm_that_had_most(results: StudyResults) -> None:
    first, second = results.flow.arms
    arms = (replace(first, trainers=3), replace(second, trainers=5))
    assert Reading(replace(results, flow=replace(results.flow, arms=arms))).number_of_trainers == 5
    assert Reading(replace(results, flow=replace(results.flow, arms=()))).number_of_trainers == 0


def test_a_visit_stands_after_at_as_a_time_or_as_a_quotation(
    results: StudyResults, protocol: Protocol
) -> None:
    last = protocol.visits[-1].model_copy(update={"name": "end of the course"})
    other = Reading(results, protocol.model_copy(update={"visits": (*protocol.visits[:-1], last)}))
    assert other.at("week_12") == "at the visit “end of the course”"
    assert other.at("week_6") == "at week 6"
    assert Reading(results).at("day_3") == "at day 3"


@pytest.mark.parametrize(
    ("design", "words"),
    [
        ("parallel", "at week 12"),
        ("crossover", "within clients, both periods together"),
        ("stepped", "within clients and trainers, all periods together"),
        ("limbs", "at week 12, one side against the other"),
    ],
)
def test_where_a_contrast_is_taken(
    results: StudyResults, protocol: Protocol, design: str, words: str
) -> None:
    assert Reading(results, protocol.model_copy(update={"design": design})).when("week_12") == words
    assert Reading(results).when("week_12") == "at week 12"


def test_codes_become_names(reading: Reading, protocol: Protocol) -> None:
    """The longest code goes first; a plain word is named only where it stands as an arm or a visit does."""
    visits = (
        *protocol.visits,
        protocol.visits[-1].model_copy(update={"code": "week_1", "name": "first week"}),
    )
    named = Reading(reading.results, protocol.model_copy(update={"visits": visits})).named
    assert named("strength at week_12") == "strength at week 12"
    assert named("strength, week_1") == "strength, first week"
    assert named("leg_press at week_6") == "leg press at week 6"
    assert named("partner_reps compared with conventional") == "partner reps compared with conventional sets"
    assert named("conventional compared with partner_reps") == "conventional sets compared with partner reps"
    assert named("sets in conventional") == "sets in the arm conventional sets"
    assert named("a conventional design") == "a conventional design"
    assert Reading(reading.results).named("strength_at week_12") == "strength at week 12"
    assert (reading.exercise("leg_press"), Reading(reading.results).exercise("leg_press")) == (
        "leg press",
    ) * 2


def test_the_finest_step_of_the_exercises_of_an_outcome(reading: Reading) -> None:
    strength = reading.results.strength
    assert step(reading, strength) == 2.5
    assert step(reading, replace(strength, exercises=("leg_press",))) == 5.0
    assert step(reading, replace(strength, exercises=())) == 2.5
    assert step(reading, replace(strength, exercises=("row",))) is None
    assert step(Reading(reading.results), strength) is None


def test_scales_follow_the_outcome(reading: Reading) -> None:
    strength, retention = reading.results.strength, reading.results.retention
    assert retention is not None
    assert retention.ratio is not None
    assert contrast_scale(reading, strength) is PER_CENT_CHANGE
    assert contrast_scale(reading, replace(strength, scale="as_measured")).unit == "kg"
    assert scale_of(reading, retention.ratio) is RATIO
    assert scale_of(reading, retention.restricted_mean[0]) is DAYS
    assert scale_of(reading, retention.primary).text(0.08) == f"8{GAP}percentage points"


def test_whether_more_is_better_is_the_protocols_own(results: StudyResults, protocol: Protocol) -> None:
    strength, retention = protocol.outcomes
    less = protocol.model_copy(
        update={"outcomes": (strength.model_copy(update={"higher_is_better": False}), retention)}
    )
    loss = replace(results.strength, primary=replace(
        results.strength.primary, estimate=Estimate(-0.05, 0.004, 60.0, "Kenward-Roger")
    ))  # fmt: skip
    said = [report_of(loss).answer(Reading(results, plan), loss)[1] for plan in (protocol, less, None)]
    assert ["worthwhile gain" in text for text in said] == [False, True, False]
    assert ["worthwhile loss" in text for text in said] == [True, False, True]
