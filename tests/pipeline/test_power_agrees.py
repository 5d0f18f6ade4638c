"""Simulated power agrees with closed forms: the short version of analysis/10_validity_power.py.

600 studies a design; within three Monte Carlo errors (at most 6 points). Designs are those of the script, so
that script and test cannot drift apart.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parents[2] / "analysis" / "10_validity_power.py"


def script():
    spec = importlib.util.spec_from_file_location("validity_power", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


MODULE = script()
DESIGNS = {design.name: design for design in (*MODULE.strength_designs(), *MODULE.other_designs())}


def test_there_are_ten_designs_or_more() -> None:
    assert len(DESIGNS) >= 10


@pytest.mark.parametrize("name", DESIGNS)
def test_agrees_with_the_closed_form(name) -> None:
    row = MODULE.judged(DESIGNS[name], 600)
    assert row["verdict"] == "agree", row
