"""Nothing that a reader sees moves unseen: numbers to nine digits, pages line by line.

Where a change is meant, ``python -m tests.pipeline.golden`` writes it anew and the commit says why.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.pipeline.golden import CASES, FOLDER, stored

RELATIVE, ABSOLUTE = 1e-8, 1e-9  # searches stop at a relative 1e-9; sums of long series add rounding


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(CASES))
def test_as_before(name: str, tmp_path: Path) -> None:
    before, now = stored(name), CASES[name](tmp_path)
    assert now.numbers.keys() == before.numbers.keys()
    moved = {
        place: (value, now.numbers[place])
        for place, value in before.numbers.items()
        if not math.isclose(value, now.numbers[place], rel_tol=RELATIVE, abs_tol=ABSOLUTE)
        and not (math.isnan(value) and math.isnan(now.numbers[place]))
    }
    assert not moved
    assert now.page == before.page


def test_every_case_has_a_yardstick() -> None:
    assert {path.stem for path in FOLDER.glob("*.json")} == set(CASES)
