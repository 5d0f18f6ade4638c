"""What must be complete before the lock."""

from __future__ import annotations

import pytest

from studykit.errors import Finding
from studykit.protocol.completion import ASKED
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.rules import lock_findings
from studykit.protocol.types import Strategies
from studykit.shipped import shipped
from tests.support.answered import ANSWERED, answered

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
APPROVED = answered(READY)


def stops(text: str) -> list[Finding]:
    read = parse_protocol(text)
    found = lock_findings(read.protocol, where=read.where, text=read.text)
    return [finding for finding in found if finding.severity == "stop"]


@pytest.mark.parametrize("design", ["parallel", "trainers", "crossover", "limbs", "stepped"])
def test_no_ready_protocol_claims_what_only_the_studio_knows(design: str) -> None:
    """Insurance, list of names, review of harms and today's practice begin empty and are asked by name."""
    text = (shipped("protocols") / f"{design}.toml").read_text(encoding="utf-8")
    asked = {finding.expected.removeprefix("an answer to ").strip('"') for finding in stops(text)}
    assert set(ASKED.values()) <= asked
    assert [finding.where for finding in stops(text) if '"' not in finding.expected] == []
    assert len(stops(text)) == len(ASKED) + 1  # and the ethics review: needed unless shown otherwise
    assert stops(answered(text)) == []
    for claim in ("insurance covers", "under lock by the owner", "is what the studio does now", "SR"):
        assert claim not in text


@pytest.mark.parametrize("path", list(ASKED), ids=str)
def test_each_question_keeps_its_protocol_from_being_locked(path: tuple[str, str]) -> None:
    line = next(new for old, new in ANSWERED if old.startswith(f"{path[1]} = "))
    (finding,) = stops(APPROVED.replace(line, f'{path[1]} = "to be decided"'))
    assert (finding.expected, finding.got) == (f'an answer to "{ASKED[path]}"', "none")


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
        ('reference = "R-17"', 'reference = ""', "ethics, reference"),
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
