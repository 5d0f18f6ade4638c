"""The owner's way: new, plan, lock, records, enrol, check, analyse, with mistakes on the way."""

from __future__ import annotations

import csv
import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from studykit.cli import main
from studykit.study import Study
from tests.support.answered import answer

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*words: str | Path) -> tuple[int, str, str]:
        try:
            code = main([str(word) for word in words])
        except SystemExit as stop:  # argparse ends this way
            code = int(stop.code or 0)
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return call


@pytest.fixture
def mine(tmp_path: Path, run: Run) -> Path:
    folder = tmp_path / "my study"
    code, out, _ = run("new", folder)
    assert code == 0
    assert "No questions were asked; these answers were taken:" in out
    return folder


def add_rows(folder: Path, table: str, *rows: dict[str, str]) -> None:
    """Add rows to a record table as a person would: values under the headings that are there."""
    path = folder / "records" / f"{table}.csv"
    with path.open(encoding="utf-8-sig", newline="") as file:
        heading = next(csv.reader(file))
    assert all(set(row) <= set(heading) for row in rows), (heading, rows)
    with path.open("a", encoding="utf-8", newline="") as file:
        csv.DictWriter(file, heading, lineterminator="\n").writerows(rows)


def add_ready_client(folder: Path, client: str, *, sex: str = "female", trainer: str = "T1") -> None:
    today = dt.date.today()  # noqa: DTZ011 — the studio's day
    before = (today - dt.timedelta(days=3)).isoformat()
    add_rows(
        folder, "screening",
        {"client": client, "date": before, "eligible": "yes", "cleared": "yes", "consented": "yes",
         "touch_consented": "yes", "consent_date": before},
    )  # fmt: skip
    add_rows(folder, "clients", {"client": client, "trainer": trainer, "age": "41", "sex": sex})
    study = Study.open(folder)
    baseline = study.protocol.baseline_visits[0].code
    for exercise in study.protocol.exercises:
        add_rows(
            folder, "strength",
            {"client": client, "visit": baseline, "date": before, "exercise": exercise.code, "load": "60",
             "unit": exercise.unit, "repetitions": "10", "success": "yes"},
        )  # fmt: skip


def test_a_lock_before_the_review_is_answered_is_refused(mine: Path, run: Run) -> None:
    """A38: independent review is needed unless shown otherwise."""
    code, _, err = run("lock", mine, "--by", "OW")
    assert code == 2
    assert "ethics, review" in err
    assert not (mine / "ledger.db").exists()


def test_a_new_study_passes_check_and_plan_unedited(mine: Path, run: Run) -> None:
    assert sorted(path.name for path in mine.iterdir()) == ["protocol.toml", "records"]
    code, out, _ = run("check", mine)
    assert code == 0, out
    code, out, _ = run("plan", mine)
    assert code == 0
    assert (mine / "results" / "plan.html").is_file()


def test_a_new_study_is_never_put_over_something(mine: Path, run: Run) -> None:
    before = (mine / "protocol.toml").read_bytes()
    code, _, err = run("new", mine)
    assert code == 2
    assert "expected a new folder; found one that holds something already" in err
    assert (mine / "protocol.toml").read_bytes() == before


def test_the_whole_way_of_an_owner(mine: Path, run: Run) -> None:
    code, _, err = run("enrol", mine, "C001", "--by", "OW", "--yes")
    assert code == 2
    assert "expected a locked protocol" in err

    answer(mine)
    text = (mine / "protocol.toml").read_text(encoding="utf-8")
    code, out, err = run("lock", mine, "--by", "OW")
    assert code == 2
    assert "expected a yes: after the lock every change is an amendment; found no terminal to ask in" in err
    assert not (mine / "ledger.db").exists()
    assert len(out.split("What the lock decides for good:\n")[1].splitlines()) > 10
    many = text.replace("exercises_per_session = 2 ", "exercises_per_session = 15 ")
    (mine / "protocol.toml").write_text(many, encoding="utf-8")
    code, out, err = run("lock", mine, "--by", "OW")
    assert (code, "found 15. More means much soreness." in out) == (2, True)
    (mine / "protocol.toml").write_text(text, encoding="utf-8")
    code, out, err = run("lock", mine, "--by", "OW", "--yes")
    assert code == 0, err
    assert "claims that are true of this studio" in out
    add_rows(mine, "trainers", {"trainer": "T1", "signed_off_on": "2026-01-10", "observer": "OB"})
    for client in ("C001", "C002", "C003", "C004"):
        add_ready_client(mine, client)
    arms = []
    for client in ("C001", "C002", "C003"):
        code, out, err = run("enrol", mine, client, "--by", "OW", "--yes")
        assert code == 0, err
        arms.append(
            next(line.split(":")[1].strip() for line in out.splitlines() if line.strip().startswith("arm:"))
        )
    assert set(arms) <= set(Study.open(mine).protocol.arm_codes)

    code, out, err = run("enrol", mine, "C001", "--by", "OW", "--yes")
    assert code == 0
    assert err.startswith("Nothing was drawn: C001 has an arm already. This is the receipt again.")
    assert arms[0] in out
    code, _, err = run("enrol", mine, "C099", "--by", "OW", "--yes")
    assert code == 2
    assert "C099" in err

    code, out, _ = run("check", mine)
    assert code == 0, out
    for arm in Study.open(mine).protocol.arms:
        assert arm.name not in out  # progress is shown without arms

    code, _, err = run("analyse", mine)
    assert code == 2
    assert "--look-by" in err

    code, out, _ = run("audit", mine)
    assert code == 0

    (mine / "protocol.toml").write_text(text.replace('version = "1.0"', 'version = "1.1"'), encoding="utf-8")
    code, out, _ = run("check", mine)
    assert code == 0
    assert "Amend the protocol, or restore the file" in out
    code, _, err = run("plan", mine)
    assert code == 0
    assert "The locked text holds" in err, "a plan of the locked protocol is not taken for one of the file"
    code, out, err = run("amend", mine, "--by", "OW", "--reason", "a new version number, to see", "--yes")
    assert code == 0, err
    assert "changed: study, version" in out
    code, _, err = run("amend", mine, "--by", "OW", "--reason", "again")
    assert code == 2
    assert "expected a change of content" in err

    code, out, _ = run(
        "correct", mine, "C001", "--fact", "sex", "--value", "male", "--reason", "slip", "--by", "OW"
    )
    assert code == 0
    code, _, err = run(
        "correct", mine, "C001", "--fact", "arm", "--value", "x", "--reason", "no", "--by", "OW"
    )
    assert code == 2
    assert "never changed or drawn again" in err


def test_locking_twice_is_refused(mine: Path, run: Run) -> None:
    answer(mine)
    assert run("lock", mine, "--by", "OW", "--yes")[0] == 0
    code, _, err = run("lock", mine, "--by", "OW", "--yes")
    assert code == 2
    assert "Amend it instead" in err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("plan", "no such folder"), "expected a study's folder; found nothing of that name"),
        (("plann", "x"), "found plann. Is plan meant?"),
        (("plan", "x", "--clients", "many"), "--clients: expected a whole number; found many."),
    ],
)
def test_wrong_words_end_with_one_message(words: tuple[str, ...], message: str, run: Run) -> None:
    code, _, err = run(*words)
    assert code == 2
    assert message in err


def test_a_broken_protocol_is_named_line_by_line(mine: Path, run: Run) -> None:
    path = mine / "protocol.toml"
    text = path.read_text(encoding="utf-8").replace("horizon_day", "horizonday")
    path.write_text(text, encoding="utf-8")
    code, out, _ = run("check", mine)
    assert code == 1
    assert "horizonday" in out
    assert "horizon_day" in out
    assert "line" in out
    code, _, err = run("plan", mine)
    assert code == 2
    assert "horizonday" in err


def test_json_is_json(mine: Path, run: Run) -> None:
    code, out, _ = run("plan", mine, "--json")
    assert code == 0
    assert isinstance(json.loads(out), dict)
    code, out, _ = run("check", mine, "--json")
    assert code == 0
    assert json.loads(out)["findings"] is not None


def test_an_answer_that_cannot_be_used_is_asked_again_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    """Ten answers are not lost over one."""
    prompts: list[str] = []
    wrong = {"Code of the person": "Ada Example", "How many clients": "forty"}

    def answer(prompt: str) -> str:
        prompts.append(prompt)
        found = next((start for start in wrong if prompt.startswith(start)), None)
        return wrong.pop(found) if found else ""

    monkeypatch.setattr("studykit.cli.is_interactive", lambda: True)
    monkeypatch.setattr("builtins.input", answer)
    code, out, _ = run("new", tmp_path / "mine")
    assert code == 0
    assert 'Please try again: expected a whole number from 1; found "forty".' in out
    assert [prompt.startswith("How many clients") for prompt in prompts].count(True) == 2
    assert (tmp_path / "mine" / "protocol.toml").exists()


def test_a_crash_while_making_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    def crash(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device", str(tmp_path / "x"))

    monkeypatch.setattr("studykit.records.writing.write_empty_tables", crash)
    code, _, err = run("new", tmp_path / "mine")
    assert code == 2
    assert "No space left on device" in err
    assert list(tmp_path.iterdir()) == []


def test_receipts_and_kept_codes_are_compared(mine: Path, run: Run, tmp_path: Path) -> None:
    """E14: the ledger is verified; a rewritten end contradicts what was handed out."""
    answer(mine)
    assert run("lock", mine, "--by", "OW", "--yes")[0] == 0
    add_rows(mine, "trainers", {"trainer": "T1", "signed_off_on": "2026-01-10", "observer": "OB"})
    add_ready_client(mine, "C001")
    code, receipt, _ = run("enrol", mine, "C001", "--by", "OW", "--yes")
    assert code == 0
    path = tmp_path / "receipt.txt"
    path.write_text(receipt, encoding="utf-8")
    code, out, _ = run("audit", mine, "--receipt", path)
    assert code == 0
    assert "2 receipts compared" in out
    position = next(
        line.split(":")[1].strip() for line in receipt.splitlines() if line.strip().startswith("entry:")
    )
    code, out, _ = run("audit", mine, "--kept", f"{position} 0000-0000-0000")
    assert code == 1
    assert "as kept elsewhere" in out
    code, _, err = run("audit", mine, "--kept", "nonsense")
    assert code == 2
    assert "code kept elsewhere: expected the number of an entry and its code" in err


def test_a_mistake_of_our_own_is_one_message(mine: Path, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("impossible")

    monkeypatch.setattr(Study, "plan", broken)
    code, _, err = run("plan", mine)
    assert code == 2
    assert "a mistake inside studykit (RuntimeError: impossible)" in err
