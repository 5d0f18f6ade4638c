"""Who may not train today, in either arm, and that nothing to train by is printed then (E1, E2, E4, E7)."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import replace
from itertools import combinations, product
from pathlib import Path
from typing import Any

import pytest

from studykit.errors import Finding
from studykit.outcomes.client_day import ClientDay, HealthNews, OpenHarm, PregnancyNote
from studykit.outcomes.ramp_in import sign_off
from studykit.outcomes.readiness import Readiness, Reason, readiness, readiness_of
from studykit.outcomes.session_plan import SessionPlan, session_plan
from studykit.protocol.cautions import NOT_MEDICAL_ADVICE, SORENESS_AND_RED_FLAGS, STOP_SIGNS
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Protocol
from studykit.records.record_tables import Allocated, Records, record_table, records_of
from studykit.records.schema import NEWS_OF_HEALTH
from studykit.report.session_sheet import render_session_sheet
from studykit.report.wording_check import text_of
from studykit.shipped import shipped
from studykit.study.session_sheets import Sheet

START, TODAY = dt.date(2026, 3, 2), dt.date(2026, 4, 1)
READY = {
    name: parse_protocol((shipped("protocols") / f"{name}.toml").read_text(encoding="utf-8")).protocol
    for name in ("parallel", "trainers", "crossover", "stepped", "limbs")
}
PROTOCOL = READY["parallel"]
ARMS = PROTOCOL.arm_codes
TRAIN_BY = re.compile(
    r"\b(?:sets?|repetitions?|reps|limit|seconds?|loads?|effort|kg|exercises?|ramp-in)\b", re.I
)

# --- every state a record can be in, and what follows from it ------------------------------------------

KINDS = {
    "strain": False,
    "muscle soreness": False,
    "fainted": True,
    "muscle breakdown": True,
    "chest pain": True,
}
"""Kinds of harm, and whether each is a red flag whatever its grade (E3, E4)."""
GRADES = {"mild": False, "moderate": False, "severe": True}
OUTCOMES = {"": True, "recovering": True, "ongoing": True, "unknown": True, "gone after 4 days": False,
            "recovered": False}  # fmt: skip
"""Outcomes, and whether the harm is still open."""
CLEARANCE = {"yes": True, "not needed": True, "no": False, "": False}
CONSENT = {"yes": True, "no": False, None: False}
PREGNANCY: dict[str, tuple[bool, dict[str, dict[str, list[Any]]]]] = {
    "none": (True, {}),
    "departure": (False, {"departures": {"client": ["C001"], "date": [START], "reason": ["pregnancy"]}}),
    "departure, cleared": (
        True,
        {
            "departures": {
                "client": ["C001"], "date": [START], "reason": ["pregnancy"], "note": ["cleared 2026-03-30"]
            }
        },
    ),
    "pause long over": (
        False,
        {
            "pauses": {
                "client": ["C001"], "first_day": [START], "last_day": [START], "reason": ["Pregnancy"]
            }
        },
    ),
    "harm": (
        False,
        {
            "harms": {
                "client": ["C001"], "date": [START], "kind": ["nausea, pregnant"], "severity": ["mild"],
                "serious": ["no"], "expected": ["no"], "related": ["no"], "outcome": ["gone"],
            }
        },
    ),
    "note at a test": (
        False,
        {"strength": {"client": ["C001"], "visit": ["week_6"], "date": [START], "note": ["says pregnant"]}},
    ),
    "another client's": (
        True,
        {"departures": {"client": ["C002"], "date": [START], "reason": ["pregnancy"]}},
    ),
}  # fmt: skip
"""Records of a pregnancy, and whether the client may train."""


def harm_table(
    kind: str, severity: str, *, serious: bool, outcome: str, date: dt.date = START
) -> dict[str, list[Any]]:
    return {
        "client": ["C001"], "date": [date], "kind": [kind], "severity": [severity],
        "serious": ["yes" if serious else "no"], "expected": ["no"], "related": ["no"], "outcome": [outcome],
    }  # fmt: skip


def build_records(
    *,
    clearance: str = "yes",
    consent: str | None = "yes",
    screened: bool = True,
    screening: dict[str, Any] | None = None,
    findings: Iterable[Finding] = (),
    **tables: dict[str, list[Any]],
) -> Records:
    row = {"client": "C001", "date": START, "eligible": "yes", "cleared": clearance, "consented": consent,
           "touch_consented": "yes", "consent_date": START, **(screening or {})}  # fmt: skip
    made: dict[str, dict[str, list[Any]]] = {
        "trainers": {"trainer": ["T1"], "signed_off_on": [TODAY - dt.timedelta(days=7)]},
        "clients": {
            "client": ["C001", "C002"], "trainer": ["T1", "T1"], "sex": ["female", "male"],
            "dominant": ["right", "left"],
        },
        "screening": {name: [value] for name, value in row.items()} if screened else {},
        **tables,
    }  # fmt: skip
    return records_of(
        [record_table(name, columns) for name, columns in made.items()], findings=tuple(findings)
    )


def plan(records: Records, *, arm: str = ARMS[0], protocol: Protocol = PROTOCOL) -> SessionPlan:
    mine = [
        Allocated("C001", arm, START, "T1", {"dominant": "right"}),
        Allocated("C002", arm, START, "T1", {"dominant": "left"}),
    ]
    return session_plan(protocol, records, client="C001", allocated=mine, today=TODAY)


def hold(made: SessionPlan, *, ready: bool, protocol: Protocol = PROTOCOL) -> None:
    """What the page, the terminal and the answer for programs say, all three the same."""
    text = re.sub(r"\s+", " ", text_of(render_session_sheet(made, protocol)))
    answer = Sheet(made, Path("sheet"), Path("home")).plain()
    assert answer["ready"] is made.readiness.ready is ready
    assert "readiness" not in answer
    if ready:
        assert answer["reasons"] == []
        assert "No training today before" not in text + made.summary()
        assert "repetitions" in text
        assert "limit" in text
        return
    assert made.needs_attention
    assert not answer["allowed"]
    assert answer["needs_attention"]
    assert [reason["text"] for reason in answer["reasons"]] == [item.text for item in made.readiness.reasons]
    assert (answer["cap"], answer["dose"], answer["stage"], answer["exercises"]) == (0, None, None, [])
    sentence = made.readiness.sentence
    assert made.summary().startswith(sentence)
    assert re.search(
        rf"^C001, {TODAY}: no training today C001 {TODAY} trainer T1 {re.escape(sentence)} Why ", text
    )
    assert len(sentence.split()) <= 25
    for reason in made.readiness.reasons:
        assert reason.text in text
        assert reason.text in made.summary()
    emergency, ending = (
        pair.split(": ")[1].rstrip(".") for pair in re.split(r"(?<=\.) ", STOP_SIGNS.text)[:2]
    )
    for words in (emergency, ending, "Emergency call at once", "Emergency number", "dark urine",
                  SORENESS_AND_RED_FLAGS.text, NOT_MEDICAL_ADVICE.text):  # fmt: skip
        assert words in text
    assert TRAIN_BY.findall(text.replace(ending, "").replace("End the exercise and note it", "")
                            .replace("vigorous exercise", "")) == []  # fmt: skip
    assert TRAIN_BY.findall(made.summary().replace("vigorous exercise", "")) == []


@pytest.mark.parametrize("arm", ARMS)
@pytest.mark.parametrize(("kind", "severity"), list(product(KINDS, GRADES)))
def test_harms(kind: str, severity: str, arm: str) -> None:
    for serious, outcome in product((False, True), OUTCOMES):
        bars = OUTCOMES[outcome] and (KINDS[kind] or GRADES[severity] or serious)
        made = plan(
            build_records(harms=harm_table(kind, severity, serious=serious, outcome=outcome)), arm=arm
        )
        hold(made, ready=not bars)


@pytest.mark.parametrize("arm", ARMS)
@pytest.mark.parametrize(("clearance", "consent"), list(product(CLEARANCE, CONSENT)))
def test_clearance_consent_and_pregnancy(clearance: str, consent: str | None, arm: str) -> None:
    for may_train, tables in PREGNANCY.values():
        made = plan(build_records(clearance=clearance, consent=consent, **tables), arm=arm)
        hold(made, ready=may_train and CLEARANCE[clearance] and CONSENT[consent])


@pytest.mark.parametrize("design", READY)
def test_every_design(design: str) -> None:
    protocol = READY[design]
    arms = {
        "crossover": ("partner_reps_then_conventional", "conventional_then_partner_reps"),
        "limbs": ("dominant_partner_reps", "dominant_conventional"),
        "stepped": ("step_1", "step_3"),
    }.get(design, ARMS)
    for arm in arms:
        serious = harm_table("muscle breakdown", "severe", serious=True, outcome="")
        hold(plan(build_records(harms=serious), arm=arm, protocol=protocol), ready=False, protocol=protocol)
        hold(plan(build_records(), arm=arm, protocol=protocol), ready=True, protocol=protocol)


ALL_WELL = ClientDay(
    today=TODAY, sessions=4, partner_days=(), uncounted=(), later_session=None, trainer="T1",
    sign_off=sign_off(START, [], today=TODAY, days=28), departed_on=None, departed_for="", paused_until=None,
    paused_for="", clearance="yes", eligible=True, consented=True, touch=True, without_touch=False,
    open_harms=(), unread_row="", pregnancies=(), news=(),
)  # fmt: skip


def test_all_states_together() -> None:
    """Each reason by itself is enough, whatever else is in order, and none hides another."""
    states: dict[str, list[tuple[dict[str, Any], str]]] = {
        "harm": [
            ({}, ""),
            ({"open_harms": (OpenHarm(START, "strain", "moderate", False, ""),)}, ""),
            ({"open_harms": (OpenHarm(START, "strain", "severe", False, ""),)}, "harm"),
            ({"open_harms": (OpenHarm(START, "strain", "moderate", True, ""),)}, "harm"),
            ({"open_harms": (OpenHarm(START, "fainted", "mild", False, "unknown"),)}, "harm"),
        ],
        "pregnancy": [
            ({}, ""),
            ({"pregnancies": (PregnancyNote("x", "pregnant", False),)}, "pregnancy"),
            ({"pregnancies": (PregnancyNote("x", "pregnancy, cleared", True),)}, ""),
        ],
        "departure": [
            ({}, ""),
            ({"departed_on": START, "departed_for": "cost"}, ""),
            ({"departed_on": START, "departed_for": "injury or illness"}, "left ill"),
            ({"departed_on": START, "departed_for": "death"}, "departure"),
        ],
        "pause": [
            ({}, ""),
            ({"paused_until": TODAY, "paused_for": "holiday"}, ""),
            ({"paused_until": TODAY, "paused_for": "illness"}, "paused ill"),
        ],
        "clearance": [({}, ""), ({"clearance": "no"}, "clearance"), ({"clearance": ""}, "clearance"),
                      ({"clearance": "not needed"}, "")],
        "eligible": [({}, ""), ({"eligible": False}, "eligibility"), ({"eligible": None}, "")],
        "consent": [({}, ""), ({"consented": False}, "consent"), ({"consented": None}, "consent")],
        "touch": [({}, ""), ({"touch": None}, "touch"), ({"touch": False}, "touch"),
                  ({"touch": False, "without_touch": True}, "")],
        "news": [({}, ""), ({"news": (HealthNews("x", START, "illness or fever"),)}, "illness"),
                 ({"news": (HealthNews("x", START, "new medicine"),)}, "news")],
        "records": [({}, ""), ({"unread_row": "records/harms.csv, row 3: a date"}, "records")],
    }  # fmt: skip
    threes = (three for facts in combinations(states.values(), 3) for three in product(*facts))
    for combination in (*threes, *zip(*(fact[1:2] for fact in states.values()), strict=True)):
        changes: dict[str, Any] = {}
        for change, _ in combination:
            changes |= change
        found = readiness(replace(ALL_WELL, **changes))
        wanted = sorted(code for _, code in combination if code)
        assert sorted(reason.code for reason in found.reasons) == wanted
        assert found.ready is (not wanted)
        assert bool(found.sentence) is bool(wanted)


def test_what_comes_first_is_said_in_25_words_whatever_comes_together() -> None:
    said: dict[str, tuple[Any, ...]] = {
        "harm": ("a licensed practitioner", "the reviewer of harms"), "news": ("a licensed practitioner",),
        "illness": ("the client",), "consent": ("the client",), "touch": ("the client",),
        "records": ("the owner",),
    }  # fmt: skip
    for number in range(1, len(said) + 1):
        for codes in combinations(said, number):
            sentence = Readiness(tuple(Reason(code, "x", said[code]) for code in codes)).sentence
            assert len(sentence.split()) <= 25
            clears = {"harm", "news"} & set(codes)
            assert ("a licensed practitioner clears" in sentence) is bool(clears)
            assert ("well again" in sentence) is ("illness" in codes and not clears)
            assert ("written consent" in sentence) is ("consent" in codes)
            assert ("touch is settled" in sentence) is ("touch" in codes and "consent" not in codes)


HEALTH_KINDS = {kind: "the client is well again" if kind == "illness or fever" else "practitioner clears"
                for kind in NEWS_OF_HEALTH}  # fmt: skip


@pytest.mark.parametrize("arm", ARMS)
@pytest.mark.parametrize("kind", HEALTH_KINDS)
def test_what_the_client_told_today_holds_until_it_is_settled(kind: str, arm: str) -> None:
    """Illness today, a pregnancy answered, a new medicine or condition since the screening."""
    day = dt.timedelta(days=1)
    for settled, ready in ((None, False), (TODAY, True), (TODAY + day, False), (TODAY - 3 * day, False)):
        table = {"client": ["C001"], "date": [TODAY - 2 * day], "kind": [kind], "settled_on": [settled]}
        made = plan(build_records(health=table), arm=arm)
        hold(made, ready=ready)
        assert (HEALTH_KINDS[kind] in made.readiness.sentence) is not ready
        if kind == "pregnancy" and arm != ARMS[0]:
            assert "pregnancy" in {reason.code for reason in made.withheld}
    other = {"client": ["C002"], "date": [TODAY], "kind": [kind]}
    hold(plan(build_records(health=other), arm=arm), ready=True)


@pytest.mark.parametrize("arm", ARMS)
def test_touch_is_settled_with_the_client_and_never_pressed_for(arm: str) -> None:
    for answer, note, ready in (
        (None, "", False), (None, "trains without touch", False), ("no", "", False),
        ("no", "trains without touch, agreed 2026-03-30", True), ("no", "perhaps without touch", False),
        ("no", "asked again", False), ("yes", "", True),
    ):  # fmt: skip
        made = plan(build_records(screening={"touch_consented": answer, "note": note}), arm=arm)
        hold(made, ready=ready)
        if not ready:
            assert made.readiness.sentence == "No training today before touch is settled."
        if answer == "no" and arm != ARMS[0]:
            assert "touch" in {reason.code for reason in made.withheld}
            assert made.cap == 0
    dose = PROTOCOL.arms[0].dose
    bare = tuple(entry.model_copy(update={"dose": dose}) for entry in PROTOCOL.arms)
    nobody = PROTOCOL.model_copy(update={"arms": bare})
    unasked = build_records(screening={"touch_consented": None})
    assert plan(unasked, arm=arm, protocol=nobody).readiness.ready


def test_one_answer_for_all_clients_of_a_day_allocated_or_not() -> None:
    """The list of a day asks the same rule; who is not allocated yet comes to a test before it."""
    harm = harm_table("fainted", "mild", serious=False, outcome="")
    records = build_records(harms=harm)
    mine = [Allocated("C001", ARMS[1], START, "T1", {})]
    found = readiness_of(PROTOCOL, records, ["C001", "C002"], today=TODAY, allocated=mine)
    assert list(found) == ["C001", "C002"]
    assert found["C001"] == plan(records).readiness
    assert [reason.code for reason in found["C002"].reasons] == ["clearance", "consent", "touch"]
    broken = build_records(findings=[Finding("stop", "records/health.csv, row 2", "a date", "x")])
    assert [
        reason.code for reason in readiness_of(PROTOCOL, broken, ["C001"], today=TODAY)["C001"].reasons
    ] == ["records"]


def test_the_first_sentence_says_who_decides() -> None:
    def sentence(*codes: str) -> str:
        return Readiness(tuple(Reason("x", "x", (code,)) for code in codes)).sentence  # type: ignore[arg-type]

    assert sentence("the client") == "No training today before written consent is recorded."
    assert sentence("the reviewer of harms", "a licensed practitioner") == (
        "No training today before a licensed practitioner clears the client in writing and the reviewer of "
        "harms agrees."
    )
    page = render_session_sheet(
        plan(build_records(harms=harm_table("fainted", "mild", serious=False, outcome=""))), PROTOCOL
    )
    assert PROTOCOL.roles.safety == "SR"
    assert "Ask: a licensed practitioner, the reviewer of harms (SR)." in page
    assert "Neither the trainer nor this page decides it." in page


@pytest.mark.parametrize("arm", ARMS)
def test_a_client_without_a_row_in_screening(arm: str) -> None:
    made = plan(build_records(screened=False), arm=arm)
    assert [reason.code for reason in made.readiness.reasons] == ["clearance", "consent", "touch"]
    hold(made, ready=False)


def test_consent_of_a_later_day_is_none_today() -> None:
    later = build_records(screening={"consent_date": TODAY + dt.timedelta(days=1)})
    assert [reason.code for reason in plan(later).readiness.reasons] == ["consent"]
    assert plan(build_records(screening={"consent_date": TODAY})).readiness.ready


def test_a_harm_with_a_date_after_today_still_counts() -> None:
    """A slip in the year must not hide it."""
    table = harm_table("fainted", "severe", serious=True, outcome="", date=dt.date(2027, 3, 2))
    hold(plan(build_records(harms=table)), ready=False)


@pytest.mark.parametrize(
    ("where", "expected", "ready"),
    [
        ("records/harms.csv, row 4, column date", "a date", False),
        ("records/departures.csv, row 2, column reason", "one of: no reason given, time", False),
        ("records/pauses.csv, row 2, column last_day", "a date", False),
        ("records/harm.csv", "the file name harms.csv", False),
        ("records/strength.csv, row 4", "a number", True),
        ("records/sessions.csv, row 4", "a date", True),
    ],
)
def test_a_row_that_cannot_be_read_might_be_this_clients(where: str, expected: str, ready: bool) -> None:
    made = plan(build_records(findings=[Finding("stop", where, expected, "something else")]))
    assert made.readiness.ready is ready
    warned = plan(build_records(findings=[Finding("warn", where, expected, "something else")]))
    assert warned.readiness.ready


def test_a_cleared_pregnancy_may_train_but_gets_no_partner_reps() -> None:
    """E2: pregnancy, or less than 12 weeks after birth, excludes from partner reps."""
    tables = PREGNANCY["departure, cleared"][1]
    made = plan(build_records(**tables), arm="partner_reps")
    assert made.readiness.ready
    assert "pregnancy" in {reason.code for reason in made.withheld}
    assert made.cap == 0


def test_a_pause_is_asked_about_and_never_advises_to_train_ill() -> None:
    table = {"client": ["C001"], "first_day": [START], "last_day": [TODAY], "reason": ["holiday"]}
    made = plan(build_records(pauses=table))
    assert made.conditions == (
        f"A pause until {TODAY} is registered: ask why; ill or hurt: no training today.",
    )
    hold(plan(build_records(pauses={**table, "reason": ["illness"]})), ready=False)
    over = {**table, "last_day": [TODAY - dt.timedelta(days=1)], "reason": ["illness"]}
    hold(plan(build_records(pauses=over)), ready=True)
