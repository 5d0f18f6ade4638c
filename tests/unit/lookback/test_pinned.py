"""No number of a look back moves without anybody noticing."""

from __future__ import annotations

import json

import pytest

from studykit.lookback.look_back_results import LookBack
from tests.unit.lookback.pinned import PLACE, looks, numbers

PINNED = json.loads(PLACE.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def found() -> dict[str, LookBack]:
    return looks()


@pytest.mark.parametrize("name", PINNED)
def test_every_number_of_the_answer(name: str, found: dict[str, LookBack]) -> None:
    """To 1 in 100,000, since fits on other machines end at most some 1e-7 apart."""
    now, before = numbers(found[name]), PINNED[name]
    assert list(now) == list(before)
    for place, value in before.items():
        assert now[place] == pytest.approx(value, rel=1e-5, abs=1e-8), place
