"""What must be complete before the lock."""

from __future__ import annotations

import pytest

from studykit.errors import Finding
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.rules import lock_findings
from studykit.protocol.types import Strategies
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
APPROVED = READY.replace('review = "needed"', 'review = "approved"').replace(
    'reference = ""', 'reference = "R 12"'
)


def stops(text: str) -> list[Finding]:
    read = parse_protocol(text)
    found = lock_findings(read.protocol, where=read.where, text=read.text)
    return [finding for finding in found if finding.severity == "stop"]


def test_the_ready_protocol_lacks_only_the_answer_of_the_ethics_review() -> None:
    """Trade facts E6: a review is needed unless shown otherwise."""
    (finding,) = stops(READY)
    assert "ethics, review" in finding.where
    assert stops(APPROVED) == []


@pytest.mark.parametrize("event", list(Strategies.model_fields))
def test_a_missing_strategy_blocks_the_lock(event: str) -> None:
    """Requirement section D: each event has one strategy per outcome; a missing one blocks the lock."""
    lines = APPROVED.split("\n")
    first = next(number for number, text in enumerate(lines) if text.startswith(f"{event} = "))
    (finding,) = stops("\n".join(lines[:first] + lines[first + 1 :]))
    assert finding.where.endswith(f"outcomes 'strength', estimand, strategies, {event}")


def test_a_primary_outcome_needs_an_estimand() -> None:
    """Requirement A36."""
    start, end = APPROVED.index("# Exactly what is to be"), APPROVED.index("# Do clients stay?")
    (finding,) = stops(APPROVED[:start] + APPROVED[end:])
    assert "an estimand" in finding.expected


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        (
            'funding = "the studio pays from its own income; no other money"',
            'funding = "n/a"',
            "study, funding",
        ),
        ('funding = "the studio pays from its own income; no other money"', "", "study, funding"),
        ('safety = "SR"', 'safety = "?"', "roles, safety"),
        ("keep_until = 2036-12-31", "", "ethics, keep_until"),
        ('reference = "R 12"', 'reference = ""', "ethics, reference"),
        ('review = "approved"', 'review = "not needed"', "ethics, reason"),
        ("planned_looks = 0", "planned_looks = 1", "oversight, look_rule"),
        ('role = "primary"', 'role = "secondary"', "outcomes"),
        ('variable = "load lifted', 'variable = "fill in: load', "estimand, variable"),
    ],
)
def test_what_is_left_open_blocks_the_lock(old: str, new: str, place: str) -> None:
    """Completion rule of the SPIRIT editors 2022: answered, or "not applicable" with a reason."""
    assert old in APPROVED
    (finding,) = stops(APPROVED.replace(old, new, 1))
    assert place in finding.where


def test_a_planned_look_with_its_rule_can_be_locked() -> None:
    """Requirement F20; not with several primary outcomes, nor in a pilot study."""
    looked = APPROVED.replace("planned_looks = 0", "planned_looks = 1").replace(
        'look_rule = ""', 'look_rule = "SR looks and decides with OW"'
    )
    assert stops(looked) == []
    named = 'framework = "superiority"'
    assert named in looked
    (finding,) = stops(looked.replace(named, 'framework = "pilot"', 1))
    assert finding.expected == "0 in a pilot study: it decides nothing by arm"


def test_not_applicable_with_a_reason_is_an_answer() -> None:
    text = APPROVED.replace('funding = "the', 'funding = "not applicable, because the', 1)
    assert stops(text) == []
