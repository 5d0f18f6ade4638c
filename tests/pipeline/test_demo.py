"""`studykit demo` takes the demo study through every stage; a crash on the way leaves the folder whole."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from studykit.study import Study

ENVIRONMENT = os.environ | {"MPLBACKEND": "Agg", "OPENBLAS_NUM_THREADS": "1", "PYTHONIOENCODING": "utf-8"}
ROOT = Path(__file__).resolve().parents[2]


def command(*words: str, folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    return subprocess.run(
        [sys.executable, "-m", "studykit.cli", *words], cwd=folder, capture_output=True, text=True,
        encoding="utf-8", errors="replace", check=False, timeout=300,
        env=ENVIRONMENT | {"PYTHONPATH": paths} | environment,
    )  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    folder = tmp_path_factory.mktemp("a fresh folder")
    return folder, command("demo", folder=folder)


@pytest.mark.slow
def test_the_demo_runs_and_says_what_it_found(made: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    folder, answer = made
    assert answer.returncode == 0, answer.stderr
    for words in (
        "Planned:",
        "Records: in order",
        "Ledger: Nothing is wrong",
        "Still training",
        "Report: demo_study",
    ):
        assert words in answer.stdout
    assert "step 1 of 6" in answer.stderr  # progress, where nobody sits at a terminal
    results = folder / "demo_study" / "results"
    page = (results / "report.html").read_text(encoding="utf-8")
    assert page.count("<script") == 1  # our own, which unfolds the page for paper
    assert not re.search(r'(src|href)="https?:', page)


@pytest.mark.slow
def test_the_saved_results_are_those_of_the_analysis(
    made: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    folder, _ = made
    saved = json.loads((folder / "demo_study" / "results" / "results.json").read_text(encoding="utf-8"))
    results = Study.open(folder / "demo_study").analyse()
    text = json.dumps(saved)
    for number in (
        results.strength.primary.estimate.value,
        results.strength.primary.confidence_interval().lower,
    ):
        assert repr(number)[:15] in text
    assert len(results.rerandomisation) == 2
    for test in results.rerandomisation:
        assert 0.0 < test.smallest_p_value <= test.p_value <= 1.0


@pytest.mark.slow
def test_running_it_again_says_so_and_changes_no_figure(
    made: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    """Same input, same bytes: tables and figures of a second run are identical."""
    folder, _ = made
    results = folder / "demo_study" / "results"
    files = [path for kind in ("figures", "tables") for path in (results / kind).iterdir()]
    before = {path: path.read_bytes() for path in files if path.stem != "provenance"}  # that one has the time
    assert len(before) > 10
    again = command("demo", folder=folder)
    assert again.returncode == 0, again.stderr
    assert "holds the demo study already" in again.stdout
    assert {path: path.read_bytes() for path in before} == before


@pytest.mark.slow
def test_another_folder_in_the_way_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "demo_study").mkdir()
    (tmp_path / "demo_study" / "mine.txt").write_text("keep", encoding="utf-8")
    answer = command("demo", folder=tmp_path)
    assert answer.returncode == 2
    assert "expected a free name" in answer.stderr
    assert (tmp_path / "demo_study" / "mine.txt").read_text(encoding="utf-8") == "keep"


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL on this system")
@pytest.mark.parametrize(
    ("seen", "run_again"),
    [("*", False), ("demo_study/results/plan*", True), ("demo_study/results/report.html", False)],
)
def test_a_kill_in_the_middle_leaves_the_study_readable(tmp_path: Path, seen: str, run_again: bool) -> None:
    """Killed as soon as something is there, so in the same place on a quick and on a slow machine."""
    process = subprocess.Popen(
        [sys.executable, "-m", "studykit.cli", "demo"], cwd=tmp_path,
        env=ENVIRONMENT | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    while process.poll() is None and not any(tmp_path.glob(seen)):
        time.sleep(0.01)
    process.send_signal(signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL, "it was over before anything was seen"
    target = tmp_path / "demo_study"
    if target.exists():  # it appears only when it is whole
        study = Study.open(target)
        assert study.audit().passed
        assert study.check().progress is not None
        report = target / "results" / "report.html"
        if report.exists():
            assert report.read_text(encoding="utf-8").rstrip().endswith("</html>")
    if run_again:
        again = command("demo", folder=tmp_path)
        assert again.returncode == 0, again.stderr


@pytest.mark.slow
def test_an_old_console_gets_plain_letters(made: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    folder, _ = made
    answer = command("plan", "demo_study", folder=folder, PYTHONIOENCODING="cp1252", NO_COLOR="1")
    assert answer.returncode == 0, answer.stderr
    assert "\x1b[" not in answer.stdout


def test_help_comes_at_once_and_loads_nothing_heavy() -> None:
    code = (
        "import sys; from studykit.cli import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'pydantic', 'statsmodels'} & set(sys.modules)\n"
        "sys.exit(len(heavy))"
    )
    answer = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert answer.returncode == 0, answer.stdout
    assert "demo" in answer.stdout
