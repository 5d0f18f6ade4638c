"""The table of the reporting standard claims nothing that nobody wrote or recorded (C14)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from studykit.outcomes.results import StudyResults
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import ExternalAllocation, Protocol, TrainersTogether
from studykit.report.report_context import Reading
from studykit.report.reporting_items import Item, completion
from studykit.study import Study

ANALYSIS = Path(__file__).resolve().parents[3] / "analysis"


@pytest.fixture(scope="module")
def elsewhere() -> dict[str, tuple[str, str]]:
    """Items of a trial whose protocol leaves most sections at the program's defaults."""
    study = Study.open(ANALYSIS / "weight_trial")
    reading = Reading(study.analyse(), study.protocol, (), ())
    return {item.item: (item.state, item.where) for item in completion(reading)}


@pytest.mark.parametrize("item", ["12a", "13", "15", "16a", "20a"])
def test_a_default_of_the_program_is_no_fact_about_a_trial(
    elsewhere: dict[str, tuple[str, str]], item: str
) -> None:
    assert elsewhere[item][0] == "to be supplied"


def test_estimates_are_found_where_they_stand(elsewhere: dict[str, tuple[str, str]]) -> None:
    assert elsewhere["26"] == ("in this report", "body weight")


def test_what_the_ready_protocol_says_is_claimed(results: StudyResults) -> None:
    protocol: Protocol = read_protocol(ANALYSIS.parent / "protocols" / "parallel.toml").protocol
    items = {item.item: item.state for item in completion(Reading(results, protocol, (), ()))}
    assert items["12a"] == "in the protocol"
    assert {items[item] for item in ("13", "15", "16a", "20a")} == {"in this report"}
    assert len(items) == 42  # CONSORT 2025: 30 items in 42 lines


def changed(protocol: Protocol, **changes: Any) -> Protocol:
    return protocol.model_copy(update=changes)


def arms_of(protocol: Protocol, description: str) -> Protocol:
    arms = [arm.model_copy(update={"dose": None, "description": description}) for arm in protocol.arms]
    return changed(protocol, arms=tuple(arms))


def sealed(protocol: Protocol) -> Protocol:
    return changed(protocol, allocation=protocol.allocation.model_copy(update={"sealed_list": "a" * 64}))


ELSEWHERE = ExternalAllocation(method="external", description="drawn by a hospital")
OTHERS = {
    "arms in words": (lambda one: arms_of(one, "sets to the limit"), {"13": ("in this report", "Methods")}),
    "arms untold": (
        lambda one: arms_of(one, ""),
        {"13": ("to be supplied", "write it in the protocol, key arms, description")},
    ),
    "elsewhere": (
        lambda one: changed(one, allocation=ELSEWHERE),
        {
            **dict.fromkeys(("17a", "17b", "18", "19"), ("in the protocol", "drawn by a hospital")),
            "16a": ("to be supplied", "the trial was allocated elsewhere; tell it from its own protocol"),
        },
    ),
    "trainers": (
        lambda one: changed(one, allocation=TrainersTogether(method="trainers together")),
        {
            "17a": (
                "in this report",
                "drawn by the program from operating-system entropy, all trainers in one recorded act",
            ),
            "17b": (
                "in this report",
                "Methods: trainers as clusters, the balance wanted, how many splits were kept",
            ),
        },
    ),
    "sealed list": (
        sealed,
        {
            "17a": (
                "in this report",
                "a list drawn by an outsider from operating-system entropy on another machine",
            ),
            "17b": ("in this report", "Methods: permuted blocks, its settings and strata"),
        },
    ),
    "assessor knows": (
        lambda one: changed(one, oversight=one.oversight.model_copy(update={"assessor_blinded": False})),
        {"20a": ("in this report", "nobody; counts stand under Answers")},
    ),
}


@pytest.mark.parametrize(("change", "told"), OTHERS.values(), ids=OTHERS)
def test_another_study_changes_the_answers_and_never_the_questions(
    results: StudyResults, protocol: Protocol, change: Any, told: dict[str, tuple[str, str]]
) -> None:
    usual = completion(Reading(results, protocol))
    other = completion(Reading(results, change(protocol)))
    assert [(item.item, item.asks) for item in other] == [(item.item, item.asks) for item in usual]
    assert {item.item: (item.state, item.where) for item in other if item.item in told} == told


def test_what_was_not_recorded_has_to_be_supplied(results: StudyResults, protocol: Protocol) -> None:
    nothing = replace(results, harms=None, delivery=None, outcomes=(results.strength,))
    found = {item.item: item for item in completion(Reading(nothing, protocol))}
    assert found["15"] == Item(
        "15", "how harms were defined and asked about", "to be supplied", "harms were not recorded"
    )
    assert found["24a"] == Item("24a", "what was delivered", "to be supplied", "no session records")
    assert found["27"] == Item("27", "harms", "to be supplied", "no records of harms")
    assert found["26"].where == "strength"
    assert found["10"].where == "Changes and looks: none"


def test_rows_that_decide_nothing_are_named_where_there_are_any(
    results: StudyResults, protocol: Protocol
) -> None:
    outcome = results.strength
    other = replace(outcome, primary=replace(outcome.primary, role="exploratory"))
    found = {
        item.item: item for item in completion(Reading(replace(results, outcomes=(outcome, other)), protocol))
    }
    asks = "further analyses, planned or exploratory"
    assert found["28"] == Item("28", asks, "in this report", "rows marked exploratory")
