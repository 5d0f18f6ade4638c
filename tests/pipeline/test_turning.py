"""Crossover, two sides of a client, stepped roll-out: from a ready protocol to the report."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from studykit.protocol.within_client import allocated_name
from studykit.study import Study
from studykit.study.session_sheets import write_sheet
from tests.pipeline.simulated_study import ready_protocol
from tests.pipeline.test_methods import add_rows, edit, strength_rows, today
from tests.pipeline.turning_study import FIRST, turning_study
from tests.support.answered import answer

Run = Callable[..., tuple[int, str, str]]
CLIENTS = {"crossover": 24, "limbs": 24, "stepped": 36}
EFFECT = 0.05


@pytest.fixture(scope="module", params=CLIENTS)
def done(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Study:
    design = request.param
    folder = tmp_path_factory.mktemp(design) / "study"
    return turning_study(folder, ready_protocol(design), clients=CLIENTS[design], effect=EFFECT, seed=4)


def test_the_whole_study_is_analysed_within_clients(done: Study) -> None:
    """E09: what was drawn is an order, a side or a step; every client is in both arms."""
    assert done.check().needs_attention is False
    assert done.audit().passed
    results = done.analyse()
    assert results.randomised
    assert results.retention is None
    answer = results.strength.primary
    assert "within clients" in answer.method
    interval = answer.confidence_interval(0.999)
    assert interval.lower < math.exp(EFFECT) < interval.upper, "the truth, by an interval that seldom misses"
    assert any("clients have scores in both arms" in remark for remark in answer.remarks)
    (again,) = results.rerandomisation
    assert again.interval is not None
    assert again.smallest_p_value <= again.p_value <= 1.0
    number = CLIENTS[done.protocol.design]
    assert [arm.clients for arm in results.harms.arms] == [number, number], "each client once in each arm"
    assert [arm.arm for arm in results.delivery.arms] == ["conventional", "partner_reps"]
    assert sum(arm.allocated for arm in results.flow.arms) == number
    page = done.save(results).read_text(encoding="utf-8")
    assert "Clients were analysed in the arm they were allocated to" not in page
    assert "every client is in both arms" in page
    over = {"crossover": "both periods together", "limbs": "one side against the other"}
    assert over.get(done.protocol.design, "all periods together") in page
    remark = {"crossover": "must not choose the analysis", "limbs": "passes to the other"}
    assert remark.get(done.protocol.design, "go over at different times") in page


def test_the_sheet_follows_the_day_and_the_side(done: Study) -> None:
    """A client is told the arm of the day; of two sides, the side with partner reps."""
    protocol = done.protocol
    made = done.allocated()
    if protocol.design == "limbs":
        mine = next(entry for entry in made if entry.arm == "dominant_partner_reps")
        plan = write_sheet(done.read(), mine.client, today=FIRST + dt.timedelta(days=3)).plan
        side = mine.factors["dominant"]
        assert plan.exercises == (f"leg extension, {side}", f"leg curl, {side}")
        assert len(plan.other_exercises) == 2
        return
    late = 100 if protocol.design == "crossover" else 130
    code = "partner_reps_then_conventional" if protocol.design == "crossover" else "step_3"
    mine = next(entry for entry in made if entry.arm == code)
    first = write_sheet(done.read(), mine.client, today=FIRST + dt.timedelta(days=3)).plan.arm
    then = write_sheet(done.read(), mine.client, today=FIRST + dt.timedelta(days=late)).plan.arm
    assert first != then
    if protocol.design == "crossover":
        assert (
            write_sheet(done.read(), mine.client, today=FIRST + dt.timedelta(days=60)).plan.arm
            == "conventional"
        )


def _study_with_clients(folder: Path, design: str, run: Run) -> Study:
    """Nine clients, ready to be enrolled, of nine trainers; nothing is locked yet."""
    assert run("new", folder, "--design", design, "--defaults")[0] == 0
    code, out, _ = run("check", folder)
    assert code == 0, out
    answer(folder)
    study = Study.open(folder)
    for number in range(1, 10):
        add_rows(folder, "trainers", {"trainer": f"T{number}", "signed_off_on": "2026-01-02"})
        client = f"C{number:02d}"
        add_rows(folder, "screening", {
            "client": client, "date": today(-3), "eligible": "yes", "cleared": "yes", "consented": "yes",
            "touch_consented": "yes", "consent_date": today(-3)})  # fmt: skip
        own = {"client": client, "trainer": f"T{number}", "age": "40", "sex": "female"}
        add_rows(folder, "clients", {**own, **({"dominant": "right"} if design == "limbs" else {})})
        rows = strength_rows(study, client, visit="baseline", day=today(-2), load=60.0)
        add_rows(folder, "strength", *rows)
    return study


@pytest.mark.parametrize("design", CLIENTS)
def test_a_new_study_can_be_locked_and_enrolled(design: str, tmp_path: Path, run: Run) -> None:
    """By commands: what is drawn is named, and the receipt carries it."""
    folder = tmp_path / "mine"
    study = _study_with_clients(folder, design, run)
    assert run("lock", folder, "--by", "OW", "--yes")[0] == 0
    if design == "stepped":
        code, out, err = run("trainers", folder, "--by", "OW", "--yes")
        assert code == 0, err
        assert "of 280 ways to divide the trainers" in out  # 9! / (3! 3! 3! 3!)
    code, out, err = run("enrol", folder, "C01", "--by", "OW", "--yes")
    assert code == 0, err
    drawn = next(line.split(":")[1].strip() for line in out.splitlines() if line.strip().startswith("arm:"))
    assert drawn in study.protocol.allocated_codes
    assert run("audit", folder)[0] == 0


@pytest.mark.parametrize("design", ["crossover", "limbs"])
def test_an_outsiders_list_names_what_is_drawn(design: str, tmp_path: Path, run: Run) -> None:
    """E01: slips name the order of the arms, or the side that gets each, and record it."""
    folder = tmp_path / "mine"
    study = _study_with_clients(folder, design, run)
    code, out, err = run("seal", folder, "--to", tmp_path / "outsider", "--slips", 4)
    assert code == 0, err
    line = next(line.strip() for line in out.splitlines() if "sealed_list =" in line)
    edit(study, ("[allocation]\n", f"[allocation]\n{line}\n"))
    (folder / "sealed_list.json").write_bytes((tmp_path / "outsider" / "sealed_list.json").read_bytes())
    assert run("lock", folder, "--by", "OW", "--yes")[0] == 0
    code, out, err = run("enrol", folder, "C01", "--by", "OW", "--yes")
    assert code == 0, err
    number = re.findall(r"Open envelope (\d+) now", out)[0]
    page = (tmp_path / "outsider" / "slips.html").read_text(encoding="utf-8")
    slip = page.split(f"<p>Slip {number}</p>")[1]
    arm, word = (re.findall(pattern, slip)[0] for pattern in (r"<p>(\w+)\. Type", r'class="word">(.*?)<'))
    assert allocated_name(study.protocol, arm) in slip.split("Type this word")[0]
    code, out, err = run("enrol", folder, "C01", "--by", "OW", "--slip", word)
    assert code == 0, err
    assert f"arm:    {arm}" in out
