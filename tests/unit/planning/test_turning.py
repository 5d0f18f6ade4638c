"""Plans of designs in which one client gets both arms, and what trainers as clusters cannot reach."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from studykit.kinds.continuous.planned_model import WithinSpread, within_error
from studykit.kinds.continuous.planning import ContinuousPlan
from studykit.mixed import RandomEffect, fit_linear_mixed
from studykit.planning.plan import plan_study
from studykit.planning.within import spread_over
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Protocol
from studykit.shipped import shipped


def ready(design: str, *pairs: tuple[str, str]) -> Protocol:
    text = (shipped("protocols") / f"{design}.toml").read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return parse_protocol(text).protocol


def test_crossover_by_hand() -> None:
    """24 clients; 0.25² (1 - 0.88) (1 + 3 x 0.4) / 4 from test to test; both tests done, and still there."""
    protocol = ready("crossover")
    found = plan_study(protocol)["strength"]
    assert isinstance(found, ContinuousPlan)
    last = protocol.visit(_primary(protocol)).day
    there = 0.70 ** ((last / 182) ** 0.85)
    tested = 24 * there * 0.85**2
    variance = 0.25**2 * 0.12 * (1 + 3 * 0.4) / 4
    assert found.planned.tested_per_arm == pytest.approx((tested, tested))
    assert found.planned.standard_error == pytest.approx(math.sqrt(2 * variance / tested))
    assert found.planned.degrees_of_freedom == pytest.approx(tested - 2)


def _primary(protocol: Protocol) -> str:
    return protocol.continuous_outcomes[0].primary_visit


def test_two_sides_by_hand() -> None:
    """Paired sides that correlate 0.7, each adjusted for its own test before."""
    protocol = ready("limbs")
    found = plan_study(protocol)["strength"]
    assert isinstance(found, ContinuousPlan)
    tested = 24 * 0.85 * 0.70 ** ((protocol.visit(_primary(protocol)).day / 182) ** 0.85)
    pairs = len({exercise.pair for exercise in protocol.exercises if exercise.pair})
    one = 0.25**2 * (1 - 0.88**2) * (1 + (pairs - 1) * 0.4) / pairs
    assert found.planned.standard_error == pytest.approx(math.sqrt(2 * one * 0.3 / tested))
    assert "in both arms" in " ".join(plan_study(protocol).can_tell)


@pytest.mark.parametrize("before", [False, True])
def test_stepped_equals_least_squares_on_all_tests(before: bool) -> None:
    """Generalised least squares on every client and period, with what stays with client and trainer."""
    trainers, each, periods = 6, 4, 4
    spread = WithinSpread("stepped", 0.07, 0.2, 0.05, 0.0, periods, before)
    found = within_error(spread, float(trainers * each), trainers)
    assert found is not None
    schedule = np.repeat(spread.schedule, spread_over(trainers, periods - 1), axis=0)
    times = schedule.shape[1]
    block = np.kron(np.eye(each), np.full((times, times), 0.2**2) + 0.07**2 * np.eye(times)) + 0.05**2
    design = np.vstack(
        [np.tile(np.column_stack([np.eye(times), schedule[place]]), (each, 1)) for place in range(trainers)]
    )
    inverse = np.kron(np.eye(trainers), np.linalg.inv(block))
    variance = np.linalg.inv(design.T @ inverse @ design)[-1, -1]
    assert found.standard_error == pytest.approx(math.sqrt(variance), rel=1e-9)
    assert found.degrees_of_freedom == trainers * times - trainers - times


def test_stepped_power_is_that_of_the_mixed_model() -> None:
    """150 simulated roll-outs fitted with Kenward-Roger: three Monte Carlo errors, 0.12.

    Its degrees of freedom lie about those of the closed form, cells less trainers and periods.
    """
    trainers, each, periods = 6, 4, 4
    spread = WithinSpread("stepped", 0.07, 0.2, 0.05, 0.0, periods, True)
    schedule = np.repeat(spread.schedule, spread_over(trainers, periods - 1), axis=0)
    times = schedule.shape[1]
    known = within_error(spread, 24.0, trainers)
    assert known is not None
    trainer = np.repeat(np.arange(trainers), each * times)
    client, period = np.repeat(np.arange(24), times), np.tile(np.arange(times), 24)
    arm = schedule[trainer, period]
    fixed = np.column_stack([np.eye(times)[period], arm])
    random = [
        RandomEffect("client", client),
        RandomEffect("trainer", trainer),
        RandomEffect("period of a trainer", trainer * times + period),
    ]
    rng, weights = np.random.default_rng(18), np.append(np.zeros(times), 1.0)
    found = []
    for _ in range(150):
        own = 0.05 * rng.normal(size=trainers)[trainer] + 0.2 * rng.normal(size=24)[client]
        score = own + 0.07 * rng.normal(size=client.size) + 0.06 * arm
        found.append(fit_linear_mixed(score, fixed, random).contrast(weights))
    power = known.power(0.06)
    rejected = np.mean([estimate.p_value <= 0.05 for estimate in found])
    assert rejected == pytest.approx(power, abs=3 * math.sqrt(power * (1 - power) / 150))
    freedom = np.mean([estimate.degrees_of_freedom for estimate in found])
    assert freedom == pytest.approx(known.degrees_of_freedom, rel=0.15)


def test_trainers_go_over_as_evenly_as_they_can() -> None:
    spread = WithinSpread("stepped", 0.07, 0.2, 0.05, 0.0, 4, False)
    schedule = np.repeat(spread.schedule, spread_over(8, 3), axis=0)
    assert schedule.sum(axis=0).tolist() == [0.0, 3.0, 6.0, 8.0]
    assert within_error(replace(spread, tested_before=True), 20.0, 2) is None


def test_designs_keep_their_own_warnings() -> None:
    """F08: a crossover for a training gain is warned of; two sides tell about two sides."""
    designs = ("crossover", "limbs", "stepped")
    said = {design: " ".join(plan_study(ready(design)).cannot_tell) for design in designs}
    assert "if half of a gain lasted, the difference shown would be a quarter smaller" in said["crossover"]
    assert "passes to the other" in said["limbs"]
    assert "trainers go over at different times" in said["stepped"]


def test_clients_of_a_stepped_roll_out_are_enrolled_together() -> None:
    """Days count from enrolment, so recruiting for longer is no way to a sharper answer."""
    plan = plan_study(ready("stepped"))
    assert any("within days of each other" in sentence for sentence in plan.cannot_tell)
    assert not any("twice as long" in found.change for found in plan.improvements)
    other = plan_study(ready("crossover"))
    assert not any("within days of each other" in sentence for sentence in other.cannot_tell)
    assert any("twice as long" in found.change for found in other.improvements)


def test_both_arms_in_one_client_need_fewer_clients_than_one_arm_each() -> None:
    needed = {}
    for design in ("parallel", "crossover", "limbs"):
        found = plan_study(ready(design), clients=40)["strength"]
        needed[design] = found.planned.width
    assert needed["limbs"] < needed["crossover"] < needed["parallel"]


def test_where_nothing_can_be_estimated_there_is_no_error() -> None:
    stepped = WithinSpread("stepped", 0.07, 0.2, 0.05, 0.0, 4, False)
    assert within_error(stepped, 20.0, 2) is None  # fewer trainers than steps
    assert within_error(stepped, 20.0, 3) is not None
    assert within_error(WithinSpread("crossover", 0.07, 0.2, 0.0, 0.0, 2, False), 3.0, 2) is None


def test_trainers_as_clusters_have_a_limit_of_their_own() -> None:
    """F09: Hemming and others 2011, BMC Med Res Methodol 11:102: more trainers than clients times ICC."""
    few = " ".join(plan_study(ready("trainers")).cannot_tell)
    assert "With 12 trainers no number of clients finds the assumed difference" in few
    assert "at least 18 trainers" in few
    many = " ".join(plan_study(ready("trainers", ("trainers = 12 ", "trainers = 60 "))).cannot_tell)
    assert "no number of clients finds" not in many


def test_the_likeness_of_two_sides_is_doubted_where_it_counts() -> None:
    designs = ("limbs", "parallel")
    moved = {design: {item.key for item in plan_study(ready(design)).what_if} for design in designs}
    assert "correlation_limbs" in moved["limbs"]
    assert "correlation_limbs" not in moved["parallel"]
