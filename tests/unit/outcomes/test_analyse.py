"""A whole small study from rows to results: flow, baseline, limits, decisions."""

from __future__ import annotations

from dataclasses import replace
from statistics import stdev
from typing import Any

import numpy as np
import pytest

from studykit.errors import DesignError, FitError, StudykitError
from studykit.outcomes.analyse import analyse_rows
from studykit.outcomes.baseline import baseline_table
from studykit.outcomes.flow import check_identities, trace_flow
from studykit.outcomes.results import StudyResults
from studykit.records.rows import Screening, StudyRows
from studykit.results import to_plain

NUMBER = 48
DAY = np.datetime64("2026-01-05")


@pytest.fixture
def protocol(make_protocol: Any) -> Any:
    return make_protocol(retention=True, exercises=("a", "b"), strata=["sex"])


@pytest.fixture
def rows(protocol: Any, make_clients: Any, make_rows: Any, make_spells: Any, make_sessions: Any) -> StudyRows:
    rng = np.random.default_rng(11)
    arm = np.arange(NUMBER) % 2
    trainer = np.arange(NUMBER) // 2 % 3
    sex = np.arange(NUMBER) // 6 % 2
    age = rng.uniform(25.0, 70.0, NUMBER)
    age[3] = np.nan
    clients = make_clients(
        arm, trainer, factors=[("sex", sex, ("female", "male"))], covariates=[("age", age)]
    )
    logs = rng.normal(4.2, 0.25, (NUMBER, 1, 1)) + rng.normal(0.0, 0.05, (NUMBER, 3, 2))
    logs = logs + np.cumsum(rng.normal(0.1, 0.06, (NUMBER, 3, 1)), axis=1)
    last = np.where(rng.random(NUMBER) < 0.3, rng.integers(5, 120, NUMBER), 210)
    for visit, day in enumerate((0, 42, 84)):
        logs[last < day, visit] = np.nan
    spells = make_spells(clients, last.tolist())
    came = [
        {"client": client, "day": day, "trainer": trainer[client], "harm_asked": 1,
         "partner_reps": 4 * arm[client], "partner_sets": 2 * arm[client],
         "partner_sets_as_planned": 2 * arm[client]}
        for client, history in enumerate(spells.histories) if client != 7 for day in history.attended
    ]  # fmt: skip
    return StudyRows(
        clients=clients,
        outcomes={"strength": make_rows(clients, np.exp(logs), protocol)},
        retention=spells,
        sessions=make_sessions(clients, came),
        harms=(),
        screening=Screening(80, (("not eligible", 20), ("declined", 10)), DAY, DAY + 60),
        assessor_blind=(("yes", 90), ("no", 6)),
        data_through=DAY + 300,
        table_hashes=(),
    )


@pytest.fixture
def results(protocol: Any, rows: StudyRows, provenance: Any) -> StudyResults:
    return analyse_rows(protocol, rows, provenance=provenance, randomised=True)


def test_everything_is_there_and_plain(results: StudyResults) -> None:
    assert results.comparison == ("partner_reps", "conventional")
    assert results.strength.code == "strength"
    assert results.retention is not None
    assert results.findings == ()
    plain = to_plain(results)
    kept, strength = plain["outcomes"]
    assert strength["primary"]["rows"]["supplied"] == NUMBER
    assert kept["primary"]["interval"]["method"].startswith("stratified score")
    assert results["strength"] is results.strength
    assert results.primary is results.strength
    with pytest.raises(DesignError, match="one of the outcomes analysed: retained, strength; found mass"):
        results["mass"]


def test_flow_adds_up(results: StudyResults) -> None:
    """B01 to B03: assessed = excluded + allocated; received + not received; analysed + not analysed."""
    flow = results.flow
    assert flow.assessed == 80
    assert flow.excluded == (("not eligible", 20), ("declined", 10), ("eligible, not yet allocated", 2))
    reference, compared = flow.arms
    assert (compared.received, compared.not_received) == (23, (("no session attended", 1),))
    assert reference.received == 24
    kept, tested = reference.outcomes
    assert (kept.outcome, kept.measured) == ("retained", None)
    assert (tested.outcome, tested.analysed) == ("strength", 24)
    at_the_end = {
        item.arm: item.observed
        for item in results.strength.missing
        if item.visit == results.strength.primary_visit
    }
    assert tested.measured == at_the_end[reference.arm] < 24
    assert reference.clients_per_trainer == (8.0, 8, 8)
    assert results.retention is not None
    assert sum(number for _, number in reference.stopped) == results.retention.status[0].departed


def test_a_flow_that_does_not_add_up_is_our_fault(results: StudyResults) -> None:
    first, second = results.flow.arms
    broken = replace(results.flow, arms=(replace(first, received=first.received - 1), second))
    with pytest.raises(StudykitError, match="conventional, received: expected parts that add up to 24"):
        check_identities(broken)
    tested = replace(first.outcomes[1], measured=99)
    crowded = replace(results.flow, arms=(replace(first, outcomes=(tested,)), second))
    with pytest.raises(
        StudykitError, match="analysed for strength: expected at least the 99 measured; found 24"
    ):
        check_identities(crowded)


def test_screening_that_lacks_people_leaves_out_the_top(rows: StudyRows, results: StudyResults) -> None:
    assert rows.screening is not None
    short = replace(rows, screening=replace(rows.screening, assessed=40))
    flow, remarks = trace_flow(short, results.outcomes)
    assert flow.assessed is None
    assert "38 fewer eligible people" in remarks[0]


def test_baseline_table_has_counts_means_and_missing_and_no_test(results: StudyResults) -> None:
    """C03, G05."""
    table = {row.name: row for row in results.baseline}
    facts = ["age", "sex: female", "sex: male", "trainer: T1", "trainer: T2", "trainer: T3"]
    assert list(table) == [*facts, "strength, a", "strength, b"]
    assert [cell.arm for cell in table["age"].cells] == ["conventional", "partner_reps", "all"]
    assert [cell.missing for cell in table["age"].cells] == [0, 1, 1]
    female = table["sex: female"].cells[2]
    assert (female.first, female.second) == (24.0, 48.0)
    assert table["strength, a"].unit == "kg"
    assert not any("p_value" in str(field) for field in to_plain(results.baseline))


def test_every_cell_of_the_baseline_table(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    """Arms of three and of two, no count equal to its complement, something missing in every column."""
    protocol = make_protocol(exercises=("a", "b"), baselines=(0,), follow_ups=(84,), scale="as_measured")
    clients = make_clients(
        [0, 0, 0, 1, 1], [0, 1, 1, 1, -1], factors=[("sex", [0, 0, -1, 1, 0], ("female", "male"))],
        covariates=[("age", [40.0, 52.0, 70.0, 31.0, np.nan])],
    )  # fmt: skip
    cube = np.full((5, 2, 2), 99.0)
    cube[:, 0, 0] = [10.0, 30.0, np.nan, 5.0, 9.0]
    cube[:, 0, 1] = [7.0, np.nan, np.nan, np.nan, np.nan]
    rows = StudyRows(
        clients, {"strength": make_rows(clients, cube, protocol)}, None, None, (), None, (), DAY, ()
    )
    table = [
        (row.name, row.unit, row.kind,
         [(cell.arm, cell.number, *np.nan_to_num((cell.first, cell.second), nan=-1.0).round(6), cell.missing)
          for cell in row.cells])
        for row in baseline_table(protocol, rows)
    ]  # fmt: skip
    names, nan = ("conventional", "partner_reps", "all"), -1.0

    def counts(*cells: tuple[int, int, int]) -> list[tuple[object, ...]]:
        return [(arm, known, count, known, lost)
                for arm, (count, known, lost) in zip(names, cells, strict=True)]  # fmt: skip

    def spread(*values: float) -> float:
        return round(stdev(values), 6)

    assert table == [
        ("age", "", "mean", [("conventional", 3, 54.0, spread(40, 52, 70), 0),
                             ("partner_reps", 1, 31.0, nan, 1),
                             ("all", 4, 48.25, spread(40, 52, 70, 31), 1)]),
        ("sex: female", "", "count", counts((2, 2, 1), (1, 2, 0), (3, 4, 1))),
        ("sex: male", "", "count", counts((0, 2, 1), (1, 2, 0), (1, 4, 1))),
        ("trainer: T1", "", "count", counts((1, 3, 0), (0, 1, 1), (1, 4, 1))),
        ("trainer: T2", "", "count", counts((2, 3, 0), (1, 1, 1), (3, 4, 1))),
        ("strength, a", "kg", "mean", [("conventional", 2, 20.0, spread(10, 30), 1),
                                       ("partner_reps", 2, 7.0, spread(5, 9), 0),
                                       ("all", 4, 13.5, spread(10, 30, 5, 9), 1)]),
        ("strength, b", "kg", "mean", [("conventional", 1, 7.0, nan, 2), ("partner_reps", 0, nan, nan, 2),
                                       ("all", 1, 7.0, nan, 4)]),
    ]  # fmt: skip


def test_limits_that_apply_are_said(results: StudyResults) -> None:
    """G23, G15: unblinded assessor, few clients, trainers, missing scores, the whole package."""
    text = " ".join(results.remarks)
    assert "The assessor knew the arm at 6 of 96 test results" in text
    assert "few clients" in text
    assert "3 trainers delivered both arms" in text
    assert "no score at day_84" in text
    assert "whole package" in text
    assert "not verified as random" not in text
    assert "fewer than" not in text  # 48 of 40 planned


def test_limits_depend_on_the_facts(protocol: Any, rows: StudyRows, provenance: Any) -> None:
    planning = protocol.planning.model_copy(update={"clients": 60})
    larger = protocol.model_copy(update={"planning": planning})
    touched = np.where(rows.sessions.client == 0, 3.0, rows.sessions.partner_reps)  # type: ignore[union-attr]
    rows = replace(rows, sessions=replace(rows.sessions, partner_reps=touched), assessor_blind=())  # type: ignore[type-var]
    text = " ".join(analyse_rows(larger, rows, provenance=provenance, randomised=False).remarks)
    assert "48 clients were allocated, 60 were planned" in text
    assert "1 of 24 clients of arm conventional had partner reps although none were planned" in text
    assert "not verified as random" in text
    assert "assessor" not in text


def test_decision_is_about_the_primary_only(results: StudyResults) -> None:
    (decision,) = results.decisions
    assert decision.outcome == "strength at day_84"


def test_an_outcome_that_comes_too_early_is_left_out_with_a_finding(
    protocol: Any, rows: StudyRows, provenance: Any
) -> None:
    scores = rows.outcomes["strength"]
    early = scores.visit < 2
    young = replace(
        scores, client=scores.client[early], visit=scores.visit[early], exercise=scores.exercise[early],
        score=scores.score[early], day=scores.day[early],
    )  # fmt: skip
    results = analyse_rows(
        protocol, replace(rows, outcomes={"strength": young}), provenance=provenance, randomised=True
    )
    assert [outcome.code for outcome in results.outcomes] == ["retained"]
    assert results.findings[-1].where == "outcome strength"
    told = [remark for remark in results.remarks if "could not be estimated" in remark]
    assert len(told) == 1  # a planned outcome never goes missing in silence
    assert told[0].startswith(
        "The primary outcome, strength, could not be estimated: none in place of at least one score at the "
        "visit."
    )
    with pytest.raises(FitError, match="The outcome strength needs at least one score"):
        analyse_rows(
            protocol,
            replace(rows, outcomes={"strength": young}, retention=None),
            provenance=provenance,
            randomised=True,
        )


def test_what_nobody_recorded_is_not_drawn_as_received(
    protocol: Any, rows: StudyRows, provenance: Any
) -> None:
    """B02: without sessions and departures the boxes of delivery and of stopping are not known."""
    flow = analyse_rows(protocol, rows, provenance=provenance, randomised=True).flow
    assert flow.sessions_known
    assert flow.departures_known
    bare = replace(rows, sessions=None, retention=None)
    flow = analyse_rows(protocol, bare, provenance=provenance, randomised=True).flow
    assert not flow.sessions_known
    assert not flow.departures_known
