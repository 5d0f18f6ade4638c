"""Every worked analysis runs as a student would run it, and says what its opening lines promise."""

from __future__ import annotations

import os
import runpy
import subprocess
import sys
from pathlib import Path

import pytest

ANALYSIS = Path(__file__).resolve().parents[2] / "analysis"
SAYS = {
    "01_demo_study.py": (
        "Mixed analysis of variance:",
        "with a missing one are gone",
        "The mixed model used 72 clients",
    ),
    "02_weight_trial.py": ("family compared with control: 8.66 lb", "72 of 72 clients used"),
    "03_depression_trial.py": ("month_8", "computerised]", "log-likelihood -935.746"),
    "04_reaction_times.py": (
        "180 of 180 rows used",
        "10.47 ms (95 % interval 7.21 to 13.73; t with 17.0 degrees of freedom, Kenward-Roger)",
        "Without person 335",
    ),
    "11_sizes_of_designs.py": (
        "the same, 4 machines: 624 | 106 | 44",  # trade facts F3: 584 and 96 by normal quantiles at 0.115
        "both arms one after the other (biased by what lasts): 168 | 30 | 14",
    ),
    "16_own_frame.py": (
        "60 levels of Subject",
        "Group:Time  2.73   2        116.0  .070",  # pingouin's mixed analysis of variance: F 2.73, p .0699
        "Document: ",
    ),
    "17_study_to_write_up.py": ("a table as CSV, HTML and TeX: table_1_baseline", "-2.9861", "near misses"),
    "18_crossover.py": (
        "13 clients; 26 of 26 rows used.",
        "46.6 l/min (22.9 to 70.3), standard error 10.777, t(11) = 4.325",  # Senn 2002, chapter 3
        "Two-sample t test of the differences: 46.6 l/min, t = 4.325",
    ),
    "19_two_sides.py": ("24 clients have scores in both arms", "48 of 48 rows used", "22 degrees of freedom"),
}
WORDS = {"04_reaction_times.py": ("--draws", "100")}


def run(script: Path, *words: str) -> str:
    environment = os.environ | {"MPLBACKEND": "Agg", "OPENBLAS_NUM_THREADS": "1", "PYTHONIOENCODING": "utf-8"}
    root = str(ANALYSIS.parent)
    environment["PYTHONPATH"] = os.pathsep.join([root, environment.get("PYTHONPATH", "")])
    answer = subprocess.run(
        [sys.executable, str(script), *words], capture_output=True, text=True, encoding="utf-8",
        env=environment, check=False, timeout=300, cwd=root,
    )  # fmt: skip
    assert answer.returncode == 0, answer.stderr
    return answer.stdout


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(SAYS))
def test_a_worked_analysis_runs(
    name: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In this process: to start anew and import everything takes longer than most of the scripts."""
    script = str(ANALYSIS / name)
    monkeypatch.setattr(sys, "argv", [script, *WORDS.get(name, ())])
    runpy.run_path(script, run_name="__main__")
    out = capsys.readouterr().out
    for words in SAYS[name]:
        assert words in out


@pytest.mark.slow
@pytest.mark.parametrize("name", ["05_validity_recovery.py", "06_validity_type_one_error.py"])
def test_a_validity_study_runs_in_short_form(name: str) -> None:
    out = run(ANALYSIS / name, "--trials", "6", "--workers", "1")
    assert "trials" in out


@pytest.mark.slow
def test_no_small_trial_fails_or_warns_where_trainers_do_not_differ() -> None:
    """Of 400 trials a row: 5 % with a Monte Carlo error of 1.1 points, of which four are allowed."""
    out = run(ANALYSIS / "07_zero_trainer_variance.py", "--trials", "400")
    lines = [line for line in out.splitlines()[1:] if line]
    assert len(lines) == 10
    for line in lines:
        failed, heard, at_zero, type_one_error = line.split("  ")[5:9]
        assert (failed, heard) == ("0", "0"), line
        assert 0.4 < float(at_zero) < 0.8, line
        assert abs(float(type_one_error) - 0.05) < 4 * 0.011, line


def test_every_script_guards_its_main_part() -> None:
    """joblib's workers start scripts anew on some systems; without the guard they would never end."""
    scripts = sorted(ANALYSIS.glob("[0-9]*.py"))
    assert len(scripts) >= 5
    for script in scripts:
        text = script.read_text(encoding="utf-8")
        assert 'if __name__ == "__main__":' in text, script.name
        assert text.startswith('"""'), script.name
