"""The flow diagram: its identities (reporting requirements B01 to B03) are asserted before it is drawn."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from typing import Any

import pytest

from studykit.errors import StudykitError
from studykit.outcomes.results import FlowOutcome, FlowResult, StudyResults
from studykit.report.flow_diagram import draw_flow

TEXT, RECT = "{http://www.w3.org/2000/svg}text", "{http://www.w3.org/2000/svg}rect"
NASTY = '<b>&"'


@pytest.fixture
def flow(results: StudyResults) -> FlowResult:
    return results.flow


def words(svg: str) -> str:
    return " ".join(text.text or "" for text in ET.fromstring(svg).iter(TEXT))


def test_every_box_has_its_number(flow: FlowResult) -> None:
    text = words(draw_flow(flow))
    for piece in (
        "Assessed: 96",
        "Excluded: 24",
        "not eligible 9",
        "declined 13",
        "Allocated: 72",
        "partner reps: 36",
        "received it: 35",
        "Stopped the programme: 2",
        "Lost: 2",
        "retention: 35",
        "strength: 34, of",
        "whom 30 measured",
        "6 trainers, clients each:",
    ):
        assert piece in text, piece


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"assessed": 95}, "flow, assessed: expected parts that add up to 95; found 96"),
        (
            {"allocated": 71, "assessed": 95},
            "flow, allocated: expected parts that add up to 71; found 72",
        ),
    ],
)
def test_totals_that_do_not_add_up_are_refused(
    flow: FlowResult, changes: dict[str, Any], message: str
) -> None:
    """B01: assessed = excluded + allocated, and the arms add up."""
    with pytest.raises(StudykitError, match=message):
        draw_flow(replace(flow, **changes))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"received": 35},
            "conventional, received: expected parts that add up to 36; found 35",
        ),
        (
            {"outcomes": (FlowOutcome("s", "strength", 35),)},
            "analysed for strength: expected parts that add up to 36; found 35",
        ),
        (
            {"outcomes": (FlowOutcome("s", "strength", 36, measured=37),)},
            "analysed for strength: expected at least the 37 measured; found 36",
        ),
    ],
)
def test_arms_that_do_not_add_up_are_refused(flow: FlowResult, changes: dict[str, Any], message: str) -> None:
    """B02: allocated = received + not received = analysed + not analysed; analysed >= measured."""
    arms = (replace(flow.arms[0], **changes), *flow.arms[1:])
    with pytest.raises(StudykitError, match=message):
        draw_flow(replace(flow, arms=arms))


def test_a_trial_allocated_elsewhere_has_no_count_of_those_assessed(flow: FlowResult) -> None:
    text = words(draw_flow(replace(flow, assessed=None, excluded=())))
    assert "Assessed" not in text
    assert "Allocated: 72" in text


def test_what_is_not_recorded_has_no_number(flow: FlowResult) -> None:
    known = words(draw_flow(flow))
    assert "received it:" in known
    assert "Stopped the programme:" in known
    arms = tuple(replace(arm, outcomes=arm.outcomes[1:]) for arm in flow.arms)
    text = words(draw_flow(replace(flow, arms=arms, sessions_known=False)))
    assert "received it:" not in text
    assert "who received it is not" in text
    assert "Stopped the programme" not in text


def test_text_stays_inside_its_box_and_is_escaped(flow: FlowResult) -> None:
    reason = (
        f"{NASTY} a reason that is much longer than a box is wide, with Donaudampfschifffahrtsgesellschaften"
    )
    arm = replace(flow.arms[0], outcomes=(FlowOutcome("r", "retention", 36, stopped=((reason, 1),)),))
    svg = draw_flow(replace(flow, arms=(arm, *flow.arms[1:])), names={"conventional": NASTY})
    assert "<b>" not in svg
    assert NASTY in words(svg)
    # An average letter is a little over half as wide as the type is high.
    longest = max(len(text.text or "") for text in ET.fromstring(svg).iter(TEXT))
    assert longest * 11.0 * 0.53 < 176.0


def test_three_arms_stand_beside_each_other(flow: FlowResult) -> None:
    third = replace(flow.arms[0], arm="third")
    svg = draw_flow(replace(flow, assessed=None, excluded=(), allocated=108, arms=(*flow.arms, third)))
    boxes = list(ET.fromstring(svg).iter(RECT))
    ends = [float(box.get("x", "0")) + float(box.get("width", "0")) for box in boxes]
    assert max(ends) <= 360.0


def test_codes_in_reasons_become_names(flow: FlowResult) -> None:
    arm = replace(flow.arms[0], outcomes=(FlowOutcome("s", "s", 36, lost=(("no test at week_12", 1),)),))
    svg = draw_flow(replace(flow, arms=(arm, *flow.arms[1:])), names={"week_12": "week 12"})
    assert "no test at week 12" in words(svg)


def test_same_flow_same_bytes(flow: FlowResult) -> None:
    assert draw_flow(flow) == draw_flow(flow)
