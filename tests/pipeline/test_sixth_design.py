"""A design is data: a crossover of trainers, registered here only, goes from the lock to the report."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, cast

import numpy as np
import pytest

from studykit.errors import ProtocolError
from studykit.kinds.continuous.planning import ContinuousPlan
from studykit.planning.simulation import simulate_study
from studykit.planning.within import schedule_error
from studykit.protocol.designs import DESIGNS
from studykit.protocol.protocol_file import ReadProtocol, parse_protocol
from studykit.protocol.rules import lock_findings
from studykit.shipped import shipped
from studykit.study import Study
from tests.pipeline.simulated_study import ready_protocol
from tests.pipeline.turning_study import turning_study

CROSSOVER = DESIGNS["crossover"]
SIXTH = replace(
    CROSSOVER,
    word="cluster crossover",
    unit="trainer",
    deliver="both arms",
    words=replace(
        CROSSOVER.words,
        title="crossover of two periods over trainers, the order allocated",
        redrawn="the trainers' orders",
    ),
)
CHANGES = (
    ('design = "crossover"', f'design = "{SIXTH.word}"'),
    ('method = "permuted blocks"\nblock_sizes = [2, 4]\nstrata = ["trainer"]',
     'method = "trainers together"\nkept_share = 1.0'),
    ("trainers = 3\n", "trainers = 9\n"),
    ("clients = 24 ", "clients = 36 "),
)  # fmt: skip
EFFECT = 0.05


@pytest.fixture(scope="module", autouse=True)
def sixth() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(cast("dict[str, Any]", DESIGNS), SIXTH.word, SIXTH)
        yield


@pytest.fixture(scope="module")
def read(sixth: None) -> ReadProtocol:
    return ready_protocol("crossover", *CHANGES)


@pytest.fixture(scope="module")
def done(read: ReadProtocol, tmp_path_factory: pytest.TempPathFactory) -> Study:
    folder = tmp_path_factory.mktemp("sixth") / "study"
    return turning_study(folder, read, clients=36, effect=EFFECT, seed=4)


def test_it_can_be_locked_and_its_rules_follow_from_its_facts(read: ReadProtocol) -> None:
    assert [item for item in lock_findings(read.protocol, text=read.text) if item.severity == "stop"] == []
    for (old, new), said in (
        (("trainers = 9\n", "trainers = 3\n"), "at least 4, two for each order"),
        (('deliver = "both arms"', 'deliver = "one arm"'), '"both arms", one after the other'),
        (('visit = "end_2"', 'visit = "end_1"'), "a test at the end of its period"),
        (('trainers together"\nkept_share = 1.0', 'simple"'), "the orders are drawn for trainers"),
    ):
        assert old in read.text
        with pytest.raises(ProtocolError, match=said):
            parse_protocol(read.text.replace(old, new, 1))


def test_it_is_allocated_checked_analysed_and_reported(done: Study) -> None:
    protocol = done.protocol
    assert done.check().needs_attention is False
    assert done.audit().passed
    made = done.allocated()
    of_trainer = {(entry.trainer, entry.arm) for entry in made}
    assert len(of_trainer) == 9, "every client has the order of the own trainer"
    orders = [order for _, order in of_trainer]
    assert sorted(orders.count(code) for code in protocol.allocated_codes) == [4, 5]
    results = done.analyse()
    assert results.randomised
    answer = results.strength.primary
    interval = answer.confidence_interval(0.999)
    assert interval.lower < math.exp(EFFECT) < interval.upper, "the truth, by an interval that seldom misses"
    spread = {part.name for part in results.strength.spread}
    assert {"trainer", "trainer by period"} <= spread
    assert "tests before the first" not in results.strength.model, "not everybody begins in the first arm"
    (again,) = results.rerandomisation
    assert "the trainers' orders drawn again" in again.statistic
    assert again.exact
    assert again.draws == 2 * math.comb(9, 4)
    assert results.harms is not None
    assert [arm.clients for arm in results.harms.arms] == [36, 36], "each client once in each arm"
    page = done.save(results).read_text(encoding="utf-8")
    assert SIXTH.words.title in page
    assert "must not choose the analysis" in page


def test_it_is_planned_by_the_closed_form(done: Study) -> None:
    """Nine trainers, five in one order: what stays with the clients counts as the trainer's."""
    plan = done.plan()
    found = plan["strength"]
    assert isinstance(found, ContinuousPlan)
    within = found.model.within
    assert within is not None
    tested = found.tested_clients
    each = tested / 9
    schedule = np.array([[0, 1]] * 5 + [[1, 0]] * 4)
    expected = schedule_error(
        schedule,
        cell_variance=within.moving_sd**2 / each,
        unit_variance=within.trainer_sd**2 + within.staying_sd**2 / each,
    )
    assert found.planned.standard_error == pytest.approx(expected.standard_error)
    assert found.planned.degrees_of_freedom == 9 * 2 - 9 - 2
    assert "crossover" in done.save_plan(plan).read_text(encoding="utf-8")


def test_it_is_simulated(read: ReadProtocol) -> None:
    """40 studies: the truth is recovered, within four Monte Carlo errors."""
    found = simulate_study(read.protocol, trials=40, seed=3).outcomes[0]
    effect = found.with_effect
    assert effect.failed == 0
    assert abs(effect.bias) < 4.0 * effect.bias_error
    assert effect.coverage.value >= 0.85


def test_without_the_entry_the_word_is_unknown() -> None:
    """The list of designs in the message is the one list there is."""
    text = (shipped("protocols") / "crossover.toml").read_text(encoding="utf-8")
    with pytest.raises(ProtocolError) as refused:
        parse_protocol(text.replace('design = "crossover"', 'design = "crosover"'))
    (finding,) = refused.value.findings
    assert finding.expected == "one of " + ", ".join(f'"{word}"' for word in DESIGNS)
    assert finding.todo == 'Did you mean "crossover"?'
