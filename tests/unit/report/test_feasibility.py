"""A pilot's own answer: found against the rules, in words, and before anything about the arms."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studykit.outcomes.results import LEFT_BEFORE, StudyResults
from studykit.protocol.types import Pilot, ProgressionRule, Protocol
from studykit.report.feasibility import feasibility_lead, feasibility_section, watched
from studykit.report.page import render_report
from studykit.report.report_context import Reading
from studykit.report.tables import Table
from studykit.report.text import summary

RULES = (
    ProgressionRule(measure="recruitment", go_on=3.0, stop=1.0),
    ProgressionRule(measure="consent", go_on=0.9, stop=0.5),
    ProgressionRule(measure="delivery", go_on=0.95, stop=0.9),
    ProgressionRule(measure="tests", go_on=0.75, stop=0.5),
    ProgressionRule(measure="retention", go_on=0.7, stop=0.5),
)


def pilot(protocol: Protocol, rules: tuple[ProgressionRule, ...] = RULES) -> Protocol:
    study = protocol.study.model_copy(update={"framework": "pilot"})
    return protocol.model_copy(update={"study": study, "pilot": Pilot(rules=rules)})


def rows(reading: Reading) -> list[list[str]]:
    blocks = [block.content for block in feasibility_section(reading).blocks]
    table = next(item for item in blocks if isinstance(item, Table))
    return [[cell.text().replace("\u00a0", " ") for cell in row] for row in table.rows]


def test_each_rule_is_held_against_what_was_found(results: StudyResults, protocol: Protocol) -> None:
    """F22: feasibility against the progression rules. 72 of 72 + 13 agreed: 85 %."""
    reading = Reading(results, pilot(protocol))
    found = {row[0]: row for row in rows(reading)}
    consent = found["Of those who may join, those who agree"]
    assert consent[1] == "72 of 85, 85 %"
    assert consent[2:] == ["75 % to 92 %", "90 %", "50 %", "change first"]
    delivery = found["Sets with partner reps done as planned"]
    assert (delivery[1], delivery[-1]) == ("2461 of 2796, 88 %", "stop")
    recruited = found["Clients who join in a month"]  # 98 days for 72 clients
    assert (recruited[1], recruited[-1]) == ("72 clients, 22.4 a month", "go on")


def test_clients_who_left_are_no_missed_tests(results: StudyResults, protocol: Protocol) -> None:
    """36 and 36 allocated; of 10 without the last test 6 had left: 66 still come, 62 of them are tested."""
    outcome = results.strength
    visit = outcome.primary_visit
    cells = [
        replace(item, observed=31, reasons=((LEFT_BEFORE, 3), ("no test, still training", 2)))
        if item.visit == visit
        else item
        for item in outcome.missing
    ]
    changed = replace(results, outcomes=(replace(outcome, missing=tuple(cells)),))
    reading, own = Reading(changed, pilot(protocol)), pilot(protocol)
    tests, stayed = (watched(reading, own, rule) for rule in RULES[3:])
    assert tests is not None
    assert stayed is not None
    assert (tests.found, tests.counted) == (62, 66)
    assert (stayed.found, stayed.counted) == (66, 72)


def test_the_gravest_rule_counts_and_the_rules_come_first(results: StudyResults, protocol: Protocol) -> None:
    grave = pilot(protocol, (*RULES[3:], ProgressionRule(measure="consent", go_on=0.99, stop=0.95)))
    reading = Reading(results, grave)
    assert feasibility_lead(reading).startswith("By the rules fixed in advance: stop.")
    page = render_report(results, grave)
    assert page.index('id="feasibility"') < page.index('id="answers"')
    assert 'id="feasibility"' not in render_report(results, protocol)
    assert feasibility_lead(Reading(results, protocol)) == ""
    assert "By the rules fixed in advance: stop." in summary(results, protocol=grave)


@pytest.mark.parametrize(
    ("rules", "words"),
    [((), "fixed no progression rules in advance"), (RULES[2:3], "want of records")],
)
def test_without_rules_or_records_no_verdict_is_made_up(
    results: StudyResults, protocol: Protocol, rules: tuple[ProgressionRule, ...], words: str
) -> None:
    nothing = replace(results, delivery=None)
    reading = Reading(nothing, pilot(protocol, rules))
    assert words in feasibility_lead(reading)
    if rules:
        assert rows(reading)[0][-1] == "cannot be said"
