"""The table of the reporting standard claims nothing that nobody wrote or recorded (C14)."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.outcomes.results import StudyResults
from studykit.protocol.reading import read_protocol
from studykit.protocol.types import Protocol
from studykit.report.completion import completion
from studykit.report.reading import Reading
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
