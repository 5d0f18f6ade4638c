"""Answers as JSON: results come at the level that their protocol names."""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass

import pytest

from studykit import cli, commands
from studykit.results import Estimate


@dataclass(frozen=True, slots=True)
class Answer:
    """What results have in common: a level, and estimates inside."""

    confidence_level: float
    estimate: Estimate


def test_intervals_are_at_the_level_of_the_results(capsys: pytest.CaptureFixture[str]) -> None:
    estimate = Estimate(1.0, 0.5, 12.0, "residual")
    commands.show(argparse.Namespace(json=True), Answer(0.9, estimate), "")
    shown = json.loads(capsys.readouterr().out)["estimate"]["interval"]
    assert shown["confidence_level"] == 0.9
    assert shown["lower"] == pytest.approx(estimate.confidence_interval(0.9).lower, abs=0.0)


def test_an_unknown_option_points_to_the_help_of_its_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        cli.main(["plan", "my_study", "--persons", "40"])
    assert stopped.value.code == 2
    said = capsys.readouterr().err
    assert said == "studykit plan: there is no option --persons. Try: studykit plan --help\n"
