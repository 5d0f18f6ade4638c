"""How far a simulation is, and the options that go with it."""

from __future__ import annotations

import argparse
import io

import pytest

from studykit import console, options


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_sees_trials_and_the_time_left(monkeypatch) -> None:
    """A quarter done in 3 s: 9 s are left."""
    clock = iter([0.0, 3.0, 12.0])
    monkeypatch.setattr(console.time, "monotonic", lambda: next(clock))
    out = Terminal()
    tell = console.TrialProgress(out=out, spoken=0.0).stage("the planned study")
    tell(250, 1000)
    tell(1000, 1000)
    lines = out.getvalue().split("\r")
    assert lines[1].rstrip() == "the planned study: 250 of 1,000 studies, about 9 s left"
    assert out.getvalue().endswith("\n")


def test_elsewhere_it_is_quiet_until_its_seconds_have_passed() -> None:
    out = io.StringIO()
    tell = console.TrialProgress(out=out, quiet_seconds=1e9).stage("searching")
    tell(1, 2)
    assert out.getvalue() == ""
    tell = console.TrialProgress(out=out, quiet_seconds=0.0).stage("searching")
    tell(1, 2)
    assert out.getvalue().startswith("searching: 1 of 2 studies")


def test_workers_are_a_number_or_an_address() -> None:
    assert options.workers("3") == 3
    assert options.workers("tcp://studio:8786") == "tcp://studio:8786"


@pytest.mark.parametrize("text", ["0", "-2", "many", "1.5"])
def test_other_workers_are_refused(text) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="a number of processes, or an address"):
        options.workers(text)
