"""Long work outside the request: a command in a process of its own, with its progress and an end."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from io import BufferedReader
from itertools import count
from pathlib import Path
from typing import IO

from studykit.errors import ArgumentError

_KEPT = 200_000  # letters of what a command says


@dataclass(slots=True)
class Job:
    """One piece of work.

    Parameters
    ----------
    number : int
    title : str
    page : str
        The page that it makes, inside the study's results.
    by : str
        Code of the person who began it.
    """

    number: int
    title: str
    page: str
    by: str
    process: subprocess.Popen[bytes]
    started: float = field(default_factory=time.monotonic)
    said: bytearray = field(default_factory=bytearray)
    progress: bytearray = field(default_factory=bytearray)

    @property
    def running(self) -> bool:
        """Whether it is at work."""
        return self.process.poll() is None

    @property
    def code(self) -> int | None:
        """How it ended: 0 done, 1 done and something needs attention, 2 refused; below 0 it was stopped."""
        return self.process.returncode

    @property
    def seconds(self) -> int:
        """Since it began."""
        return int(time.monotonic() - self.started)

    @property
    def text(self) -> str:
        """What the command says."""
        return self.said.decode("utf-8", "replace")

    @property
    def lines(self) -> list[str]:
        """Progress and messages."""
        return [
            line for line in self.progress.decode("utf-8", "replace").replace("\r", "\n").splitlines() if line
        ]

    def stop(self) -> None:
        """End it; what stood before stays, since pages are put in place whole."""
        if self.running:
            self.process.terminate()
            try:
                self.process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                self.process.kill()


@dataclass(slots=True)
class Jobs:
    """The work that was begun at this desk; one at a time, since a laptop has few cores."""

    done: dict[int, Job] = field(default_factory=dict)
    _numbers: count[int] = field(default_factory=lambda: count(1))
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, words: Sequence[str], *, title: str, page: str, by: str, cwd: Path) -> Job:
        """Run a command.

        Raises
        ------
        ArgumentError
            If another one is at work.
        """
        with self._lock:
            if any(job.running for job in self.done.values()):
                raise ArgumentError(
                    where=title,
                    expected="one piece of long work at a time",
                    got="another one",
                    todo="Wait for its end, or stop it.",
                )
            # Without an end of the input a question would wait for ever; nothing is asked here.
            process = subprocess.Popen(  # noqa: S603 — our own command line, its words as a list
                [sys.executable, "-m", "studykit.cli", *words], stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=cwd,
                env=os.environ | {"PYTHONIOENCODING": "utf-8", "NO_COLOR": "1"},
            )  # fmt: skip
            job = Job(next(self._numbers), title, page, by, process)
            self.done[job.number] = job
        for pipe, kept in ((process.stdout, job.said), (process.stderr, job.progress)):
            threading.Thread(target=_listen, args=(pipe, kept), daemon=True).start()
        return job

    def close(self) -> None:
        """Stop everything."""
        for job in self.done.values():
            job.stop()


def _listen(pipe: IO[bytes] | None, kept: bytearray) -> None:
    assert isinstance(pipe, BufferedReader)
    with pipe:
        for part in iter(lambda: pipe.read1(4096), b""):
            kept += part
            del kept[:-_KEPT]
