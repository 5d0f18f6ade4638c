"""Today's session: A2 (P03 to P06, P15), E3 to E8; every reason to withhold partner reps, and the ramp-in."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

import pytest

from studykit.errors import ArgumentError, DesignError, Finding
from studykit.outcomes.ramp_in import CAUTIOUS_RAMP, ramp_stage, sign_off
from studykit.outcomes.session_plan import SessionPlan, session_plan
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Dose, Protocol, RampStep
from studykit.records.record_tables import Allocated, Records, record_table, records_of
from studykit.shipped import shipped

PROTOCOL = parse_protocol((shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")).protocol
START = dt.date(2026, 3, 2)
TODAY = dt.date(2026, 4, 1)


def day(number: int) -> dt.date:
    """A day counted from allocation; today is day 30."""
    return START + dt.timedelta(days=number)


def with_dose(**changes: Any) -> Protocol:
    """The ready protocol with another dose in the arm with partner reps."""
    arms = tuple(
        arm.model_copy(update={"dose": arm.dose.model_copy(update=changes)})
        if arm.code == "partner_reps" and arm.dose is not None
        else arm
        for arm in PROTOCOL.arms
    )
    return PROTOCOL.model_copy(update={"arms": arms})


def build_records(
    given: Sequence[tuple[int, float | None]] = ((2, 2), (6, 2), (10, 3), (14, 3), (18, 6), (26, 6)),
    *,
    sessions: Mapping[str, Sequence[Any]] | None = None,
    findings: Sequence[Finding] = (),
    signed: dt.date | None = START,
    screening: Mapping[str, Any] | None = None,
    **tables: Mapping[str, Sequence[Any]],
) -> Records:
    rows = {
        "client": ["C001"] * len(given),
        "date": [day(number) for number, _ in given],
        "trainer": ["T1"] * len(given),
        "status": ["attended"] * len(given),
        "partner_reps": [reps for _, reps in given],
    }
    screened = {"client": "C001", "date": day(-5), "eligible": "yes", "cleared": "yes", "consented": "yes",
                "touch_consented": "yes", **(screening or {})}  # fmt: skip
    clients = [f"C{number:03d}" for number in range(1, 41)]
    made = {
        "sessions": sessions or rows,
        "trainers": {"trainer": ["T1", "T2"], "signed_off_on": [signed, None]},
        "screening": {name: [value] for name, value in screened.items()},
        "clients": {"client": clients, "trainer": ["T1"] * 40, "sex": ["female"] * 40},
        **tables,
    }
    return records_of([record_table(name, columns) for name, columns in made.items()], findings=findings)


def allocated(arm: str = "partner_reps", trainer: str = "T1") -> list[Allocated]:
    """C001 in the arm asked for; 39 others, half in each arm."""
    others = [
        Allocated(f"C{number:03d}", PROTOCOL.arm_codes[number % 2], START, "T1", {})
        for number in range(2, 41)
    ]
    return [Allocated("C001", arm, START, trainer, {}), *others]


def plan(
    records: Records | None = None,
    *,
    protocol: Protocol = PROTOCOL,
    arm: str = "partner_reps",
    today: dt.date = TODAY,
    trainer: str = "",
    usual: str = "T1",
    client: str = "C001",
) -> SessionPlan:
    return session_plan(
        protocol, records or build_records(), client=client, allocated=allocated(arm, usual), today=today,
        trainer=trainer,
    )  # fmt: skip


def codes(made: SessionPlan) -> list[str]:
    return [reason.code for reason in made.withheld]


# --- allowed, and the arm ----------------------------------------------------------------------------


def test_a_seasoned_client_gets_the_whole_dose() -> None:
    """A2: P03 three partner reps, P05 two exercises, from the protocol."""
    made = plan()
    assert made.allowed
    assert (made.cap, made.exercises_today) == (3, 2)
    assert made.stage is not None
    assert made.stage.full
    assert (made.stage.session, made.sessions) == (7, 6)
    assert made.last_partner_reps == day(26)
    assert not made.show_soreness
    assert made.message_on is None
    assert "whole dose, session 7" in made.summary()


def test_the_reference_arm_has_none_whatever_the_records_say() -> None:
    """E8: no partner reps for this client; contamination in the records changes nothing."""
    made = plan(arm="conventional")
    assert codes(made) == ["arm"]
    assert not made.planned
    assert not made.needs_attention
    assert (made.cap, made.stage) == (0, None)
    assert "No partner reps for this client." in made.summary()


def test_an_arm_without_a_dose_has_none() -> None:
    arms = (PROTOCOL.arms[0], PROTOCOL.arms[1].model_copy(update={"dose": None}))
    made = plan(protocol=PROTOCOL.model_copy(update={"arms": arms}))
    assert codes(made) == ["no dose"]
    assert made.cap == 0


def test_a_reference_arm_with_partner_reps_in_its_dose_gets_none_until_that_is_put_right() -> None:
    arms = tuple(arm.model_copy(update={"reference": arm.code == "partner_reps"}) for arm in PROTOCOL.arms)
    made = plan(protocol=PROTOCOL.model_copy(update={"arms": arms}))
    assert "reference arm" in codes(made)
    assert made.cap == 0
    assert made.needs_attention


# --- the trainer's sign-off (A3, P15) ----------------------------------------------------------------


def test_a_trainer_who_was_never_signed_off_gives_none() -> None:
    made = plan(trainer="T2")
    assert codes(made) == ["sign-off"]
    assert "T2 is not signed off" in made.withheld[0].text
    assert made.needs_attention


def test_a_sign_off_lapses_four_weeks_after_the_last_practice() -> None:
    """P15: lapsed after 4 weeks unused; the last practice was on day 26."""
    assert plan(today=day(54)).allowed
    made = plan(today=day(55))
    assert codes(made) == ["sign-off"]
    assert f"no practice since {day(26)}" in made.withheld[0].text


@pytest.mark.parametrize(
    ("checked", "practice", "today", "holds"),
    [
        (None, (), 0, False),
        (0, (), 28, True),
        (0, (), 29, False),
        (0, (20,), 48, True),
        (0, (20,), 49, False),
        (0, (-3,), 29, False),  # practice before the check counts for nothing
        (0, (40,), 41, False),  # practice after the lapse revives nothing
        (0, (20, 45), 60, True),
        (5, (), 4, False),  # a check in the future
    ],
)
def test_sign_off(checked: int | None, practice: tuple[int, ...], today: int, holds: bool) -> None:
    signed = None if checked is None else day(checked)
    found = sign_off(signed, [day(number) for number in practice], today=day(today), days=28)
    assert found.holds is holds


def test_without_a_trainer_on_record_there_are_none() -> None:
    assert codes(plan(usual="")) == ["trainer"]


def test_an_unknown_trainer_is_wrong_input() -> None:
    with pytest.raises(ArgumentError, match="expected a trainer of records/trainers"):
        plan(trainer="T9x")


# --- harms (E7) --------------------------------------------------------------------------------------


def harm(
    severity: str, *, client: str = "C001", serious: str = "no", outcome: str = ""
) -> dict[str, list[Any]]:
    return {
        "client": [client],
        "date": [day(20)],
        "kind": ["strain"],
        "severity": [severity],
        "serious": [serious],
        "expected": ["no"],
        "related": ["probable"],
        "outcome": [outcome],
    }


def test_the_pause_rule_stops_partner_reps_for_every_client() -> None:
    """E7: one serious and related harm, here of another client."""
    made = plan(build_records(harms=harm("severe", client="C007", serious="yes", outcome="healed")))
    assert codes(made) == ["pause rule"]
    assert made.cap == 0


def test_a_grave_harm_of_the_client_without_an_end_withholds() -> None:
    made = plan(build_records(harms=harm("severe")))
    assert [reason.code for reason in made.readiness.reasons] == ["harm"]
    assert not made.allowed
    assert made.needs_attention


def test_a_moderate_harm_without_an_end_is_asked_about() -> None:
    made = plan(build_records(harms=harm("moderate")))
    assert made.allowed
    assert made.conditions == (
        f"A moderate harm (strain) of {day(20)} is not said to be over: ask about it first.",
    )


@pytest.mark.parametrize(("severity", "ending"), [("mild", ""), ("severe", "gone after 4 days")])
def test_other_harms_change_nothing(severity: str, ending: str) -> None:
    made = plan(build_records(harms=harm(severity, outcome=ending)))
    assert made.allowed
    assert made.conditions == ()


# --- time since the last partner reps (P06) ----------------------------------------------------------


@pytest.mark.parametrize(("last", "allowed_today"), [(30, False), (29, False), (28, True), (27, True)])
def test_forty_eight_hours_between(last: int, allowed_today: bool) -> None:
    made = plan(build_records(((2, 2), (6, 2), (10, 3), (14, 3), (last, 6))))
    assert made.allowed is allowed_today
    assert ("too soon" in codes(made)) is not allowed_today


def test_in_the_first_three_weeks_the_same_muscles_rest_longer() -> None:
    """P06: at least 72 hours in the first three weeks for the same muscle group."""
    early = plan(build_records(((12, 2), (18, 2))), today=day(20))
    assert early.allowed
    assert any("rest 72 hours" in text for text in early.conditions)
    later = plan(build_records(((2, 2), (18, 2), (22, 3), (28, 6))))
    assert any("48 hours by the clock" in text for text in later.conditions)
    assert plan().conditions == ()


def test_an_attended_session_without_a_number_of_partner_reps_comes_first() -> None:
    made = plan(build_records(((2, 2), (6, 2), (10, 3), (14, 3), (28, None))))
    assert codes(made) == ["not recorded"]
    assert plan(build_records(((2, 2), (6, 2), (10, None), (14, 3), (26, 6)))).allowed


def test_a_session_after_today_is_a_wrong_date() -> None:
    made = plan(today=day(24))
    assert codes(made) == ["date"]


# --- the client --------------------------------------------------------------------------------------


def departure(number: int) -> dict[str, list[Any]]:
    return {"client": ["C001"], "date": [day(number)], "reason": ["time"]}


def test_a_departed_client_gets_none_until_the_client_comes_back() -> None:
    assert codes(plan(build_records(departures=departure(27)))) == ["departure"]
    assert plan(build_records(departures=departure(20))).allowed
    assert plan(build_records(departures=departure(31))).allowed  # a notice for later


def test_clearance_and_touch_as_recorded() -> None:
    """E1, E2: not cleared, or hands-on contact not accepted or not asked about."""
    made = plan(build_records(screening={"cleared": "no"}))
    assert [reason.code for reason in made.readiness.reasons] == ["clearance"]
    assert codes(plan(build_records(screening={"touch_consented": "no"}))) == ["touch"]
    unasked = plan(build_records(screening={"touch_consented": None})).readiness
    assert [reason.code for reason in unasked.reasons] == ["touch"]
    assert "Consent to touch is not recorded" in unasked.reasons[0].text


def test_a_registered_pause_is_asked_about() -> None:
    pauses = {"client": ["C001"], "first_day": [day(28)], "last_day": [day(33)]}
    assert f"A pause until {day(33)} is registered" in plan(build_records(pauses=pauses)).conditions[0]


def test_every_reason_is_given() -> None:
    records = build_records(
        ((2, 2), (29, 6)), signed=None, screening={"cleared": "no", "touch_consented": "no"},
        departures=departure(30), harms=harm("severe", serious="yes"),
    )  # fmt: skip
    made = plan(records)
    assert codes(made) == ["departure", "touch", "sign-off", "too soon", "pause rule"]
    assert [reason.code for reason in made.readiness.reasons] == ["harm", "clearance", "touch"]


# --- records that cannot be used ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("where", "found"), [("records/sessions.csv, row 4", ["records"]), ("records/strength.csv, row 4", [])]
)
def test_unreadable_rows_withhold_where_they_matter(where: str, found: list[str]) -> None:
    findings = (Finding("stop", where, "a date", "31.02."), Finding("warn", "records/sessions.csv", "x"))
    assert codes(plan(build_records(findings=findings))) == found


def test_a_session_of_an_unknown_code_might_be_this_client() -> None:
    sessions = {"client": ["COO1"], "date": [day(29)], "trainer": ["T1"], "status": ["attended"],
                "partner_reps": [6]}  # fmt: skip
    assert "records" in codes(plan(build_records(sessions=sessions)))


def test_an_unknown_client_and_one_without_an_arm() -> None:
    with pytest.raises(
        ArgumentError, match=r"client C01: expected an allocated client; found none of this code. Is C0"
    ):
        plan(client="C01")
    waiting = build_records(screening={"client": "C099"})
    with pytest.raises(DesignError, match="found one without an arm"):
        plan(waiting, client="c099")
    assert plan(client=" c001 ").client == "C001"


# --- the ramp-in (P04) -------------------------------------------------------------------------------

DOSE = Dose(
    partner_reps_per_set=3,
    ramp_in=(
        RampStep(from_session=1, to_session=2, partner_reps=2, effort_limit=5, exercises=1),
        RampStep(from_session=3, to_session=4, partner_reps=3, effort_limit=7, exercises=2),
    ),
)


@pytest.mark.parametrize(
    ("given", "today", "step", "reps", "exercises", "effort", "full"),
    [
        ((), 30, 1, 2, 1, 5, False),
        ((2,), 6, 1, 2, 1, 5, False),
        ((2, 6), 10, 2, 3, 2, 7, False),
        ((2, 6, 10), 14, 2, 3, 2, 7, False),
        ((2, 6, 10, 14), 15, 2, 3, 2, 7, False),  # four sessions, but not yet 14 days
        ((2, 6, 10, 14), 16, 3, 3, 2, 10, True),
        ((2, 6, 10, 14), 14, 2, 3, 2, 7, False),  # today's own session is not counted
        ((2, 6, 10, 14), 56, 3, 3, 2, 10, True),  # six weeks away: 42 days
        ((2, 6, 10, 14), 57, 1, 2, 1, 5, False),  # more than six weeks: again from the start
        ((2, 6, 10, 14, 60), 64, 1, 2, 1, 5, False),
        ((2, 6, 10, 14, 60, 64), 68, 2, 3, 2, 7, False),
    ],
)
def test_the_ramp_in(
    given: tuple[int, ...], today: int, step: int, reps: int, exercises: int, effort: int, full: bool
) -> None:
    stage = ramp_stage(DOSE, [day(number) for number in given], today=day(today))
    assert (stage.step, stage.partner_reps, stage.exercises) == (step, reps, exercises)
    assert (stage.effort_limit, stage.full) == (effort, full)


def test_no_full_effort_before_three_sessions_and_two_weeks_whatever_the_protocol_says() -> None:
    """P04: a ramp-in that is too short, too hard or missing is held back."""
    hard = Dose(
        partner_reps_per_set=5,
        ramp_in=(RampStep(from_session=1, to_session=1, partner_reps=5, effort_limit=10, exercises=2),),
    )
    first = ramp_stage(hard, [], today=TODAY)
    assert (first.effort_limit, first.full, first.held_back) == (8, False, False)
    second = ramp_stage(hard, [day(1)], today=TODAY)
    assert (second.effort_limit, second.full, second.held_back) == (8, False, True)
    assert ramp_stage(hard, [day(1), day(4), day(8)], today=day(15)).full
    none = ramp_stage(Dose(partner_reps_per_set=2), [day(1), day(4)], today=day(8))
    assert (none.partner_reps, none.effort_limit) == (2, CAUTIOUS_RAMP[1].effort_limit)


def test_two_sessions_are_not_three() -> None:
    """P04: three exposures and 14 days, also where the protocol's steps end after two sessions."""
    steps = (RampStep(from_session=1, to_session=2, partner_reps=2, effort_limit=6, exercises=1),)
    short = Dose(partner_reps_per_set=3, ramp_in=steps)
    held = ramp_stage(short, [day(1), day(4)], today=day(30))
    assert (held.full, held.held_back, held.partner_reps) == (False, True, 2)
    assert ramp_stage(short, [day(1), day(4), day(8)], today=day(30)).full


def test_todays_own_session_and_sessions_without_partner_reps_are_not_counted() -> None:
    assert ramp_stage(DOSE, [day(2), day(6)], today=day(6)).session == 2
    made = plan(build_records(((2, 2), (6, 0), (10, 0), (29, 0))))
    assert made.allowed
    assert made.stage is not None
    assert (made.stage.session, made.sessions, made.last_partner_reps) == (2, 4, day(2))


def test_sessions_without_partner_reps_are_no_practice() -> None:
    made = plan(build_records(((2, 2), (6, 2), (26, 6), (50, 0))), today=day(55))
    assert codes(made) == ["sign-off"]


def test_no_message_where_nothing_was_given() -> None:
    assert plan(build_records(()), today=day(22), trainer="T2").message_on is None


def test_a_lay_off_is_told() -> None:
    stage = ramp_stage(DOSE, [day(1), day(4), day(100)], today=day(104))
    assert (stage.lay_off_days, stage.session) == (96, 2)
    assert ramp_stage(DOSE, [day(1), day(4)], today=day(8)).lay_off_days == 0


def test_a_step_without_partner_reps_withholds() -> None:
    step = RampStep(from_session=1, to_session=4, partner_reps=0, effort_limit=5, exercises=1)
    made = plan(build_records(()), protocol=with_dose(ramp_in=(step,)), today=day(22))
    assert codes(made) == ["ramp-in"]


def test_first_sessions_carry_the_text_on_soreness_and_a_message() -> None:
    """E4, E8: soreness in the first four sessions, a message 48 hours after the first three."""
    history = ((6, 2), (10, 2), (14, 3), (18, 3))
    shown, messages = [], []
    for number in range(5):
        made = plan(build_records(history[:number]), today=day(22))
        shown.append(made.show_soreness)
        messages.append(made.message_on)
    assert shown == [True, True, True, True, False]
    assert messages == [day(24), day(24), day(24), None, None]
    assert plan(build_records(()), arm="conventional").show_soreness


# --- a set of its own --------------------------------------------------------------------------------


def test_the_stand_alone_variant() -> None:
    """Common practice, no source: four reps to learn lifting, four lowering, matched by about the eighth."""
    made = plan(protocol=with_dose(stand_alone=True))
    alone = made.stand_alone
    assert alone is not None
    assert (alone.learn_lifting, alone.learn_lowering, alone.matched_by) == (4, 4, 8)
    assert (alone.more, alone.hard) == (3, True)
    first = plan(build_records(()), protocol=with_dose(stand_alone=True), today=day(22)).stand_alone
    assert first is not None
    assert (first.more, first.hard) == (2, False)
    assert plan(build_records(()), protocol=with_dose(stand_alone=True), trainer="T2").stand_alone is None
    assert plan().stand_alone is None
