"""What the terminal needs: asking, showing progress, printing text that every console can show."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TextIO

from studykit.errors import ArgumentError
from studykit.unseen import visible

_PLAIN = str.maketrans({"–": "-", "—": "-", "…": "...", "×": "x", "≤": "<=", "≥": ">=", "·": "-"})
# A message about these marks must show them as they were typed, wherever the console can.
_TYPED = {"−": "-", "’": "'", "“": '"', "”": '"', "±": "+/-"}


def plain(text: str, *, encoding: str = "ascii") -> str:
    """The text as a console can show it: what nobody sees, and what old consoles lack, is written out.

    Parameters
    ----------
    text : str
    encoding : str
        What the console can show; quotation marks and the minus sign stay as they are where it has them.

    Examples
    --------
    >>> plain("−2 % to 6 % … at most ≤ 10")
    '-2 % to 6 % ... at most <= 10'
    >>> plain("found “1.0”"), plain("found “1.0”", encoding="utf-8")
    ('found "1.0"', 'found “1.0”')
    """
    text = visible(text)
    for mark, written in _TYPED.items():
        if mark in text and not _has(encoding, mark):
            text = text.replace(mark, written)
    return text.translate(_PLAIN)


def _has(encoding: str, mark: str) -> bool:
    try:
        mark.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def is_interactive() -> bool:
    """Whether somebody sits at the keyboard."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty()


def ask(question: str, *, default: str = "", choices: Sequence[str] = (), shortened: bool = False) -> str:
    """One answer from the keyboard; an empty answer takes the default, a wrong one is asked again.

    Capitals do not matter where there are choices; with ``shortened`` the beginning of one of them will do.
    """
    hint = f" ({'/'.join(choices)})" if choices else ""
    suggestion = f" [{default}]" if default else ""
    while True:
        try:
            answer = input(plain(f"{question}{hint}{suggestion}: ")).strip() or default
        except EOFError:
            raise ArgumentError(
                where="keyboard", expected=f"an answer to: {question}", got="the end of the input",
                todo="Run the command in a terminal, or give the answer as an option.",
            ) from None  # fmt: skip
        meant = _choice(answer, choices, shortened=shortened) if choices else answer
        if meant:
            return meant
        print(plain(f"Please answer with {' or '.join(choices)}." if choices else "Please type an answer."))


def _choice(answer: str, choices: Sequence[str], *, shortened: bool) -> str:
    """The one choice that was typed, empty where it is none or could be several."""
    typed = answer.casefold()
    whole = [choice for choice in choices if choice.casefold() == typed]
    begun = [choice for choice in choices if shortened and typed and choice.casefold().startswith(typed)]
    found = whole or begun
    return found[0] if len(found) == 1 else ""


def confirm(question: str) -> bool:
    """A plain yes or no; ``y`` and ``n`` will do."""
    return ask(question, choices=("yes", "no"), shortened=True) == "yes"


@dataclass(slots=True)
class Progress:
    """Steps of a long command: a line that fills in a terminal, else a plain line every 15 s.

    Progress goes to standard error, so that standard output holds the answer only.
    """

    steps: int
    out: TextIO = field(default_factory=lambda: sys.stderr)
    quiet_seconds: float = 15.0
    done: int = 0
    started: float = field(default_factory=time.monotonic)
    spoken: float = field(default_factory=time.monotonic)

    def step(self, what: str) -> None:
        """Say that the next step begins."""
        self.done += 1
        now = time.monotonic()
        if self.out.isatty():
            marks = "=" * self.done + "." * max(0, self.steps - self.done)
            self.out.write("\r" + plain(f"[{marks}] {what:<48}"))
            if self.done >= self.steps:
                self.out.write("\n")
        elif now - self.spoken >= self.quiet_seconds or self.done == 1:
            self.out.write(plain(f"step {self.done} of {self.steps}: {what} ({now - self.started:.0f} s)\n"))
            self.spoken = now
        self.out.flush()


@dataclass(slots=True)
class TrialProgress:
    """Simulated trials done, with the time that is left: a line that fills in a terminal, else every 15 s.

    Progress goes to standard error, so that standard output holds the answer only.
    """

    out: TextIO = field(default_factory=lambda: sys.stderr)
    quiet_seconds: float = 15.0
    spoken: float = field(default_factory=time.monotonic)

    def stage(self, name: str) -> Callable[[int, int], None]:
        """What is told of one stage: trials done, and trials expected."""
        started = time.monotonic()

        def tell(done: int, expected: int) -> None:
            now = time.monotonic()
            left = (now - started) / max(done, 1) * max(expected - done, 0)
            text = f"{name}: {done:,} of {expected:,} studies, about {math.ceil(left)} s left"
            if self.out.isatty():
                end = "\n" if done >= expected else ""
                self.out.write("\r" + plain(f"{text:<78}{end}"))
            elif now - self.spoken >= self.quiet_seconds:
                self.out.write(plain(f"{text}\n"))
                self.spoken = now
            self.out.flush()

        return tell


@contextmanager
def safe_output() -> Iterator[None]:
    """Let a console that lacks a character show a substitute instead of failing."""
    for channel in (sys.stdout, sys.stderr):
        reconfigure = getattr(channel, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    yield
