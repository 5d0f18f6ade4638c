"""Every cell of every table of the planning page, on a plan whose numbers all differ."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from studykit.allocation.foresight import Foresight
from studykit.outcomes.boundaries import LookBoundary
from studykit.planning.assumptions import UsedAssumption
from studykit.planning.costs import CostPlan, CostPoint
from studykit.planning.interim import CostOfLooks, InterimPlan
from studykit.planning.outcome_plan import Improvement
from studykit.planning.pilot import PilotPlan, RuleOutlook
from studykit.planning.plan import Plan, plan_study
from studykit.planning.plan_text import plan_text
from studykit.planning.sensitivity import ChancePlan, ChancePoint, WidthSpread
from studykit.protocol.protocol_file import read_protocol
from studykit.report.document import Document
from studykit.report.plan_page import plan_document
from studykit.report.tables import Table
from studykit.report.wording_check import text_of
from studykit.shipped import shipped

READY = read_protocol(shipped("protocols") / "parallel.toml").protocol


def cost(clients: int, step: float) -> CostPoint:
    return CostPoint(
        clients=clients, people_asked=clients + 101, months_of_recruitment=2.0 + step,
        months_in_all=10.0 + step, test_visits=clients + 202, test_hours=31.0 + step, talk_hours=47.0 + step,
        extra_hours=59.0 + step, money=7001.0 + step,
    )  # fmt: skip


@pytest.fixture(scope="module")
def plan() -> Plan:
    """Numbers without any pattern: no cell can stand in for another."""
    whole = plan_study(READY, clients=44, pilot=True)
    strength, retention = whole.outcomes
    assert strength is not None
    assert retention is not None
    force = tuple(
        replace(point, width=20.11 - place, detectable=15.32 - place, power=0.21 + 0.02 * place)
        for place, point in enumerate(strength.curve)
    )
    kept = tuple(
        replace(
            point, width=71.0 - place, detectable=None if place < 4 else 43.0 - place,
            power=0.11 + 0.01 * place,
        )
        for place, point in enumerate(retention.curve)
    )  # fmt: skip
    counts = [point.clients for point in strength.curve]
    curve = tuple(cost(count, float(place)) for place, count in enumerate(counts))
    looks = InterimPlan(
        (LookBoundary(0.36, 3.1, 0.0031, 0.0019), LookBoundary(1.0, 2.2, 0.0271, 0.05)),
        (13, 37),
        CostOfLooks(1.023, 0.98, 0.87),
        ((1, 0.083), (2, 0.107), (4, 0.142)),
        0.05,
    )
    rules = (
        RuleOutlook("tests", "of clients who still come, those tested", 0.75, 0.5, 19, 15, 9, 0.83,
                    0.71, 0.23, 0.06, 0.44, 0.97),
        RuleOutlook("recruitment", "clients who join in a month", 3.0, 1.5, 5, 16, 8, 4.2,
                    0.91, 0.07, 0.02, 2.6, 6.3),
    )  # fmt: skip
    chances = ChancePlan(
        "strength", ChancePoint(44, 0.31, 0.27, 0.66), (ChancePoint(44, 0.31, 0.27, 0.66),),
        2.04, -1.9, 5.8, 6.1, 0.86,
    )  # fmt: skip
    return replace(
        whole,
        outcomes=(
            replace(strength, curve=force, planned=force[counts.index(44)]),
            replace(retention, curve=kept, planned=kept[counts.index(44)]),
        ),
        costs=CostPlan(curve[counts.index(44)], curve, 3, 4, 30, 51.0, 1.34),
        looks=looks,
        pilot=PilotPlan(21, 5, rules, False, 0.646, 0.079, 1.17),
        chances=(chances,),
        spreads=(WidthSpread("strength", 9.3, 17.9),),
        improvements=(
            Improvement("strength", "wait for longer", 4.91, 7.02, "%", "22 months"),
            Improvement("retention", "ask more people", 19.4, None, "points", "many letters"),
            Improvement("strength", "train better", None, 6.31, "%", "a course"),
        ),
        assumptions=(
            UsedAssumption("sd_score", "spread of scores", 0.25, 0.15, 0.35, "a paper", "moderate"),
            UsedAssumption("contamination", "leaks", 0.1, 0.05, 0.33, "a guess", "judgement"),
        ),
        drawing=Foresight(44, 2000, 0.82, 2.3, (("sex", 1.4), ("first_trainer", 1.7)), 0.08, 0.69, 0.5),
        scope="This plan is about strength only.",
    )


@pytest.fixture(scope="module")
def document(plan: Plan) -> Document:
    return plan_document(plan, READY)


def shown(document: Document, code: str) -> tuple[list[str], list[list[str]], str]:
    """Headings, cells and notes of a table."""
    tables = [block.content for section in document.sections for block in section.blocks]
    (found,) = [table for table in tables if isinstance(table, Table) and table.code == code]
    rows = [[cell.text().replace("\u00a0", " ") for cell in row] for row in found.rows]
    return [column.heading.replace("\u00a0", " ") for column in found.columns], rows, " ".join(found.notes)


def words(document: Document, code: str) -> str:
    (section,) = [item for item in document.sections if item.code == code]
    texts: list[str] = []
    for block in section.blocks:
        content: Any = block.content
        texts += (
            [content] if isinstance(content, str) else list(content) if isinstance(content, tuple) else []
        )
    return text_of(" ".join(texts)).replace("\u00a0", " ")


def test_widths_of_strength(document: Document) -> None:
    headings, rows, _ = shown(document, "plan_strength")
    assert headings[2] == "difference found with 80 % power"
    assert rows == [
        ["20", "18.1 %", "13.3 %", "25 %"],
        ["40", "14.1 %", "9.3 %", "33 %"],
        ["44 (planned)", "13.1 %", "8.3 %", "35 %"],
        ["80", "9.1 %", "4.3 %", "43 %"],
        ["160", "6.1 %", "1.3 %", "49 %"],
        ["320", "3.1 %", "−1.7 %", "55 %"],
    ]


def test_widths_of_retention(document: Document) -> None:
    _, rows, _ = shown(document, "plan_retention")
    assert rows == [
        ["20", "69 points", "out of reach", "13 %"],
        ["40", "65 points", "37 points", "17 %"],
        ["44 (planned)", "64 points", "36 points", "18 %"],
        ["80", "60 points", "32 points", "22 %"],
        ["160", "57 points", "29 points", "25 %"],
        ["320", "54 points", "26 points", "28 %"],
    ]


def test_what_the_plan_leaves_out(document: Document) -> None:
    said = words(document, "width")
    assert "This plan is about strength only." in said


def test_what_the_power_part_says(document: Document) -> None:
    said = words(document, "power")
    assert "if the true difference is 2.0 %, as assumed and after dilution, the chance that the study" in said
    assert "finds it is 35 %. For 80 % power at 2.0 % it takes about 888 clients." in said
    assert "plausible, −1.9 % to 5.8 %, the study finds a difference in the expected direction 27" in said
    assert "No number of clients makes it more than 86:" in said


def test_costs(document: Document) -> None:
    headings, rows, note = shown(document, "plan_cost")
    assert headings[-1] == "money"
    assert rows == [
        ["20", "121", "12", "222", "33", "143", "7003"],
        ["40", "141", "16", "242", "37", "155", "7007"],
        ["44 (planned)", "145", "17", "246", "38", "158", "7008"],
        ["80", "181", "21", "282", "42", "170", "7012"],
        ["160", "261", "24", "362", "45", "179", "7015"],
        ["320", "421", "27", "522", "48", "188", "7018"],
    ]
    assert "3 test visits of 51 minutes, followed for 30 weeks; partner reps add 1.3 minutes" in note
    said = words(document, "cost")
    assert "44 clients mean about 145 people to ask, your own clients among them, 9 months until all" in said
    assert (
        "246 test visits, and about 158 hours: 38 for tests, 54 to explain, ask and record, 66 that" in said
    )


def test_the_same_costs_in_the_terminal(plan: Plan) -> None:
    text = plan_text(plan)
    assert "- About 145 people to ask, your own clients among them, and 9 months until 44 have" in text
    assert (
        "- 246 test visits, 38 hours; talks and records 54 hours; partner reps 66 hours, 7,008 in money."
        in text
    )
    assert "   44 clients: strength 13.1 %, retention 64 points, 17 months, 158 hours (planned)" in text
    assert "   80 clients: strength 9.1 %, retention 60 points, 21 months, 170 hours\n" in text


def test_what_is_sharper(document: Document, plan: Plan) -> None:
    assert shown(document, "plan_strength_sharper")[1] == [
        ["Wait for longer", "4.9 %", "7.0 %", "22 months."],
        ["Train better", "", "6.3 %", "A course."],
    ]
    assert shown(document, "plan_retention_sharper")[1] == [
        ["Ask more people", "19 points", "", "Many letters."]
    ]
    text = plan_text(plan)
    assert (
        "- strength, wait for longer: 4.9 % to either side, differences from about 7.0 %. 22 months." in text
    )
    assert "- strength, train better: differences from about 6.3 %. A course." in text
    assert "ask more people" not in text  # the primary outcome's only


def test_assumptions(document: Document) -> None:
    assert shown(document, "plan_assumptions")[1] == [
        ["spread of scores", "0.25", "0.15 to 0.35", "moderate", "a paper"],
        ["leaks", "0.1", "0.05 to 0.33", "judgement (replace it by your own figure)", "a guess"],
    ]


def test_looks(document: Document, plan: Plan) -> None:
    error = plan["strength"].planned.standard_error
    first, last = (100 * math.expm1(3.1 * error / 0.6), 100 * math.expm1(2.2 * error))
    assert shown(document, "plan_looks")[1] == [
        ["look 1", "13", "36 %", "0.31 %", f"{first:.1f} %", "0.19 %"],
        ["the end", "37", "100 %", "2.71 %", f"{last:.1f} %", "5.00 %"],
    ]
    assert shown(document, "plan_unplanned_looks")[1] == [
        ["none", "5.0 of 100"],
        ["1", "8.3 of 100"],
        ["2", "10.7 of 100"],
        ["4", "14.2 of 100"],
    ]
    said = words(document, "looks")
    assert "One look is planned" in said
    assert "at the end p has to be 0.0271 or less, not 0.05" in said
    assert "2.3 % more clients" in said
    assert "ends after 87 % of the tests" in said
    assert "8 times in 100 with 1 early look, 14 times with 4" in said


def test_the_pilot(document: Document) -> None:
    assert shown(document, "plan_pilot")[1] == [
        ["Of clients who still come, those tested", "15 of 19 or more", "fewer than 9 of 19", "83 %", "71 %",
         "23 %", "6 %", "44 % to 97 %"],
        ["Clients who join in a month", "16 or more in 5 months", "fewer than 8 in 5 months", "4.2 a month",
         "91 %", "7 %", "2 %", "2.6 a month to 6.3 a month"],
    ]  # fmt: skip
    said = words(document, "pilot")
    assert "A pilot of 21 clients" in said
    assert "every rule says go on 65 times in 100, and at least one says stop 8 times" in said
    assert "by 17 % before" in said


def test_drawing(document: Document, plan: Plan) -> None:
    assert shown(document, "plan_drawing")[1] == [
        ["an arm's distance from its share, mean", "0.8 clients"],
        ["the same, not exceeded in 95 of 100 studies", "2.3 clients"],
        ["the same at the worst value of sex, mean", "1.4 clients"],
        ["the same at the worst value of first trainer, mean", "1.7 clients"],
        ["draws that can be foreseen for certain", "8 %"],
        ["guesses that are right, by the best guesser", "69 %"],
        ["guesses that are right by luck", "50 %"],
    ]
    assert "From 2000 simulated studies of 44 clients" in shown(document, "plan_drawing")[2]
    text = plan_text(plan)
    assert (
        "An arm will have about 0.8 clients more or fewer than its share, and seldom more than 2.3." in text
    )
    assert "sure of 8 % of draws, guesses 69 % right (50 % by luck)" in text


def test_the_recommendation_names_what_so_many_are_for(document: Document) -> None:
    said = words(document, "recommendation")
    assert (
        "From about 111 clients on, the rule says run: so many are needed to find a true difference of 6.0 "
        "%, the largest plausible one, 80 times in 100." in said
    )
