"""A terminal for people who met it today: each slip of the first days from the shell, and what it answers."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from studykit.cli import main
from studykit.protocol.protocol_file import parse_protocol
from studykit.study import Study
from tests.pipeline.test_owner import add_ready_client, add_rows
from tests.support.answered import answer

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """A command; where answers are given, somebody sits at the keyboard and gives them in order."""

    def call(*words: str | Path, answers: dict[str, list[str]] | None = None) -> tuple[int, str, str]:
        waiting = {start: iter(told) for start, told in (answers or {}).items()}

        def typed(prompt: str) -> str:
            queue: Iterator[str] = next((q for s, q in waiting.items() if prompt.startswith(s)), iter(()))
            return next(queue, "")

        monkeypatch.setattr("studykit.commands.is_interactive", lambda: answers is not None)
        monkeypatch.setattr("builtins.input", typed)
        try:
            code = main([str(word) for word in words])
        except SystemExit as stop:
            code = int(stop.code or 0)
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return call


@pytest.fixture
def mine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A new study in the folder that the terminal stands in."""
    monkeypatch.chdir(tmp_path)
    return Study.create("mine").folder


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("enroll mine C1 --by OW", "expected a command; found enroll. Is enrol meant?"),
        ("analyze mine", "expected a command; found analyze. Is analyse meant?"),
        ("enrol mine C001 C002 --by OW", "found C002, one word too many."),
        ("plan mine --cleints 40", "there is no option --cleints. Is --clients meant?"),
        ("plan mine --clients many", "--clients: expected a whole number; found many."),
        ("enrol mine", "expected CLIENT as well; found nothing there."),
        ("enrol mine C001 --by", "expected something after --by; found nothing."),
        ("note mine --what move --reason x --by OW", "found move. Is moved meant?"),
        ("plan mein", "found nothing of that name. Studies nearby: mine."),
        ("check mine/records", "expected a file protocol.toml in it; found none. Studies nearby: mine."),
        ("lock mine", "studykit lock: expected your code, with --by; found none."),
        ("lock mine", "the protocol's roles have OW, RE, TE"),
        ("new mine", "expected a new folder; found one that holds something already."),
    ],
)  # fmt: skip
def test_a_slip_is_met_by_what_to_do(words: str, told: str, mine: Path, run: Run) -> None:
    code, _, err = run(*words.split())
    assert code == 2
    assert told in err


def test_new_checks_each_answer_as_it_is_given(tmp_path: Path, run: Run) -> None:
    """Two clients were taken, and all answers lost at the end; a list with semicolons became one machine."""
    code, out, err = run(
        "new", tmp_path / "mine",
        answers={"How many clients": ["2", "forty", "40"], "Machines": ["press;", "press; row"],
                 "After how many weeks": ["900", "52"], "Title": ["Ours"]},
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert "Please try again: expected a whole number, at least 4" in out
    assert out.count("Please try again") == 3
    protocol = Study.open(tmp_path / "mine").protocol
    assert protocol.study.title == "Ours"
    assert [exercise.code for exercise in protocol.exercises] == ["press"]
    assert "52 weeks" in protocol.study.question


def test_answers_before_a_stop_are_offered_again(
    tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C amid the questions: kept beside the folder to be, and gone once the study is made."""

    def stopped(prompt: str) -> str:
        if prompt.startswith("After how many weeks"):
            raise KeyboardInterrupt
        given = {"Title": "Ours", "How many clients": "52"}
        return next((told for start, told in given.items() if prompt.startswith(start)), "")

    call, prompts = run, []
    monkeypatch.setattr("studykit.commands.is_interactive", lambda: True)
    monkeypatch.setattr("builtins.input", stopped)
    assert main(["new", str(tmp_path / "mine")]) == 2
    assert not (tmp_path / "mine").exists()
    kept = tmp_path / ".mine.answers.json"
    assert json.loads(kept.read_text(encoding="utf-8"))["title"] == "Ours"
    monkeypatch.setattr("builtins.input", lambda prompt: prompts.append(prompt) or "")
    assert main(["new", str(tmp_path / "mine")]) == 0
    assert "Title of the study [Ours]: " in prompts
    assert "How many clients can take part, in both arms together [52]: " in prompts
    protocol = Study.open(tmp_path / "mine").protocol
    assert (protocol.study.title, protocol.planning.clients) == ("Ours", 52)
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]
    kept = tmp_path / ".other.answers.json"
    for damaged in ("{", "[1]", '{"clients": "2", "title": 3}'):  # nothing in it, or an answer that cannot be
        kept.write_text(damaged, encoding="utf-8")
        code, out, _ = call("new", tmp_path / "other", answers={"How many clients": ["40"]})
        assert code == 0, out
        assert not kept.exists()
        assert Study.open(tmp_path / "other").protocol.study.title != "Ours"
        shutil.rmtree(tmp_path / "other")


def test_a_taken_place_is_said_before_the_questions(mine: Path, run: Run) -> None:
    code, out, err = run("new", mine, answers={})
    assert (code, out) == (2, "")
    assert "holds something already" in err


def test_an_answer_that_cannot_stand_names_no_file(tmp_path: Path) -> None:
    """From Python too: nothing has been written that a line number could be of."""
    with pytest.raises(ValueError, match=r"^answers: expected a whole number, at least 4") as refused:
        Study.create(tmp_path / "mine", answers={"clients": "2"})
    assert "protocol.toml" not in str(refused.value)
    assert list(tmp_path.iterdir()) == []


def test_the_code_is_asked_from_the_roles_that_exist(mine: Path, run: Run) -> None:
    answer(mine)
    code, out, _ = run("lock", mine, answers={"Your code": ["ZZ", "ow"], "After the lock": ["yes"]})
    assert code == 0
    assert "Please answer with OW or RE or TE or SR." in out
    assert Study.open(mine).read().entries[-1].by == "OW"


def test_sheets_of_two_clients_in_one_command(mine: Path, run: Run) -> None:
    answer(mine)
    Study.open(mine).lock(by="OW")
    add_rows(mine, "trainers", {"trainer": "T1", "signed_off_on": "2026-01-10", "observer": "OB"})
    for client in ("C001", "C002"):
        add_ready_client(mine, client)
        Study.open(mine).enrol(client, by="OW")
    code, out, err = run("sheet", mine, "C001", "C002")
    assert code in (0, 1), err
    assert [out.count(f"{client}.html") for client in ("C001", "C002")] == [1, 1]
    code, _, err = run("sheet", mine, "C1", "C05")
    assert code == 2
    assert "Is C001 meant?" in err
    code, _, err = run("sheet", mine, "C9")
    assert "meant" not in err  # another number is another person


def test_the_whole_protocol_can_be_read(mine: Path, run: Run) -> None:
    code, out, _ = run("whole", mine)
    assert code == 0
    assert parse_protocol(out).digest == Study.open(mine).read().read.digest
