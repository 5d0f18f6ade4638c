"""The short form of analysis/09_look_back_validity.py: each answer is held to its own truth."""

import subprocess
import sys
from pathlib import Path

import pytest

from analysis.look_back_recovery import STUDIOS, recover

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.slow
@pytest.mark.parametrize("studio", ["trainers move both"])
def test_the_naive_answer_is_biased_and_the_others_are_not(studio):
    """40 studios of 300 clients: bias within four Monte Carlo errors, coverage not surely other than 95 %."""
    rows = {
        row.name: row for row in recover(STUDIOS[studio], range(40), truth_clients=5_000, truth_repeats=3)
    }
    naive = rows.pop("naive, ratio")
    assert naive.bias < -10 * naive.bias_error
    assert naive.coverage.value < 0.1
    for row in rows.values():
        if row.name.startswith("landmark 84"):
            assert row.studios >= 12, row  # few departures are left: many studios are refused, which selects
            continue
        assert row.studios >= 33, row
        assert abs(row.bias) < 4 * row.bias_error, row
        assert row.coverage.side_of(0.95, 0.95) == "open", row


@pytest.mark.slow
def test_the_script_runs_in_short_form():
    answer = subprocess.run(
        [
            sys.executable, "-m", "analysis.09_look_back_validity", "--studios", "4", "--only", "no effect",
            "--double-lives", "1000",
        ],
        capture_output=True, text=True, encoding="utf-8", check=False, timeout=300, cwd=ROOT,
    )  # fmt: skip
    assert answer.returncode == 0, answer.stderr
    assert "biased, as it must be" in answer.stdout
