"""Clients take back touch, consent or data: what stops, what is used, and what every command says of it."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from studykit.cli import main
from studykit.study import Study

ON, LATER = "2025-02-20", "2025-03-01"
SAID = {"C003": "consent", "C004": "data", "C005": "touch"}


def withdraw(study: Path, client: str, what: str, *more: str) -> int:
    return main(["withdraw", str(study), client, "--what", what, "--by", "OW", "--date", ON, "--yes", *more])


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return Study.demo(tmp_path_factory.mktemp("before") / "d")[0]


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    found = Study.demo(tmp_path_factory.mktemp("withdrawal") / "d")[0]
    assert [withdraw(found.folder, client.lower(), what) for client, what in SAID.items()] == [0, 0, 0]
    return Study.open(found.folder)


@pytest.mark.parametrize(
    ("words", "wanted", "unwanted"),
    [
        (("sheet", "C003", "--date", LATER), "The client left the study on 2025-02-20", "partner"),
        (("sheet", "C004", "--date", LATER), "The client left the study on 2025-02-20", "partner"),
        (("sheet", "C005", "--date", LATER), "No training today before touch is settled", "kg"),
        (("sheet", "C003", "--date", "2025-02-19"), "", "left the study"),
        (("sheet", "C003", "--test", "--date", LATER), "No test today", "kg"),
        (("sheet", "C004", "--test", "--date", LATER), "No test today", "kg"),
        (("today", "--date", LATER, "--by", "OW"), "C005: No training today", "C003"),
        (("today", "--date", LATER, "--by", "OW"), "C005: No training today", "C004"),
        (("check",), "client C003: expected no rows after consent withdrawn, 2025-02-20", "client C005"),
        (("check",), "client C004: expected no rows after data withdrawn, 2025-02-20", "client C005"),
        (("audit",), "found client C005: touch, 2025-02-20", "broken"),
    ],
)
def test_each_command_knows(
    study: Study, words: tuple[str, ...], wanted: str, unwanted: str, capsys: pytest.CaptureFixture[str]
) -> None:
    command, *more = words
    assert main([command, str(study.folder), *more]) in {0, 1}
    out = capsys.readouterr().out
    assert wanted in out
    assert unwanted not in out


def test_the_analysis_uses_what_may_be_used_and_says_what_not(study: Study, before: Study) -> None:
    whole, rows = before.read().rows, study.read().rows
    place = {client: whole.clients.labels.index(client) for client in SAID}
    counts = {
        client: [int((one.sessions.client == index).sum()) for one in (whole, rows)]  # type: ignore[union-attr]
        for client, index in place.items()
    }
    last = dt.date.fromisoformat(ON)
    assert counts["C005"][0] == counts["C005"][1] > 0, "who takes back touch alone stays in"
    assert counts["C004"][1] == 0 < counts["C004"][0]
    assert 0 < counts["C003"][1] < counts["C003"][0]
    assert rows.retention is not None
    began = rows.clients.allocated_on[place["C003"]]
    assert rows.retention.histories[place["C003"]].data_through == (np.datetime64(last) - began).astype(int)
    assert rows.retention.histories[place["C004"]].data_through == 0
    assert rows.retention.reasons[place["C003"]] == "consent withdrawn"
    assert rows.clients.number == whole.clients.number, "the draw stays"
    assert [harm.client for harm in rows.harms] == [harm.client for harm in whole.harms]
    results = study.analyse()
    told = " ".join(results.remarks)
    rows_of = {one.client: one.rows for one in rows.withdrawn}
    assert 99 <= rows_of["C003"] < rows_of["C004"]
    assert f"1 client took consent back: {rows_of['C003']} rows of the records are not used." in told
    assert f"1 client took data back: {rows_of['C004']} rows of the records are not used. Code, arm" in told
    missing = {
        reason: number
        for item in results.strength.missing
        if item.visit == "week_12"
        for reason, number in item.reasons
    }
    assert (missing["consent withdrawn"], missing["data withdrawn"]) == (1, 1)
    assert sum(arm.allocated for arm in results.flow.arms) == whole.clients.number


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("C999", "consent"), "expected a client whose arm is drawn; found 'C999'"),
        (("C003", "consent"), "expected something new; found consent withdrawn on 2025-02-20"),
        (("C006", "slip"), "found no withdrawal to undo"),
        (("C006", "data", "--date", "2199-01-01"), "to today; found 2199-01-01"),
        (("C006", "data", "--date", "2001-01-01"), "expected a day from 2025-"),
        (("C006", "data", "--by", "T1"), "expected a code of the protocol's roles"),
    ],
)
def test_what_cannot_be_is_refused(
    study: Study, words: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    entries = len(study.entries())
    client, what, *more = words
    assert withdraw(study.folder, client, what, *more) == 2
    assert said in capsys.readouterr().err
    assert len(study.entries()) == entries


def test_it_asks_first_and_a_slip_undoes_it(
    before: Study, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["withdraw", str(before.folder), "C007", "--what", "data", "--by", "OW", "--date", ON]
    assert main(words) == 2, "nobody sits there"
    monkeypatch.setattr("studykit.commands.is_interactive", lambda: True)
    monkeypatch.setattr("studykit.commands.confirm", lambda question: question.endswith("Yes?"))
    assert main(words) == 0
    said = capsys.readouterr().out
    assert "tests and sessions of C007 are no longer used" in said
    assert "Nothing was written." in said
    found = Study.open(before.folder)
    whole = found.read().rows.clients.labels
    assert not found.read().rows.withdrawn
    found.withdraw("C007", what="data", by="OW", day=dt.date.fromisoformat(ON))
    assert [one.client for one in found.read().rows.withdrawn] == ["C007"]
    found.withdraw("C007", what="slip", by="OW", reason="another client was meant")
    assert not found.read().rows.withdrawn
    assert found.read().rows.clients.labels == whole
