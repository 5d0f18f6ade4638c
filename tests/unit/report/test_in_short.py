"""The first screen of a report: it agrees with the decision, and an early one says nothing of the arms."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from studykit.outcomes.decision import decide
from studykit.outcomes.limits import early_remarks
from studykit.outcomes.results import StudyResults
from studykit.protocol.types import Protocol
from studykit.report.in_short import first_screen
from studykit.report.report_context import Reading
from studykit.report.wording_check import WordingContext, check_wording
from studykit.results import Estimate
from tests.support.reading_ease import ease_of


def shifted(results: StudyResults, protocol: Protocol, shift: float) -> StudyResults:
    """The same study with a clear difference in its primary outcome, a log ratio."""
    strength = results["strength"]
    clear = replace(strength.primary, estimate=Estimate(shift, 0.01, 60.0, "t"))
    outcomes = tuple(
        replace(item, primary=clear) if item.code == "strength" else item for item in results.outcomes
    )
    return replace(results, outcomes=outcomes, decisions=decide(protocol, [clear]))


def test_an_open_question_is_called_open_and_nothing_is_recommended(
    results: StudyResults, protocol: Protocol
) -> None:
    first = first_screen(Reading(results, protocol))
    assert "Strength at week 12: the study does not settle which arm does better." in first.means
    assert "A worthwhile gain (3\u00a0% or more)" in first.means
    assert "Harms were asked about at every session." in first.means
    assert "nothing here says that one arm has to be preferred" in first.do
    assert f"It rests on {results.flow.allocated} clients of one study." in first.sure
    assert first.notices == ()


@pytest.mark.parametrize(
    ("shift", "higher_is_better", "arm"),
    [(0.1, True, "partner reps"), (-0.1, True, "conventional sets"), (0.1, False, "conventional sets")],
)
def test_what_is_settled_is_said_with_the_arm_that_did_better(
    results: StudyResults, protocol: Protocol, shift: float, higher_is_better: bool, arm: str
) -> None:
    told = tuple(
        outcome.model_copy(update={"higher_is_better": higher_is_better})
        if outcome.code == "strength" else outcome
        for outcome in protocol.outcomes
    )  # fmt: skip
    planned = protocol.model_copy(update={"outcomes": told})
    clear = shifted(results, protocol, shift)
    first = first_screen(Reading(clear, planned))
    assert f"Strength at week 12: by the protocol's rule clients did better with {arm}." in first.means
    assert f"choose {arm}, within the cautions below" in first.do
    undecided = first_screen(Reading(replace(clear, decisions=()), planned))
    assert "did better" not in undecided.means  # only the rule decides
    assert "nothing here says" in undecided.do


def test_an_early_one_says_nothing_of_the_arms_and_what_a_look_that_decides_asks(
    results: StudyResults, protocol: Protocol
) -> None:
    clear = shifted(results, protocol, 0.1)
    early = replace(clear, decisions=(), remarks=(*early_remarks(0), *results.remarks))
    first = first_screen(Reading(early, protocol))
    assert first.notices[0].startswith("This is an early reading, not the result:")
    said = " ".join(text for _, text in first.lines)
    assert "partner reps" not in said
    assert "Tell no trainer, tester or client what a look showed." in first.do
    assert (
        f"{results.flow.allocated} clients of {protocol.planning.clients} planned have joined" in first.sure
    )
    rule = {"look_rule": "SR looks; OW decides", "planned_looks": 1}
    ruled = protocol.model_copy(update={"oversight": protocol.oversight.model_copy(update=rule)})
    look = replace(
        clear, remarks=early_remarks(1), decisions=decide(ruled, [clear["strength"].primary], look=1)
    )
    assert "passed its boundary: do what the protocol has fixed for that. SR looks; OW decides." in (
        first_screen(Reading(look, ruled)).do
    )


def test_the_first_screen_keeps_the_rules_of_wording_and_is_short(
    results: StudyResults, protocol: Protocol
) -> None:
    for shift in (0.0, 0.1):
        for randomised in (True, False):
            made = replace(shifted(results, protocol, shift), randomised=randomised)
            text = " ".join(said for _, said in first_screen(Reading(made, protocol)).lines)
            context = WordingContext(randomised=randomised, harms_systematic=True, primary=("strength",))
            assert check_wording(text, context=context) == ()
            ease = ease_of([text])
            assert (ease.most <= 25, ease.average <= 15, ease.index <= 8) == (True, True, True), ease
            sentences = re.split(r"(?<=[.!?])\s+", text)
            assert len(sentences) <= 12
            assert ("Chance is not known" in text) is not randomised
