"""An owner's slips between lock and report: each is told at once, and nothing is written by it."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from studykit.errors import ArgumentError, FitError, FolderError
from studykit.study import Study
from tests.support.answered import answer


def append(folder: Path, table: str, *lines: str) -> None:
    with (folder / "records" / f"{table}.csv").open("a", encoding="utf-8", newline="") as file:
        file.writelines(line + "\n" for line in lines)


@pytest.fixture
def ready(tmp_path: Path) -> Study:
    """A study that could be locked, with one client who could be enrolled."""
    study = Study.create(tmp_path / "mine")
    answer(study.folder)
    day = dt.date.today() - dt.timedelta(days=3)  # noqa: DTZ011 — the studio's day
    append(study.folder, "trainers", "T1,2026-01-10,OB,")
    append(study.folder, "screening", f"C01,{day},yes,yes,yes,yes,{day},,")
    append(study.folder, "clients", "C01,,T1,41,female,,")
    exercises = [exercise.code for exercise in study.protocol.exercises]
    append(study.folder, "strength", *(f"C01,baseline,{day},{one},60,kg,10,yes,,,," for one in exercises))
    return study


@pytest.fixture
def enrolled(ready: Study) -> Study:
    ready.lock(by="OW")
    ready.enrol("C01", by="OW")
    return ready


def entries(study: Study) -> int:
    ledger = study.ledger
    assert ledger is not None
    return len(ledger.entries())


def test_nobody_without_a_role_locks(ready: Study) -> None:
    with pytest.raises(ArgumentError, match=r"protocol's roles: OW, RE, TE, SR; found 'XX'"):
        ready.lock(by="XX")
    assert ready.ledger is None
    ready.lock(by="ow")  # capitals are passed over


def test_nobody_without_a_role_enrols_amends_corrects_or_looks(enrolled: Study) -> None:
    before = entries(enrolled)
    path = enrolled.folder / "protocol.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("clients = 40 ", "clients = 44 ", 1), "utf-8")
    with pytest.raises(ArgumentError, match="protocol's roles"):
        enrolled.enrol("C01", by="XX")
    with pytest.raises(ArgumentError, match="protocol's roles"):
        enrolled.amend(reason="more clients", by="XX")
    with pytest.raises(ArgumentError, match="protocol's roles"):
        enrolled.correct("C01", fact="sex", value="male", reason="slip", by="XX")
    with pytest.raises(ArgumentError, match="protocol's roles"):
        enrolled.analyse(look_by="XX", look_reason="curious")
    assert entries(enrolled) == before


@pytest.mark.parametrize(
    ("fact", "value", "words"),
    [
        ("sex", "femal", "one of female, male; found 'femal'"),
        ("trainer", "T9", "one of T1; found 'T9'"),
        ("age", "41 years", "whole number from 0 to 110"),
        ("eligible", "maybe", "one of yes, no"),
        ("consent_date", "01.02.2026", "a date as YYYY-MM-DD"),
        ("clearance", "  ", "a value"),
    ],
)
def test_a_correction_says_what_the_fact_can_be(fact: str, value: str, words: str, enrolled: Study) -> None:
    before = entries(enrolled)
    with pytest.raises(ArgumentError, match=words):
        enrolled.correct("C01", fact=fact, value=value, reason="slip", by="OW")
    assert entries(enrolled) == before
    assert enrolled.correct("C01", fact="sex", value="Male", reason="slip", by="OW").body["new"] == "male"


def test_an_analysis_that_is_refused_takes_no_look(enrolled: Study) -> None:
    """It is entered before anything is computed, and then that nothing was seen."""
    before = entries(enrolled)
    with pytest.raises(FitError, match="records that are enough for a result"):
        enrolled.analyse(look_by="OW", look_reason="curious")
    look, nothing = enrolled.entries()[before:]
    assert (look.kind, look.by, look.body["reason"]) == ("look", "OW", "curious")
    assert (nothing.body["what"], nothing.body["look"]) == ("look that showed nothing", look.position)
    assert enrolled.read().looks == ()


def test_check_finds_what_would_stop_the_analysis(enrolled: Study) -> None:
    path = enrolled.folder / "records" / "strength.csv"
    path.write_text(path.read_text(encoding="utf-8-sig").replace(",60,kg", ",-60,kg"), encoding="utf-8")
    check = enrolled.check()
    assert check.needs_attention
    assert [one.severity for one in check.findings if "a value above 0" in one.expected] == ["stop"] * 4


@pytest.mark.parametrize("name", ["", ".", ".."])
def test_a_folder_needs_a_name(name: str) -> None:
    with pytest.raises(FolderError, match="the name of a new folder"):
        Study.create(name)
