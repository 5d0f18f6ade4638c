"""The command of the desk: a shortcut that starts it, and a desk that is killed in the midst of its work."""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest

from studykit.cli import main
from studykit.desk.serving import free_port
from studykit.desk.shortcut import write_shortcut
from studykit.study import Study
from studykit.study.carrying import Carrier
from studykit.study.journal import Journal

ROOT = Path(__file__).resolve().parents[3]


@pytest.mark.parametrize(
    ("system", "ending"), [("linux", ".desktop"), ("darwin", ".command"), ("win32", ".bat")]
)
def test_a_shortcut_says_the_study_and_the_command(system: str, ending: str, tmp_path: Path) -> None:
    study = tmp_path / "my study 100%"
    path = write_shortcut(tmp_path, study, system=system)
    text = path.read_text(encoding="utf-8")
    assert path.name == f"Front desk of my study 100%{ending}"
    assert "studykit.cli" in text
    if system == "darwin":
        assert shlex.split(text.splitlines()[1])[-2:] == ["desk", str(study)]
    if system == "linux":
        exec_line = next(line for line in text.splitlines() if line.startswith("Exec="))
        assert exec_line.endswith(f'"{study}"'.replace("%", "%%"))


def test_the_command_writes_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path / "nobody"))
    study, _ = Study.demo(tmp_path / "demo")
    assert main(["desk", str(study.folder), "--shortcut"]) == 0
    assert "double-click" in capsys.readouterr().out
    assert len(list(tmp_path.glob("Front desk of demo*"))) == 1
    assert main(["desk", str(tmp_path / "none"), "--shortcut"]) == 2


def test_killed_at_any_moment_every_entry_is_there_once(tmp_path: Path) -> None:
    """In short; kill -9 between answers, the same entries sent again, as a phone's queue does."""
    study, _ = Study.demo(tmp_path / "demo")
    sent: dict[str, str] = {}
    for round_ in range(2):
        port = free_port(8900)
        words = ["desk", str(study.folder), f"--port={port}", "--no-browser"]
        process = subprocess.Popen(
            [sys.executable, "-m", "studykit.cli", *words], stdout=subprocess.PIPE, cwd=ROOT,
            env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        assert process.stdout is not None
        address = process.stdout.readline().decode().split()[-1]
        base = address.split("/enter")[0]
        with httpx.Client(headers={"origin": base}, timeout=60.0) as phone:
            for _ in range(200):
                try:
                    phone.get(address)
                    break
                except httpx.TransportError:
                    time.sleep(0.2)
            for number in range(round_ * 4, round_ * 4 + 6):  # the last two of a round come again in the next
                day = f"2027-01-{number + 1:02}"
                form = {"pauses.0.client": "C002", "pauses.0.first_day": day, "pauses.0.last_day": day}
                answer = phone.post(
                    f"{base}/log/pauses", data=form, headers={"idempotency-key": f"{number:032x}"}
                )
                assert answer.status_code == (200 if day in sent else 201)
                sent[day] = day
            os.kill(process.pid, signal.SIGKILL)
        process.wait()
        process.stdout.close()
    journal = Journal(study.folder)
    assert Carrier(study.folder, journal).carry(study.protocol) == {}
    days = [one.cells["first_day"] for entry in journal.entries() for one in entry.rows]
    table = (study.folder / "records" / "pauses.csv").read_text()
    assert days == sorted(sent)
    assert [table.count(f"C002,{day},") for day in days] == [1] * 10
    assert Study(study.folder).audit().passed
