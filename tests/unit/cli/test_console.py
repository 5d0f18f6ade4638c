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


def test_progress_elsewhere_is_quiet_until_its_seconds_have_passed(monkeypatch: pytest.MonkeyPatch) -> None:
    """It speaks at the first step, then 15 s after it last spoke, to the second."""
    clock = iter([103.0, 117.9, 118.0, 132.9, 133.0])
    monkeypatch.setattr(console.time, "monotonic", lambda: next(clock))
    out = io.StringIO()
    progress = console.Progress(5, out=out, started=100.0, spoken=100.0)
    for what in ("one", "two", "three", "four", "five"):
        progress.step(what)
    assert out.getvalue().splitlines() == [
        "step 1 of 5: one (3 s)",
        "step 3 of 5: three (18 s)",
        "step 5 of 5: five (33 s)",
    ]


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
    assert list(answers) == [], "the shortened answer was asked again"
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


@pytest.mark.parametrize(
    ("encoding", "shown"),
    [("utf-8", "“1,0”"), ("cp1252", "“1,0”"), ("cp437", '"1,0"'), ("a console without a name", '"1,0"')],
)
def test_marks_that_were_typed_are_shown_where_the_console_has_them(encoding: str, shown: str) -> None:
    """Ask 7.4: a message on curly quotation marks that shows straight ones would mislead."""
    assert console.plain("found “1,0” …", encoding=encoding) == f"found {shown} ..."


def test_each_mark_is_judged_for_itself() -> None:
    """The old console of the studio has the plus-minus sign and no minus sign or curly quotation marks."""
    assert console.plain("−2 ’a’ “b” ± 1", encoding="cp437") == "-2 'a' \"b\" ± 1"
    assert console.plain("1–2 — a×b ≤ 3 ≥ 2 · …") == "1-2 - axb <= 3 >= 2 - ..."


class Stream:
    def __init__(self, somebody: bool) -> None:
        self.somebody = somebody

    def isatty(self) -> bool:
        return self.somebody


@pytest.mark.parametrize(
    ("keyboard", "screen", "there"),
    [(True, True, True), (True, False, False), (False, True, False), (None, True, False)],
)
def test_somebody_sits_there_with_keyboard_and_screen(
    monkeypatch: pytest.MonkeyPatch, keyboard: bool | None, screen: bool, there: bool
) -> None:
    monkeypatch.setattr(console.sys, "stdin", None if keyboard is None else Stream(keyboard))
    monkeypatch.setattr(console.sys, "stdout", Stream(screen))
    assert console.is_interactive() is there


def test_a_question_shows_its_choices_and_its_default(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []
    answers = iter(["", "day", ""])

    def typed(prompt: str) -> str:
        asked.append(prompt)
        return next(answers)

    monkeypatch.setattr("builtins.input", typed)
    assert console.ask("Which?", default="month", choices=("day", "month")) == "month"
    assert console.ask("Which?", choices=("day", "month")) == "day"
    assert console.ask("Who?", default="OW") == "OW"
    assert asked == ["Which? (day/month) [month]: ", "Which? (day/month): ", "Who? [OW]: "]


def test_a_beginning_that_fits_several_choices_is_asked_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = iter(["n", "", "no s"])
    monkeypatch.setattr("builtins.input", lambda _prompt: next(answers))
    choices = ("no show", "not known")
    assert console.ask("What does it mean?", choices=choices, shortened=True) == "no show"
    assert capsys.readouterr().out == "Please answer with no show or not known.\n" * 2


def test_an_answer_without_choices_is_needed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = iter(["", " T1 "])
    monkeypatch.setattr("builtins.input", lambda _prompt: next(answers))
    assert console.ask("Which trainer?") == "T1"
    assert capsys.readouterr().out == "Please type an answer.\n"
