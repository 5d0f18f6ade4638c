"""Asking, progress and plain text."""

from __future__ import annotations

import io

import pytest

from studykit import console
from studykit.errors import ArgumentError


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_fills_a_line_in_a_terminal() -> None:
    out = Terminal()
    progress = console.Progress(2, out=out)
    progress.step("reading")
    progress.step("writing")
    text = out.getvalue()
    assert "[=.] reading" in text
    assert "[==] writing" in text
    assert text.endswith("\n")


def test_progress_elsewhere_is_quiet_until_its_seconds_have_passed() -> None:
    out = io.StringIO()
    progress = console.Progress(3, out=out, quiet_seconds=1e9)
    for what in ("one", "two", "three"):
        progress.step(what)
    assert out.getvalue().splitlines() == ["step 1 of 3: one (0 s)"]


def test_progress_elsewhere_speaks_after_its_seconds() -> None:
    out = io.StringIO()
    progress = console.Progress(2, out=out, quiet_seconds=0.0)
    progress.step("one")
    progress.step("two")
    assert len(out.getvalue().splitlines()) == 2


def test_a_wrong_answer_is_asked_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = iter(["maybe", "", "yes"])
    monkeypatch.setattr("builtins.input", lambda _prompt: next(answers))
    assert console.confirm("Draw now?") is True
    assert "Please answer with yes or no." in capsys.readouterr().out


@pytest.mark.parametrize(("typed", "meant"), [("y", True), ("Yes", True), ("N", False), ("no", False)])
def test_the_beginning_of_a_plain_answer_will_do(
    monkeypatch: pytest.MonkeyPatch, typed: str, meant: bool
) -> None:
    monkeypatch.setattr("builtins.input", lambda _prompt: typed)
    assert console.confirm("Draw now?") is meant


def test_choices_are_typed_in_full_in_any_capitals(monkeypatch: pytest.MonkeyPatch) -> None:
    """A shortened code of an arm could be a slip; one that fits several is never guessed."""
    answers = iter(["day", "Day first"])
    monkeypatch.setattr("builtins.input", lambda _prompt: next(answers))
    assert console.ask("How are dates written?", choices=("day first", "month first")) == "day first"
    answers = iter(["no", "not known"])
    choices = ("no show", "not known")
    assert console.ask("What does it mean?", choices=choices, shortened=True) == "not known"


def test_an_empty_answer_takes_the_default(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("builtins.input", lambda _prompt: "  ")
    assert console.ask("How many clients?", default="40") == "40"


def test_the_end_of_the_input_is_one_clear_message(monkeypatch: pytest.MonkeyPatch) -> None:
    def ended(_prompt: str) -> str:
        raise EOFError

    monkeypatch.setattr("builtins.input", ended)
    with pytest.raises(
        ArgumentError, match="keyboard: expected an answer to: Your code; found the end of the input"
    ):
        console.ask("Your code")


@pytest.mark.parametrize(("encoding", "shown"), [("utf-8", "“1,0”"), ("cp1252", "“1,0”"), ("cp437", '"1,0"')])
def test_marks_that_were_typed_are_shown_where_the_console_has_them(encoding: str, shown: str) -> None:
    """Ask 7.4: a message on curly quotation marks that shows straight ones would mislead."""
    assert console.plain("found “1,0” …", encoding=encoding) == f"found {shown} ..."
