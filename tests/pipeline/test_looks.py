"""A planned look from the owner's side: locked with its rule, taken, judged at its own level, reported."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.errors import ProtocolError
from studykit.report.wording import text_of
from studykit.study import Study
from tests.pipeline.test_methods import BLOCKS, CLIENTS, add_rows, edit, ready_study, strength_rows, today

RULE = ('look_rule = ""', 'look_rule = "SR looks after half of the tests; OW decides"')


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory: pytest.TempPathFactory) -> Study:
    study = ready_study(tmp_path_factory.mktemp("looks") / "mine", BLOCKS)
    edit(study, ("planned_looks = 0", "planned_looks = 1"))
    with pytest.raises(ProtocolError, match="oversight, look_rule: expected who looks, who decides"):
        study.lock(by="OW")
    edit(study, RULE)
    study.lock(by="OW")
    for number, (client, _, _) in enumerate(CLIENTS):
        arm = study.enrol(client, by="OW").arm
        load = (
            (60.0 + 3 * (7 * number % 12)) * (1.5 if arm == "partner_reps" else 1.1) * (1 + number % 3 / 50)
        )
        rows = strength_rows(study, client, visit="week_12", day=today(84), load=load)
        add_rows(study.folder, "strength", *rows)
        session = {"client": client, "date": today(82), "trainer": "T1", "status": "attended"}
        add_rows(study.folder, "sessions", session)
    return study


def test_the_plan_shows_what_the_look_takes(looked_at: Study) -> None:
    plan = looked_at.plan()
    assert plan.looks is not None
    assert [round(look.critical, 4) for look in plan.looks.boundaries] == [2.9626, 1.9686]
    assert plan.alpha == pytest.approx(0.0490, abs=5e-5)


def test_the_look_is_logged_and_judged_at_its_own_level_and_the_next_one_decides_nothing(
    looked_at: Study, tmp_path: Path
) -> None:
    """F20: X30 gives .0031 at a look halfway; a second look was not planned."""
    first = looked_at.analyse(look_by="SR", look_reason="planned look")
    (decision,) = first.decisions
    assert "two-sided level 0.305 % at look 1 of 1 planned" in decision.rule
    assert decision.rejected == (decision.p_value <= 0.00305)
    assert len(looked_at.looks()) == 1
    second = looked_at.analyse(look_by="OW", look_reason="curious")
    assert second.decisions == ()
    page = text_of(looked_at.save(second).read_text(encoding="utf-8")).replace("\u00a0", " ")
    assert "SR\tplanned look\tplanned, decides at 0.31 %" in page
    assert "OW\tcurious\tnot planned; decides nothing" in page
    assert "two arms that are alike come out as different" in page
