"""The simulated part of the planning page, in words, tables and pictures."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from studykit.planning.plan import plan_study
from studykit.planning.search_loop import Found
from studykit.planning.simulated_plan import remarks_on, simulate_plan
from studykit.planning.simulated_words import needed_sentence, simulation_sentences
from studykit.protocol.reading import read_protocol
from studykit.report.plan_page import plan_document, render_plan
from studykit.report.plan_simulated import simulated_section
from studykit.results import to_plain
from studykit.shipped import shipped
from studykit.trial.performance import Share, with_exercises

FOUR = read_protocol(shipped("protocols") / "parallel.toml").protocol
ONE = with_exercises(FOUR, FOUR.continuous_outcomes[0].exercises[:1])


@pytest.fixture(scope="module")
def simulated():
    """A small simulation: so few clients that the fallback takes over, which is quick."""
    return simulate_plan(ONE, clients=24, trials=100, seed=1)


@pytest.fixture(scope="module")
def plan(simulated):
    return replace(plan_study(ONE, clients=24), simulated=simulated)


def test_everything_asked_for_is_there(simulated) -> None:
    assert simulated.study.trials == 100
    assert simulated.detectable is not None
    assert simulated.detectable.low < simulated.detectable.value < simulated.detectable.high
    assert simulated.clients_for_largest is not None
    assert simulated.clients_for_worthwhile is not None
    assert simulated.doubts is not None
    meanings = {row.key for row in simulated.doubts.rows}
    assert {
        "",
        "trainer_by_arm_sd",
        "correlation_baseline",
        "effect_strength",
        "retention_reference",
    } <= meanings
    assert not simulated.stopped


def test_doubts_move_in_the_right_direction(simulated) -> None:
    """More correlation, narrower; a larger effect, more power; the same random numbers make it visible."""
    rows = {(row.key, row.end): row for row in simulated.doubts.rows}
    assert rows["correlation_baseline", "high"].width.value < rows["correlation_baseline", "low"].width.value
    assert rows["effect_strength", "high"].power.value > rows["", "assumed"].power.value
    assert rows["retention_reference", "high"].width.value < rows["retention_reference", "low"].width.value


def test_sentences_say_what_was_found(simulated) -> None:
    text = "\n".join(simulation_sentences(simulated, ONE))
    assert "100 studies of 24 clients and 3 trainers were simulated." in text
    assert "claim one all the same (5 % are allowed)" in text
    assert "With 24 clients a true difference of" in text
    assert "significant" not in text


def test_a_stop_is_said(simulated) -> None:
    study = replace(simulated.study, trials=40, stopped=True)
    text = "\n".join(simulation_sentences(replace(simulated, study=study, stopped=True), ONE))
    assert "stopped early: 40 of 100" in text


def test_the_page_holds_words_pictures_and_table(plan) -> None:
    section = simulated_section(plan, ONE)
    kinds = [block.kind for block in section.blocks]
    assert kinds.count("picture") == 3
    assert "table" in kinds
    page = render_plan(plan, ONE)
    assert "Tried out: the study simulated" in page
    assert page == render_plan(plan, ONE)  # the same bytes


def test_without_simulation_there_is_no_such_part() -> None:
    document = plan_document(plan_study(ONE, clients=24), ONE)
    assert "simulated" not in {section.code for section in document.sections}


def test_the_plan_as_plain_values_holds_no_single_trial(plan) -> None:
    plain = to_plain(plan)["simulated"]["study"]["outcomes"][0]
    assert plain["estimates"] is None
    assert plain["with_effect"]["rejected"]["trials"] == 100


def rejecting(simulated, count, trials=1000):
    """The study with another number of false claims."""
    outcomes = tuple(
        replace(found, without_effect=replace(found.without_effect, rejected=Share.of(count, trials)))
        for found in simulated.study.outcomes
    )
    return replace(simulated.study, outcomes=outcomes)


def test_a_rule_that_claims_too_often_is_said_at_planning_time(simulated) -> None:
    assert any("promises too much" in line for line in remarks_on(rejecting(simulated, 90), alpha=0.05))
    assert any("is cautious" in line for line in remarks_on(rejecting(simulated, 12), alpha=0.05))
    assert not any("promises" in line for line in remarks_on(rejecting(simulated, 52), alpha=0.05))


def test_a_number_out_of_reach_is_told_with_its_reason() -> None:
    found = Found(
        "clients", "power", 0.8, None, math.nan, math.nan, 1602, 0, (), False, False, "not simulated"
    )
    assert needed_sentence(found, "For this") == "For this: not simulated."


def test_a_formula_that_is_too_hopeful_is_not_left_to_contradict_the_search() -> None:
    """Whole trainers in one arm: the formula gave 148 clients, the search 226 to 248."""
    found = Found("clients", "power", 0.8, 238, 226.0, 248.0, 148, 1000, (), True, False)
    assert "the formula, which is too hopeful here" in needed_sentence(found, "For this")
    assert "hopeful" not in needed_sentence(replace(found, closed_form=220), "For this")
