"""The tester's sheet tells no arm: the same client in the other arm has the same page, byte for byte."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pytest

from studykit.outcomes.visit_day import visit_day
from studykit.report.tester_sheet import save_tester_sheet
from studykit.study import Study
from tests.support.reading_ease import ease_of, page_texts


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


def test_the_testers_sheet_is_easily_read(demo: Study, tmp_path: Path) -> None:
    """At most 15 words a sentence on average, 25 at most, index at most 8; the owner's text is quoted."""
    now, today = demo.read(), dt.date(2025, 9, 1)
    day = visit_day(now.protocol, now.records, client="C003", allocated=now.allocated, today=today)
    page = save_tester_sheet(day, now.protocol, tmp_path).read_text(encoding="utf-8")
    assert "<blockquote>After a warm-up, at most four attempts" in page
    ease = ease_of(page_texts(page))
    assert (ease.most <= 25, ease.average <= 15, ease.index <= 8) == (True, True, True), ease
