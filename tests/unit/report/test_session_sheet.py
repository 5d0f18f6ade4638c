"""The session sheet and the take-home page: what must stand on them (E8), and what must not."""

from __future__ import annotations

import dataclasses
import datetime as dt
import re
from pathlib import Path
from typing import Any

import pytest

from studykit.errors import FolderError
from studykit.outcomes.client_day import LastSet
from studykit.outcomes.ramp_in import ramp_stage, sign_off
from studykit.outcomes.readiness import Readiness, Reason
from studykit.outcomes.session_plan import SessionPlan, StandAlone, Withheld
from studykit.protocol.cautions import BREATHING, SORENESS_AND_RED_FLAGS, STOP_SIGNS, cautions_for
from studykit.protocol.conduct import Cautions
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Protocol
from studykit.records.schema import SESSIONS, SETS
from studykit.report.session_sheet import (
    log_fields,
    render_session_sheet,
    render_take_home,
    save_session_sheet,
    sheet_name,
)
from studykit.report.wording_check import check_wording, text_of
from studykit.shipped import shipped
from tests.support.reading_ease import ease_of, page_texts

PROTOCOL = parse_protocol((shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")).protocol
TODAY = dt.date(2026, 4, 1)


def build_plan(*, arm: str = "partner_reps", protocol: Protocol = PROTOCOL, **changes: Any) -> SessionPlan:
    entry = protocol.arm(arm)
    dose = entry.dose
    assert dose is not None
    planned = dose.partner_reps_per_set > 0
    stage = ramp_stage(dose, [], today=TODAY) if planned else None
    plan = SessionPlan(
        study=protocol.study.title,
        client="C014",
        today=TODAY,
        readiness=Readiness(()),
        arm=entry.code,
        arm_name=entry.name,
        arm_description=entry.description,
        planned=planned,
        changes_arm=False,
        withheld=() if planned else (Withheld("arm", "This arm has no partner reps."),),
        conditions=(),
        trainer="T1",
        sign_off=sign_off(dt.date(2026, 3, 20), [], today=TODAY, days=28),
        stage=stage,
        cap=0 if stage is None else stage.partner_reps,
        exercises_today=0 if stage is None else stage.exercises,
        exercises=("leg press", "chest press"),
        other_exercises=(),
        dose=dose,
        stand_alone=None,
        sessions=0,
        last_partner_reps=None,
        repetitions_left=0,
        rest_hours=48.0,
        last_sets=(
            ("leg press", "kg", LastSet(dt.date(2026, 3, 30), 62.5, 11.0)),
            ("chest press", "kg", LastSet(dt.date(2026, 3, 28), 40.0, float("nan"))),
            ("seated row", "lb", None),
        ),
        message_on=dt.date(2026, 4, 3) if planned else None,
        clearance="yes",
    )
    return dataclasses.replace(plan, **changes)


def words(plan: SessionPlan, protocol: Protocol = PROTOCOL) -> str:
    """The sheet's words, with line breaks as blanks."""
    return re.sub(r"\s+", " ", text_of(render_session_sheet(plan, protocol)))


def flat(text: str) -> str:
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("arm", ["conventional", "partner_reps"])
def test_sheet_and_page_to_take_home_are_easily_read(arm: str) -> None:
    """At most 15 words a sentence on average, 25 at most, a readability index of at most 8."""
    plan = build_plan(arm=arm)
    for page in (render_session_sheet(plan, PROTOCOL), render_take_home(PROTOCOL)):
        ease = ease_of(page_texts(page))
        assert (ease.most <= 25, ease.average <= 15, ease.index <= 8) == (True, True, True), ease


@pytest.mark.parametrize("arm", ["conventional", "partner_reps"])
def test_stop_signs_breathing_and_clearance_stand_on_every_sheet(arm: str) -> None:
    """E3, E4, E5, E8: stop signs and red flags always visible, no straining, cleared as recorded."""
    text = words(build_plan(arm=arm))
    for sentence in STOP_SIGNS.text.rstrip(".").split(". "):
        action, signs = sentence.split(": ")
        assert action in text
        assert signs in text
    assert BREATHING.text in text
    assert SORENESS_AND_RED_FLAGS.text in text
    assert "Cleared to train, as recorded: yes." in text
    assert PROTOCOL.harms.question in text
    assert re.search(r"Ill, feverish, overheated[^?]*dark urine[^?]*\? no yes: no training today", text)
    news = r"Pregnant or perhaps so\? A new medicine, condition[^?]* since the screening\?"
    assert re.search(rf"{news} no yes: no training today", text)
    assert "lighter" not in text.replace(BREATHING.text, "")
    page = render_session_sheet(build_plan(arm=arm), PROTOCOL)
    assert re.search(r'class="always"[^>]*><b>Stop at once:</b>', page)


def test_the_reference_arm_is_told_large_that_there_are_none() -> None:
    """E8: arm, and "no partner reps for this client", large; A4: in this arm field 1 must be 0."""
    page = render_session_sheet(build_plan(arm="conventional"), PROTOCOL)
    assert "<h1>conventional sets</h1>" in page
    assert '<p class="verdict none">No partner reps for this client</p>' in page
    text = flat(text_of(page))
    assert "Partner reps 0 more: ____" in text
    assert "a record, not a mistake" in text
    assert "Taken to the limit yes no" in text
    assert "At most" not in text
    assert "Lowering time" not in text


def test_who_has_the_other_arm_on_another_day_is_told_of_today_only() -> None:
    page = render_session_sheet(build_plan(arm="conventional", changes_arm=True), PROTOCOL)
    assert '<p class="verdict none">No partner reps today</p>' in page


def test_the_sides_of_a_client_are_told_apart_on_the_sheet_and_in_the_terminal() -> None:
    sides = build_plan(exercises=("leg curl, right",), other_exercises=("leg curl, left", "leg press, left"))
    assert "On leg curl, right Never on leg curl, left; leg press, left" in words(sides)
    assert "On: leg curl, right. Never on: leg curl, left; leg press, left." in sides.summary()


def test_todays_stage_and_cap() -> None:
    text = words(build_plan())
    assert "At most 2 partner reps in a set" in text
    assert "On at most 1 exercise; in the partner reps: effort at most 5 of 10" in text
    assert "first partner rep clearly easy, none above effort 5 of 10" in text
    assert "hardest" not in text
    assert "step 1 of 2 of the ramp-in, session 1 with partner reps" in text
    assert "3–5 seconds" in text
    assert "2–4 seconds" in text
    assert "10 seconds of the last machine repetition" in text
    assert "48 hours or more before the same muscles" in text


def test_effort_is_never_contradicted() -> None:
    """With a limit of effort no last rep is to be the hardest; without one it is."""
    stage = build_plan().stage
    assert stage is not None
    full = words(build_plan(stage=dataclasses.replace(stage, full=True, effort_limit=10)))
    assert "last one hardest" in full
    for limit in range(10):
        text = words(build_plan(stage=dataclasses.replace(stage, effort_limit=limit)))
        assert "hardest" not in text
        assert text.count(f"effort {limit} of 10") + text.count(f"effort at most {limit} of 10") == 2


@pytest.mark.parametrize("arm", ["conventional", "partner_reps"])
def test_a_novices_set_ends_short_of_the_limit_in_either_arm(arm: str) -> None:
    for left, said in ((3, "3 repetitions left"), (1, "1 repetition left")):
        text = words(build_plan(arm=arm, repetitions_left=left))
        assert f"8–12 repetitions, ended with {said}: new to strength training" in text
        assert "until the next lift cannot be finished" not in text
    assert "until the next lift cannot be finished" in words(build_plan(arm=arm))


def test_hours_of_rest_are_said_as_they_are_in_these_weeks() -> None:
    assert (
        "72 hours or more before the same muscles get partner reps again, in the first three weeks; 48 hours"
        in (words(build_plan(rest_hours=72.0)))
    )
    assert "48 hours or more before the same muscles get partner reps again On" in words(build_plan())
    assert "48 hours or more before the same muscles are trained again" in words(
        build_plan(arm="conventional")
    )


@pytest.mark.parametrize("arm", ["conventional", "partner_reps"])
def test_whatever_is_asked_has_a_column_in_the_records(arm: str) -> None:
    """A4: what is ticked can be entered as it stands; what cannot be entered is not asked."""
    fields = {field.column: field for field in log_fields(build_plan(arm=arm))}
    assert {"conventional_sets", "limit_reached", "partner_reps", "effort", "discomfort", "take_home"} <= set(
        fields
    )
    for name, field in fields.items():
        column = SESSIONS.column(name)
        if column.kind == "yes_no":
            assert field.boxes == ("yes", "no")
        elif column.kind == "choice":
            assert field.boxes[1:] == column.choices[1:]
        elif field.boxes and name != "partner_reps":
            assert [float(box) for box in field.boxes] == list(range(int(column.highest) + 1))
    assert ("lowering" in fields) is (arm != "conventional")
    page = render_session_sheet(build_plan(arm=arm), PROTOCOL)
    text = re.sub(r"\s+", " ", page)
    blanks = (
        text.count("<i>") + text.count("<i class") - 3
    )  # three places of the emergency plan, not of a record
    assert blanks == 2 * 3, "a load and repetitions for each exercise: columns of records/sets"
    assert {"load", "repetitions", "exercise"} <= {column.name for column in SETS.columns}
    assert text.count('class="choices"') == 3, "records/health twice, sessions.harm_asked"


def test_the_last_loads_stand_beside_the_blanks() -> None:
    text = words(build_plan())
    assert "leg press last: 62.5 kg, 11 repetitions, 2026-03-30 load kg repetitions" in text
    assert "chest press last: 40 kg, ? repetitions, 2026-03-28 load kg repetitions" in text
    assert "seated row last: none recorded load lb repetitions" in text
    assert render_session_sheet(build_plan(last_sets=()), PROTOCOL).count("exercise <i></i>") == 4


@pytest.mark.parametrize("ready", [True, False])
def test_whom_to_call_stands_on_every_sheet(ready: bool) -> None:
    barred = Readiness((Reason("consent", "No consent.", ("the client",)),))
    plan = build_plan(readiness=Readiness(()) if ready else barred)
    asked = words(plan)
    for label in ("Emergency number", "First aid", "Defibrillator"):
        assert f"{label} not in the protocol: ask the owner first" in asked
    told = PROTOCOL.harms.model_copy(
        update={"emergency_number": "112", "first_aider": "the <desk>", "defibrillator": "by the door"}
    )
    protocol = PROTOCOL.model_copy(update={"harms": told})
    text = words(plan, protocol)
    assert "Emergency number 112 First aid the <desk> Defibrillator by the door" in text
    assert "not in the protocol" not in text
    assert "Emergency number 112" in flat(text_of(render_take_home(protocol)))


def test_withheld_partner_reps_show_every_reason_and_no_number() -> None:
    """E8: a lapsed sign-off blocks partner reps."""
    reasons = (Withheld("sign-off", "Lapsed last week."), Withheld("pause rule", "One serious harm."))
    page = render_session_sheet(
        build_plan(withheld=reasons, cap=0, exercises_today=0, message_on=None), PROTOCOL
    )
    assert '<p class="verdict none">No partner reps today</p>' in page
    text = flat(text_of(page))
    assert "Lapsed last week. One serious harm." in text
    assert "At most" not in text
    assert "Then, within" not in text


def test_the_sheet_is_kept_from_a_blinded_tester() -> None:
    assert "Not for the tester, who is not to know the arm." in words(build_plan())
    open_tests = PROTOCOL.oversight.model_copy(update={"assessor_blinded": False})
    protocol = PROTOCOL.model_copy(update={"oversight": open_tests})
    assert "tester" not in words(build_plan(), protocol)


@pytest.mark.parametrize("arm", ["conventional", "partner_reps"])
def test_the_pages_keep_to_the_rules_of_wording(arm: str) -> None:
    for page in (render_session_sheet(build_plan(arm=arm), PROTOCOL), render_take_home(PROTOCOL)):
        # "as planned" is a value of the records here, not a claim about the analysis.
        found = [entry for entry in check_wording(text_of(page)) if entry.rule != "as planned where"]
        assert found == []


def test_the_message_afterwards() -> None:
    """E4: a message 48 hours after each of the first three sessions with partner reps."""
    assert "Message to the client 48 hours later, on 2026-04-03" in words(build_plan())
    assert "Message to the client" not in words(build_plan(message_on=None))


def test_usual_and_local_cautions() -> None:
    protocol = PROTOCOL.model_copy(update={"cautions": Cautions(local=("Ask <the> insurer & wait.",))})
    page = render_session_sheet(build_plan(), protocol)
    assert "Ask &lt;the&gt; insurer &amp; wait." in page
    text = words(build_plan(), protocol)
    for caution in cautions_for("session sheet", protocol=protocol):
        if caution is not STOP_SIGNS:
            assert caution.text in text, caution.code
    assert "signed off on 2026-03-20, holds until 2026-04-17" in text
    about_others = words(build_plan(arm="conventional"), protocol)
    assert "signed off" not in about_others
    assert "Ask <the> insurer & wait." in about_others


@pytest.mark.parametrize("arm", ["conventional", "partner_reps"])
def test_everything_from_people_is_escaped(arm: str) -> None:
    bad = "<script>alert(1)</script>"
    plan = build_plan(
        arm=arm, client=bad, trainer=bad, arm_name=bad, study=bad, conditions=(bad,), clearance=bad,
        exercises=(bad,), withheld=(Withheld("x", bad),),
    )  # fmt: skip
    barred = Readiness((Reason("harm", bad, ("the reviewer of harms",)),))
    page = "".join(
        render_session_sheet(made, PROTOCOL)
        for made in (
            plan, dataclasses.replace(plan, withheld=()), dataclasses.replace(plan, readiness=barred)
        )
    )  # fmt: skip
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_pages_need_neither_network_nor_scripts_nor_colour() -> None:
    for page in (render_session_sheet(build_plan(), PROTOCOL), render_take_home(PROTOCOL)):
        assert "http" not in page
        assert "<script" not in page
        assert "<link" not in page
        assert "url(" not in page
        assert "@import" not in page
        assert "<img" not in page
        colours = set(re.findall(r"#[0-9a-f]{3,6}\b", page.split("</style>")[0]))
        assert all(len(set(colour[1:])) == 1 for colour in colours), "greys only"


def test_the_stand_alone_block() -> None:
    """Common practice, no source: learn the lifting, learn the lowering, matched, then optional."""
    arms = tuple(
        arm.model_copy(update={"dose": arm.dose.model_copy(update={"stand_alone": True})})
        if arm.code == "partner_reps" and arm.dose is not None
        else arm
        for arm in PROTOCOL.arms
    )
    protocol = PROTOCOL.model_copy(update={"arms": arms})
    alone = StandAlone(learn_lifting=4, learn_lowering=4, matched_by=8, more=2, hard=False)
    text = words(build_plan(protocol=protocol, stand_alone=alone), protocol)
    assert "About 4 light reps: the client learns the resistance while lifting." in text
    assert "By about the 8th rep it is well matched." in text
    assert "at most 2 more; none of them hard yet, effort at most 5 of 10." in text
    assert "Common practice, no source." in text
    assert "last machine repetition" not in text
    hard = dataclasses.replace(alone, hard=True)
    assert "at most 2 more, which may be hard." in words(
        build_plan(protocol=protocol, stand_alone=hard), protocol
    )


def test_the_take_home_page() -> None:
    """E4: severe or worsening pain, swelling, weakness, dark urine, feeling ill; blanks for whom to call."""
    text = flat(text_of(render_take_home(PROTOCOL)))
    for flag in ("severe or gets worse", "exertional rhabdomyolysis", "far beyond what you did",
                 "marked swelling", "weakness", "cannot straighten", "dark urine",
                 "feeling ill", "same day", "about five days", "no training"):  # fmt: skip
        assert flag in text, flag
    assert SORENESS_AND_RED_FLAGS.text in text
    for line in ("Emergency number", "Doctor or clinic", "Studio"):
        assert f"{line} <i></i>" in render_take_home(PROTOCOL)


@pytest.mark.parametrize(
    "client", ["../up", "a/b", "C 1", "con", "COM1", "", ".hidden", "Ä1", "x" * 41, "a\\b", "-x"]
)
def test_no_code_becomes_a_path(client: str, tmp_path: Path) -> None:
    name = sheet_name(client)
    assert re.fullmatch(r"client-[0-9a-f]{16}\.html", name)
    sheet, _ = save_session_sheet(build_plan(client=client), PROTOCOL, tmp_path / "results")
    assert sheet.parent == tmp_path / "results" / "sheets"
    assert [path.name for path in tmp_path.iterdir()] == ["results"]


def test_different_codes_have_different_names() -> None:
    assert len({sheet_name(client) for client in ("a/b", "a\\b", "../b", "ab", "C014")}) == 5
    assert sheet_name("C014") == "C014.html"


def test_a_sheet_is_written_anew_and_a_file_in_the_way_is_told(tmp_path: Path) -> None:
    first, home = save_session_sheet(build_plan(), PROTOCOL, tmp_path)
    before = first.read_bytes()
    again, _ = save_session_sheet(build_plan(), PROTOCOL, tmp_path)
    assert again.read_bytes() == before
    assert home == tmp_path / "take_home.html"
    other = tmp_path / "other"
    other.mkdir()
    (other / "sheets").write_text("a file", encoding="utf-8")
    with pytest.raises(FolderError, match="expected a folder; found a file"):
        save_session_sheet(build_plan(), PROTOCOL, other)
