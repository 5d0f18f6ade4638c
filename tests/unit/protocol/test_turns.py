"""Designs in which one client gets both arms: the ready protocols, and what their rules refuse."""

from __future__ import annotations

import pytest

from studykit.errors import ProtocolError
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.rules import lock_findings
from studykit.protocol.within_client import allocated_name, arm_given, is_between_periods, period_on_day
from studykit.shipped import shipped
from tests.support.answered import ANSWERED


def text_of(design: str, *pairs: tuple[str, str]) -> str:
    text = (shipped("protocols") / f"{design}.toml").read_text(encoding="utf-8")
    for old, new in (*ANSWERED, *pairs):
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def found(design: str, *pairs: tuple[str, str]) -> list[str]:
    """What stops the ready protocol after some changes."""
    text = text_of(design, *pairs)
    try:
        read = parse_protocol(text)
    except ProtocolError as error:
        return [str(finding) for finding in error.findings]
    return [str(item) for item in lock_findings(read.protocol, text=text) if item.severity == "stop"]


@pytest.mark.parametrize("design", ["crossover", "limbs", "stepped"])
def test_the_ready_protocol_can_be_locked_once_the_review_is_answered(design: str) -> None:
    assert found(design) == []


@pytest.mark.parametrize(
    ("design", "pair", "said"),
    [
        ("crossover", ('visit = "end_2"', 'visit = "end_1"'), "a test at the end of its period"),
        ("crossover", ('visit = "end_2"', 'visit = "end_9"'), "a visit after allocation: end_1, end_2"),
        ("crossover", ("first_day = 84", "first_day = 40"), "days that follow each other, from day 56"),
        ("crossover", ('primary_visit = "end_2"', 'primary_visit = "end_1"'), "the test of the last period"),
        ("crossover", ("ratio = 1 ", "ratio = 2 "), "1, since every client gets both arms"),
        ("crossover", ('carry_over = "clients are', 'carry_over = "n/a" # '), "into the second period"),
        ("crossover", ('design = "crossover"', 'design = "parallel" '), "each client stays in one arm"),
        ("limbs", ('carry_over = "part of', 'carry_over = "none" # '), "to the other side"),
        ("limbs", ('side = "left"', 'side = "right"'), "one left and one right exercise of the pair"),
        ("limbs", ('pair = "leg_curl"', 'pair = ""'), "pair = a name that both sides share"),
        ("limbs", ('code = "dominant"', 'code = "handed"'), 'a stratum with code = "dominant"'),
        ("stepped", ('deliver = "both arms"', 'deliver = "one arm"'), '"both arms", one after the other'),
        ("stepped", ("trainers = 9", "trainers = 2"), "at least 3, one for each step"),
    ],
)
def test_rules(design: str, pair: tuple[str, str], said: str) -> None:
    """A13, A14, A15: periods, sides and steps fit each other, and carry-over is answered."""
    assert any(said in text for text in found(design, pair)), found(design, pair)


@pytest.mark.parametrize("design", ["crossover", "limbs", "stepped"])
def test_retention_is_refused(design: str) -> None:
    """A13: staying cannot be put down to either arm."""
    parallel = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
    start = parallel.index('[[outcomes]]\nkind = "retention"')
    outcome = parallel[start : parallel.index("# --- how clients are allocated")]
    text = text_of(design).replace("# --- how clients are allocated", outcome + "\n# ---", 1)
    with pytest.raises(ProtocolError, match="staying cannot be put down to either"):
        parse_protocol(text)


def test_a_wash_out_is_missed() -> None:
    read = parse_protocol(text_of("crossover", ("first_day = 84", "first_day = 56")))
    assert any("expected a wash-out between the periods" in str(item) for item in read.findings)


def test_what_is_drawn_and_what_it_means() -> None:
    """E09: the order, the dominant side or the step is drawn, and not an arm."""
    crossover = parse_protocol(text_of("crossover")).protocol
    first, _ = crossover.allocated_codes
    assert first == "conventional_then_partner_reps"
    assert [arm_given(crossover, first, period=period) for period in (1, 2)] == [
        "conventional",
        "partner_reps",
    ]
    assert allocated_name(crossover, first).startswith("first conventional sets; second")
    assert [period_on_day(crossover, day) for day in (-1, 0, 60, 84, 200)] == [1, 1, 1, 2, 2]
    assert [is_between_periods(crossover, day) for day in (0, 55, 60, 84, 140)] == [
        False, False, True, False, True,
    ]  # fmt: skip
    stepped = parse_protocol(text_of("stepped")).protocol
    assert stepped.allocated_codes == ("step_1", "step_2", "step_3")
    arms = [arm_given(stepped, "step_2", period=period) for period in (1, 2, 3, 4)]
    assert arms == ["conventional", "conventional", "partner_reps", "partner_reps"]
    limbs = parse_protocol(text_of("limbs")).protocol
    assert limbs.allocated_codes == ("dominant_conventional", "dominant_partner_reps")
    assert allocated_name(limbs, "dominant_partner_reps").startswith("dominant side: conventional sets, then")


def test_the_new_keys_leave_locked_protocols_alone() -> None:
    """A key at its default is no part of the digest: demo and earlier studies keep theirs."""
    from studykit.protocol.resolved import resolved_content

    content = resolved_content(parse_protocol(text_of("trainers")).protocol)
    assert "periods" not in content
    assert "carry_over" not in content["study"]
    assert not {"side", "pair"} & set(content["exercises"][0])
