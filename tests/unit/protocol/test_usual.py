"""Every number that a protocol may hold and that is hardly meant is a finding, and the lock reads it back."""

from __future__ import annotations

import copy
import tomllib
from typing import Any

import pytest

from studykit.errors import Finding
from studykit.protocol import wording
from studykit.protocol.planned import Planning
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.reading_back import decided, still_ready_made
from studykit.protocol.rules import check_protocol
from studykit.protocol.types import Assumption, Protocol
from studykit.protocol.usual import USUAL, USUAL_ASSUMED, USUAL_ON_LOG
from studykit.shipped import shipped
from tests.support.answered import answered
from tests.unit.protocol.test_bounds import sections

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
HAVE_THEIR_OWN_RULE = {"effect_strength", "effect_retention", "hour_cost"}
"""Effects are bounded in `bounds`; what an hour costs depends on the money."""


def test_every_number_has_a_usual_range() -> None:
    for section in set(sections()) - {Assumption}:
        for key, info in section.model_fields.items():
            inner = wording.element(info) or info
            if wording.expected(inner).startswith(("a number", "a whole number", "a share")):
                assert key in USUAL.get(section.__name__, {}), f"{section.__name__}, {key}"
    fields = Planning.model_fields.items()
    assumed = {key for key, info in fields if wording.section_of(info, {}) is Assumption}
    assert assumed - HAVE_THEIR_OWN_RULE == USUAL_ASSUMED.keys() | USUAL_ON_LOG.keys()


def found(*steps: Any, value: Any) -> list[Finding]:
    """What is said of the ready protocol with one entry changed."""
    document = copy.deepcopy(tomllib.loads(READY))
    here: Any = document
    for step in steps[:-1]:
        here = here[step]
    here[steps[-1]] = value
    said = check_protocol(Protocol.model_validate(document))
    return [item for item in said if str(steps[-1]) in item.where]


UNUSUAL = [
    (("arms", 1, "dose", "exercises_per_session"), 15, "0 to 3"),
    (("eligibility", "minimum_age"), 99, "18 to 65"),
    (("eligibility", "minimum_age"), 3, "18 to 65"),
    (("trainers", "sign_off_days"), 3650, "7 to 60"),
    (("harms", "pause_serious_related"), 2, "1"),
    (("harms", "pause_moderate_share"), 1.0, "0.05 to 0.25"),
    (("harms", "soreness_hours"), 1000, "48 to 96"),
    (("visits", 1, "window"), [-40, 10], "-28 to 28"),
    (("exercises", 0, "stack_step"), 500.0, "0.5 to 50"),
    (("outcomes", 0, "smallest_worthwhile"), 50.0, "1 to 15"),
    (("outcomes", 1, "horizon_day"), 3000, "56 to 730"),
    (("outcomes", 1, "absence_days"), 1, "14 to 56"),
    (("analysis", "alpha"), 0.4, "0.01 to 0.1"),
    (("planning", "power"), 0.999, "0.7 to 0.95"),
    (("oversight", "entry_delay_days"), 3000, "1 to 30"),
]


@pytest.mark.parametrize(("steps", "value", "expected"), UNUSUAL, ids=lambda value: str(value)[:30])
def test_an_unusual_number_warns(steps: tuple[Any, ...], value: Any, expected: str) -> None:
    """Common practice or judgement, no source."""
    said = [item for item in found(*steps, value=value) if item.expected == f"{expected}, as is usual"]
    assert [item.severity for item in said] == ["warn"]
    assert said[0].todo


def test_an_unusual_assumption_warns_and_an_impossible_one_stops_once() -> None:
    own = dict(tomllib.loads(READY)["planning"]["retention_reference"])
    (said,) = found("planning", "retention_reference", value=own | {"value": 0.05, "low": 0.01})
    assert (said.severity, said.expected) == ("warn", "0.15 to 0.98, as is usual")
    (said,) = found("planning", "retention_reference", value=own | {"value": 70.0, "high": 90.0})
    assert said.severity == "stop"


def test_ten_lines_say_what_is_decided_for_good() -> None:
    lines = decided(parse_protocol(answered(READY)).protocol)
    assert len(lines) == 10
    text = "\n".join(lines)
    for part in (
        "conventional sets (no partner reps) against conventional sets, then partner reps (3 partner reps a",
        "from 18 years", "40 clients, 3 trainers", "permuted blocks; kept even: trainer, sex",
        "primary strength (10-repetition load), worthwhile from 3 per cent", "to day 182", "days 42, 84",
        "1 serious harm related to training, 2 severe in an arm, or 15 in 100",
        "asks for consent RE, tests TE, analyses OW, reviews harms SR", "knows of partner reps",
        "kept until 2036-12-31; list of names: the owner, in the safe",
    ):  # fmt: skip
        assert part in text, part


def test_claims_that_nobody_was_asked_about_are_named() -> None:
    ready = parse_protocol(READY).protocol
    changed = READY.replace("the studio pays from its own income; no other money", "a grant")
    own = parse_protocol(changed).protocol
    assert "study.funding" in still_ready_made(ready, ready)
    assert set(still_ready_made(ready, ready)) - set(still_ready_made(own, ready)) == {"study.funding"}
