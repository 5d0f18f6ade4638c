"""The simulated part of the planning page, in words, tables and pictures."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from studykit.planning.plan import plan_study
from studykit.planning.search_loop import CurvePoint, Found
from studykit.planning.simulated_plan import (
    needed_sentence,
    outcome_sentences,
    remarks_on,
    simulate_plan,
    simulation_sentences,
)
from studykit.planning.simulation import Measured
from studykit.protocol.protocol_file import read_protocol
from studykit.report.gallery import WIDE
from studykit.report.plan_page import plan_document, render_plan
from studykit.report.plan_simulated import draw_power_curve, simulated_section
from studykit.report.style import drawing_style, new_figure
from studykit.report.tables import Table
from studykit.results import to_plain
from studykit.shipped import shipped
from studykit.trial.performance import Performance, Share, with_exercises

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
    for count, trials in ((52, 1000), (0, 20), (5, 20), (0, 100)):
        said = " ".join(remarks_on(rejecting(simulated, count, trials), alpha=0.05))
        assert "promises" not in said
        assert "cautious" not in said
    assert "in 9.0 % (7.4 to 10.9) of studies" in " ".join(remarks_on(rejecting(simulated, 90), alpha=0.05))


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


def test_few_simulated_studies_are_told_with_what_they_leave_open(simulated) -> None:
    """20 studies without a false claim: "0.0 ± 0.0 %, the analysis is cautious"."""
    few = replace(simulated, study=rejecting(simulated, 0, 20), remarks=())
    text = "\n".join(simulation_sentences(few, ONE))
    assert "If there is none, 0.0 % (0.0 to 16.1) claim one all the same (5 % are allowed)." in text
    assert "±" not in text


def test_where_no_analysis_went_through_no_number_is_told(simulated) -> None:
    found = simulated.study.outcomes[0]
    nothing = replace(found, width=Measured(math.nan, math.nan), width_low=math.nan, width_high=math.nan)
    first, second = outcome_sentences(nothing, alpha=0.05)
    assert "of such studies find one" in first
    assert second == "Strength (10-repetition load): no analysis went through, so that no interval is known."


@pytest.mark.parametrize("places", [0, 1])
def test_every_cell_of_the_table_of_simulated_studies(places, simulated) -> None:
    """Values that all differ, so that no cell can stand in for another."""
    own = Performance(
        trials=400, failed=3, truth=0.02, bias=-0.0123, bias_error=0.0045, spread=0.1, mean_width=0.3,
        width_error=0.01, coverage=Share.of(381, 397), rejected=Share.of(61, 400),
        by_model=Share.of(297, 397), at_boundary=Share.of(139, 397),
    )  # fmt: skip
    null = replace(own, rejected=Share.of(17, 400))
    outcomes = [
        replace(found, with_effect=own, without_effect=null, width=Measured(14.23, 0.31))
        for found in simulated.study.outcomes
    ]
    outcomes[1] = replace(outcomes[1], without_effect=None)
    shown = replace(simulated, study=replace(simulated.study, trials=400, outcomes=tuple(outcomes)))
    section = simulated_section(replace(plan_study(ONE, clients=24), simulated=shown), ONE)
    table = next(block.content for block in section.blocks if isinstance(block.content, Table))
    cells = [[cell.text().replace("\u00a0", " ") for cell in row] for row in table.rows]
    strength = places == 0
    assert [[row[0], row[1 + places]] for row in cells] == [
        ["finds the assumed difference", "15.2 % (12.1 to 19.1)"],
        ["claims a difference where there is none", "4.2 % (2.7 to 6.7)" if strength else "not simulated"],
        ["intervals that hold the truth", "96.0 % (93.6 to 97.5)"],
        ["bias", "−0.0123 ± 0.0045"],
        ["width of the interval", f"14.2 ± 0.3 {'%' if strength else 'percentage points'}"],
        ["analysed by the mixed model", "74.8 % (70.3 to 78.8)" if strength else "no model"],
        ["a spread estimated at zero", "35.0 % (30.5 to 39.8)" if strength else "no model"],
        ["analysis failed", "3 of 400"],
        ["decided by", outcomes[places].decided_by],
    ]
    assert "400 simulated studies, seed 1;" in table.notes[0]


def test_the_bar_of_a_simulated_power_is_wilsons() -> None:
    """All of 50 trials found it: the bar still has a length, 92.9 to 100 (Newcombe's method 3)."""
    points = (CurvePoint(60, 50, 1.0, 0.0), CurvePoint(40, 400, 0.6, math.sqrt(0.24 / 400)))
    found = Found("clients", "power", 0.8, 50, 45.0, 55.0, 48, 450, points, True, False)
    with drawing_style():
        figure, ax = new_figure(WIDE, 3.0)
        draw_power_curve(found, [(20, 0.3), (80, 0.95)], ax)
        bars = [lines.get_segments()[0][:, 1].tolist() for lines in ax.collections]
    assert bars[0] == pytest.approx([92.87, 100.0], abs=0.01)
    assert bars[1] == pytest.approx([55.13, 64.69], abs=0.02)
    assert figure is not None


def test_a_doubt_is_told_as_its_world_was_simulated(simulated) -> None:
    """The width with all as assumed is that of the planned study, told the same; its error is in the unit."""
    doubt = simulated.doubts.rows[0]
    study = simulated.study.outcomes[0]
    assert (doubt.key, doubt.end) == ("", "assumed")
    assert doubt.power.trials == simulated.doubts.trials == 50
    assert doubt.width.value == pytest.approx(study.width.value, rel=0.1)
    assert doubt.width.monte_carlo_error == pytest.approx(
        study.width.monte_carlo_error * math.sqrt(100 / 50), rel=0.4
    )
