"""Facts before the draw: what is repeated, and every reason why a client is not ready."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pytest

from studykit.allocation.entries import canonical
from studykit.errors import ArgumentError
from studykit.protocol.types import Protocol
from studykit.records.enrolment import enrolment_facts
from studykit.records.reading import read_records

from .conftest import WHOLE, protocol_of

Write = Callable[..., Path]


def test_a_client_who_is_ready(write: Write, protocol: Protocol) -> None:
    facts = enrolment_facts(read_records(write(), protocol=protocol), protocol, " c01")
    assert facts.client == "C01"
    assert facts.missing == ()
    assert facts.stratum == (("trainer", "T1"), ("sex", "female"))
    assert all(facts.facts[name] is True for name in ("eligible", "consented", "cleared", "baseline_tested"))
    assert [(test["exercise"], test["score"], test["date"]) for test in facts.facts["baseline_tests"]] == [
        ("leg_press", "80", "2026-02-27"),
        ("chest_press", "30", "2026-02-27"),
    ]
    assert "C01" not in canonical(dict(facts.facts))  # plain values that the ledger can write
    assert "leg_press, baseline: 80 kg on 2026-02-27" in facts.text()


MUTANTS = [
    ("screening", "C01,2026-02-16,yes", "C01,2026-02-16,no", "C01 does not meet the protocol's criteria."),
    (
        "screening",
        "not needed,yes,yes,2026-02-17",
        "no,yes,yes,2026-02-17",
        "not cleared for vigorous exercise.",
    ),
    ("screening", "not needed,yes,yes,2026-02-17", "not needed,no,yes,2026-02-17", "written consent."),
    ("screening", "not needed,yes,yes,2026-02-17", "not needed,yes,yes,", "The day of consent of C01"),
    ("screening", "not needed,yes,yes,2026-02-17", "not needed,yes,no,2026-02-17", "did not accept hands-on"),
    (
        "screening",
        "not needed,yes,yes,2026-02-17",
        "not needed,yes,,2026-02-17",
        "was not asked about hands-on",
    ),
    ("screening", "2026-02-17,\n", "2026-02-17,other\n", "a reason against taking part: other."),
    ("screening", "C01,", "C09,", "There is no row for C01 in records/screening."),
    ("clients", "C01,", "C09,", "There is no row for C01 in records/clients."),
    ("clients", "C01,T1", "C01,", "The trainer of C01 is not recorded"),
    ("clients", "44,female", "44,", "The sex of C01 is not recorded"),
    ("clients", "44,female", "17,female", "C01 is 17 years old; the protocol wants at least 18."),
    ("clients", "44,female", "old,female", "cannot be read as it stands."),
    ("strength", "leg_press,80,kg,10,yes", "leg_press,80,kg,10,no", "no valid baseline test of leg_press"),
    ("strength", "leg_press,80,kg,10", "leg_press,80,kg,9", "no valid baseline test of leg_press"),
]


@pytest.mark.parametrize("mutant", MUTANTS, ids=[mutant[3][:40] for mutant in MUTANTS])
def test_each_gap_is_said_in_a_sentence(
    mutant: tuple[str, str, str, str], write: Write, protocol: Protocol
) -> None:
    name, old, new, words = mutant
    assert old in WHOLE[name]
    folder = write(**{name: WHOLE[name].replace(old, new, 1)})
    facts = enrolment_facts(read_records(folder, protocol=protocol), protocol, "C01")
    assert any(words in sentence and sentence.endswith(".") for sentence in facts.missing), facts.missing
    said = "STANDS AGAINST IT" if facts.excluded else "STILL MISSING"
    assert f"{said}: {facts.missing[0]}" in facts.text()


def test_a_baseline_test_outside_its_window_is_pointed_out(write: Write, protocol: Protocol) -> None:
    """The window opens 14 days before allocation; C01 was tested on 27 February."""
    records = read_records(write(), protocol=protocol)

    def cautions(today: dt.date) -> tuple[str, ...]:
        facts = enrolment_facts(records, protocol, "C01", today=today)
        assert facts.missing == ()
        assert all(f"LOOK AT: {caution}" in facts.text() for caution in facts.cautions)
        return facts.cautions

    assert cautions(dt.date(2026, 3, 13)) == ()  # the fourteenth day after
    (late,) = cautions(dt.date(2026, 3, 14))
    assert "2026-02-27, 15 days ago; the protocol wants it at most 14 days before" in late
    (ahead,) = cautions(dt.date(2026, 2, 26))
    assert "after today" in ahead


def test_hands_on_resistance_matters_only_where_an_arm_has_it(write: Write) -> None:
    protocol = protocol_of(arms=[{"code": "a", "name": "a"}, {"code": "b", "name": "b"}])
    folder = write(
        screening=WHOLE["screening"].replace("not needed,yes,yes,2026-02-17", "not needed,yes,no,2026-02-17")
    )
    assert enrolment_facts(read_records(folder, protocol=protocol), protocol, "C01").missing == ()


def test_an_unknown_client(write: Write, protocol: Protocol) -> None:
    with pytest.raises(ArgumentError, match=r"none of this code. Is C01 meant\?"):
        enrolment_facts(read_records(write(), protocol=protocol), protocol, "CO1")
