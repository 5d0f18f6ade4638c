"""Properties of today's cap: never above the protocol's, never positive in the reference arm, monotone."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from studykit.outcomes.ramp_in import ramp_stage, sign_off
from studykit.outcomes.session_plan import session_plan
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Dose, RampStep
from studykit.records.record_tables import Allocated, record_table, records_of
from studykit.shipped import shipped

READY = parse_protocol((shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")).protocol
START = dt.date(2026, 1, 5)
DAYS = st.lists(st.integers(0, 250), unique=True, max_size=25).map(sorted)


@st.composite
def doses(draw: st.DrawFn) -> Dose:
    steps, first = [], 1
    for _ in range(draw(st.integers(0, 3))):
        last = first + draw(st.integers(0, 3))
        steps.append(
            RampStep(
                from_session=first, to_session=last, partner_reps=draw(st.integers(0, 8)),
                effort_limit=draw(st.integers(0, 10)), exercises=draw(st.integers(1, 5)),
            )
        )  # fmt: skip
        first = last + 1
    return Dose(
        partner_reps_per_set=draw(st.integers(1, 8)), exercises_per_session=draw(st.integers(0, 3)),
        ramp_in=tuple(steps), hours_between=draw(st.sampled_from([0.0, 24.0, 48.0, 72.0])),
        stand_alone=draw(st.booleans()),
    )  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(doses(), DAYS, st.integers(0, 260))
def test_no_stage_exceeds_the_dose_and_none_is_hard_too_early(dose: Dose, days: list[int], now: int) -> None:
    """P04 by another way: the sessions since the last gap of more than 42 days, counted from the end."""
    today = START + dt.timedelta(days=now)
    stage = ramp_stage(dose, [START + dt.timedelta(days=number) for number in days], today=today)
    assert 0 <= stage.partner_reps <= dose.partner_reps_per_set
    assert stage.exercises <= dose.exercises_per_session
    seen, later = 0, now
    for number in reversed([number for number in days if number < now]):
        if later - number > 42:
            break
        seen, later = seen + 1, number
    assert stage.session == seen + 1
    if seen < 3 or now - later < 14:
        assert not stage.full
        assert stage.effort_limit <= 8
    if stage.full:
        assert stage.effort_limit == 10


@settings(max_examples=60, deadline=None)
@given(doses(), DAYS, st.sampled_from(["conventional", "partner_reps"]), st.booleans(), st.integers(0, 260))
def test_the_cap_keeps_to_the_protocol(dose: Dose, days: list[int], arm: str, both: bool, now: int) -> None:
    """Where both arms have a dose with partner reps, the reference arm still gets none."""
    arms = tuple(
        entry.model_copy(update={"dose": dose}) if both or not entry.reference else entry
        for entry in READY.arms
    )
    protocol = READY.model_copy(update={"arms": arms})
    size = len(days)
    sessions = {
        "client": ["C1"] * size, "trainer": ["T1"] * size, "status": ["attended"] * size,
        "date": [START + dt.timedelta(days=number) for number in days], "partner_reps": [3] * size,
    }  # fmt: skip
    records = records_of(
        [
            record_table("sessions", sessions),
            record_table("trainers", {"trainer": ["T1"], "signed_off_on": [START]}),
            record_table(
                "screening",
                {"client": ["C1"], "cleared": ["yes"], "consented": ["yes"], "touch_consented": ["yes"]},
            ),
            record_table("clients", {"client": ["C1"], "trainer": ["T1"], "sex": ["female"]}),
        ]
    )
    today = START + dt.timedelta(days=now)
    made = session_plan(
        protocol, records, client="C1", allocated=[Allocated("C1", arm, START, "T1", {})], today=today
    )
    assert made.readiness.ready
    assert 0 <= made.cap <= dose.partner_reps_per_set
    assert (made.cap > 0) is made.allowed
    if arm == "conventional":
        assert made.cap == 0
    last = max((number for number in days if number <= now), default=None)
    if last is not None and 24 * (now - last) < dose.hours_between:
        assert made.cap == 0
    if not made.sign_off.holds:
        assert made.cap == 0


@settings(max_examples=200, deadline=None)
@given(DAYS, st.integers(1, 60))
def test_a_sign_off_that_holds_was_never_interrupted(practice: list[int], days: int) -> None:
    today = START + dt.timedelta(days=250)
    found = sign_off(
        START, [START + dt.timedelta(days=number) for number in practice], today=today, days=days
    )
    chain = [0, *practice, 250]
    assert found.holds is all(later - earlier <= days for earlier, later in pairwise(chain))
