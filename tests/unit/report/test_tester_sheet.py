"""The tester's sheet tells no arm: the same client in the other arm has the same page, byte for byte."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pytest

from studykit.outcomes.visit_day import visit_day
from studykit.report.tester_sheet import save_tester_sheet
from studykit.study import Study


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return Study.demo(tmp_path_factory.mktemp("tester") / "demo")[0]


@pytest.mark.parametrize("days", [0, 42, 84])
def test_the_other_arm_has_the_same_sheet(demo: Study, tmp_path: Path, days: int) -> None:
    now = demo.read()
    arms = {made.arm for made in now.allocated}
    assert len(arms) == 2
    for made in now.allocated[:6]:
        assert made.allocated_on is not None
        today = made.allocated_on + dt.timedelta(days=days)
        pages = []
        for arm in sorted(arms):
            turned = tuple(replace(one, arm=arm) if one is made else one for one in now.allocated)
            day = visit_day(now.protocol, now.records, client=made.client, allocated=turned, today=today)
            pages.append(save_tester_sheet(day, now.protocol, tmp_path / arm).read_bytes())
        assert pages[0] == pages[1]
        assert made.client.encode() in pages[0]
