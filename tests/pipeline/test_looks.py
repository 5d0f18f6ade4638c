"""A planned look from the owner's side: locked with its rule, taken, judged at its own level, reported."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from studykit.cli import main
from studykit.errors import FitError, ProtocolError
from studykit.report.wording_check import text_of
from studykit.shipped import shipped
from studykit.study import Study
from studykit.study.analysing import look_question
from tests.pipeline.test_methods import BLOCKS, CLIENTS, add_rows, edit, ready_study, strength_rows, today

PLANNED = 22  # so that a look after half of the tests is due from 11 on
RULE = ('look_rule = ""', 'look_rule = "SR looks after half of the tests; OW decides"')


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory: pytest.TempPathFactory) -> Study:
    study = ready_study(tmp_path_factory.mktemp("looks") / "mine", BLOCKS)
    edit(study, ("planned_looks = 0", "planned_looks = 1"), ("clients = 40", f"clients = {PLANNED}"))
    with pytest.raises(ProtocolError, match="oversight, look_rule: expected who looks, who decides"):
        study.lock(by="OW")
    edit(study, RULE)
    study.lock(by="OW")
    for number, (client, _, _) in enumerate(CLIENTS):
        arm = study.enrol(client, by="OW").arm
        load = (
            (60.0 + 3 * (7 * number % 12)) * (1.5 if arm == "partner_reps" else 1.1) * (1 + number % 3 / 50)
        )
        if number < 10:
            rows = strength_rows(study, client, visit="week_12", day=today(84), load=load)
            add_rows(study.folder, "strength", *rows)
        session = {"client": client, "date": today(82), "trainer": "T1", "status": "attended"}
        add_rows(study.folder, "sessions", session)
    return study


def test_the_plan_shows_what_the_look_takes(looked_at: Study) -> None:
    plan = looked_at.plan()
    assert plan.looks is not None
    assert [round(look.critical, 4) for look in plan.looks.boundaries] == [2.9626, 1.9686]
    assert plan.alpha == pytest.approx(0.0490, abs=5e-5)


def test_the_look_is_logged_and_judged_at_its_own_level_and_the_next_one_decides_nothing(
    looked_at: Study, tmp_path: Path
) -> None:
    """F20: X30 gives .0031 at a look halfway; a second look was not planned."""
    asked = look_question(looked_at.read())
    assert "12 of 22 planned clients have joined; only a data lock ends enrolment before." in asked
    assert (
        "plans no look now: this one uses up none and decides nothing. Look 1 of 1 is planned from 11"
        in asked
    )
    early = looked_at.analyse(look_by="OW", look_reason="curious")  # 10 of the 11 tests
    assert early.decisions == ()
    assert early.remarks[0] == (
        "This is an early reading, not the result: the study goes on; no look was planned now, so it "
        "decides nothing."
    )
    assert "look 1 of 1: not yet due, from 11 final tests on; 10 done" in looked_at.check().text()
    add_rows(
        looked_at.folder, "strength",
        *strength_rows(looked_at, CLIENTS[10][0], visit="week_12", day=today(84), load=90.0),
    )  # fmt: skip
    assert "look 1 of 1: due, from 11 final tests on; 11 done" in looked_at.check().text()
    assert "The protocol plans look 1 of 1 now: it is used up by this" in look_question(looked_at.read())
    before = looked_at.entries()[-1].code
    first = looked_at.analyse(look_by="SR", look_reason="planned look")
    (decision,) = first.decisions
    assert first.remarks[0].endswith("the study goes on; look 1 was planned now.")
    assert first.provenance.ledger_code == before, "what it was made from"
    assert "two-sided level 0.305 % at look 1 of 1 planned" in decision.rule
    assert decision.rejected == (decision.p_value <= 0.00305)
    assert [look.body["planned_look"] for look in looked_at.read().looks] == [0, 1]
    again = looked_at.analyse(look_by="sr", look_reason="the report of it")
    assert again.decisions == first.decisions, "the same look at the same records"
    assert len(looked_at.read().looks) == 2, "logged once"
    add_rows(
        looked_at.folder, "strength",
        *strength_rows(looked_at, CLIENTS[11][0], visit="week_12", day=today(84), load=95.0),
    )  # fmt: skip
    second = looked_at.analyse(look_by="OW", look_reason="curious")
    assert second.decisions == ()
    assert [look.body["planned_look"] for look in looked_at.read().looks] == [0, 1, 0]
    page = text_of(looked_at.save(second).read_text(encoding="utf-8")).replace("\u00a0", " ")
    assert "SR\tplanned look\tplanned, decides at 0.31 %" in page
    assert "OW\tcurious\tnot planned; decides nothing" in page
    assert "two arms that are alike come out as different" in page


def test_a_look_that_fails_is_logged_once_and_takes_no_planned_look(
    looked_at: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = Study.open(shutil.copytree(looked_at.folder, tmp_path / "mine"))
    number = len(study.read().looks)

    def refused(*_: object, **__: object) -> None:
        raise FitError(where="analysis", expected="an answer", got="none")

    monkeypatch.setattr("studykit.outcomes.analyse.analyse_rows", refused)
    for _ in range(2):
        with pytest.raises(FitError):
            study.analyse(look_by="SR", look_reason="again")
    last = study.entries()[-2:]
    assert [entry.kind for entry in last] == ["look", "note"], "each try that showed nothing says so"
    assert last[1].body["look"] == last[0].position
    assert "look(s)" in study.audit().summary()
    assert len(study.read().looks) == number


def test_the_command_asks_before_the_planned_end_whoever_is_named(
    looked_at: Study, capsys: pytest.CaptureFixture[str]
) -> None:
    """With both options given it once went on without a question."""
    number = len(looked_at.entries())
    asked = ["analyse", str(looked_at.folder), "--look-by", "OW", "--look-reason", "curious"]
    assert main(asked) == 2
    err = " ".join(capsys.readouterr().err.split())
    assert "It is early." in err
    assert "expected a yes to an early look" in err
    assert len(looked_at.entries()) == number, "nothing was looked at"


def test_the_planned_end_waits_for_all_planned_clients_or_a_data_lock() -> None:
    """Twelve of 40 clients followed to the end once counted as the whole study."""
    now = Study.open(shipped("synthetic_data") / "demo_study").read()
    assert now.is_complete
    assert look_question(now) == ""
    planning = now.protocol.planning.model_copy(update={"clients": 73})
    more = now.protocol.model_copy(update={"planning": planning})
    now.__dict__["read"] = replace(now.read, protocol=more)
    assert not now.is_complete
    assert look_question(now).startswith("It is early. 72 of 73 planned clients have joined;")
    closed = replace(now.entries[-1], kind="data lock")
    object.__setattr__(now, "entries", (*now.entries, closed))
    assert now.is_complete
