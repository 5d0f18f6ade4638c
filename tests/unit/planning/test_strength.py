"""The closed form of strength against simulation of the regression that it belongs to."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import stdtrit

from studykit.kinds.continuous.planned_model import (
    ContinuousModel,
    clients_for_power,
    clients_for_width,
    point_at,
    told,
)
from studykit.planning.assumptions import Assumptions, spread_by_delivery
from studykit.protocol.protocol_file import read_protocol
from studykit.shipped import shipped

PROTOCOL = read_protocol(shipped("protocols") / "parallel.toml").protocol
MODEL = ContinuousModel(
    scale="log", residual_sd=0.09, shares=(0.5, 0.5), tested=1.0, trainers=3, nested=False, trainer_icc=0.0,
    size_variation=0.0,
    trainer_by_arm_sd=0.02, fixed_terms=5, effect=math.log(1.08), alpha=0.05, power=0.8,
    confidence_level=0.95,
)  # fmt: skip


def simulate(clients: int, trials: int, seed: int) -> tuple[float, float, float]:
    """Power, mean half-width (log), spread of the estimate: trainers crossed, baseline adjusted."""
    rng = np.random.default_rng(seed)
    arm = np.tile([0.0, 1.0], clients // 2)
    trainer = np.arange(clients) // 2 % 3
    dummies = (trainer[:, None] == np.arange(3)).astype(float)
    estimates, errors = np.empty(trials), np.empty(trials)
    for trial in range(trials):
        before = rng.normal(0.0, 0.2, clients)
        after = 0.85 * before + MODEL.effect * arm + rng.normal(0.0, 0.09, clients) + 0.05 * trainer
        design = np.column_stack([dummies, arm, before])
        inverse = np.linalg.inv(design.T @ design)
        beta = inverse @ design.T @ after
        residual = after - design @ beta
        variance = residual @ residual / (clients - 5)
        estimates[trial], errors[trial] = beta[3], math.sqrt(variance * inverse[3, 3])
    critical = stdtrit(clients - 5, 0.975)
    return (
        float(np.mean(np.abs(estimates) > critical * errors)),
        float(critical * errors.mean()),
        float(estimates.std()),
    )


@pytest.mark.parametrize("clients", [12, 24, 48])
def test_power_and_width_by_simulation(clients: int) -> None:
    """4,000 trials: Monte Carlo standard error of the power at most 0.008, of the width below 1 %."""
    point = point_at(MODEL, clients)
    assert point is not None
    power, half_width, spread = simulate(clients, 4000, seed=clients)
    assert point.power == pytest.approx(power, abs=3 * math.sqrt(power * (1 - power) / 4000) + 0.005)
    assert math.log1p(point.half_width / 100) == pytest.approx(half_width, rel=0.02)
    assert point.standard_error == pytest.approx(spread, rel=0.045)  # 1/sqrt(2 * 4000) = 1.1 %, times four


def test_the_size_found_is_the_smallest() -> None:
    """User ask 3.4: power at n - 1 < target <= power at n."""
    clients = clients_for_power(MODEL)
    assert clients is not None
    at, below = point_at(MODEL, clients), point_at(MODEL, clients - 1)
    assert at is not None
    assert below is not None
    assert below.power < MODEL.power <= at.power


def test_the_size_for_a_width_is_the_smallest() -> None:
    clients = clients_for_width(MODEL, half_width=3.0)
    assert clients is not None
    at, below = point_at(MODEL, clients), point_at(MODEL, clients - 1)
    assert at is not None
    assert below is not None
    assert at.half_width <= 3.0 < below.half_width


def test_one_trainer_per_arm_gives_nothing_however_many_clients() -> None:
    """Requirement F08: one cluster per arm, no effect claim."""
    assert point_at(replace(MODEL, nested=True, trainers=2, trainer_icc=0.02), 1000) is None


def test_trainers_as_clusters_set_a_floor() -> None:
    """Trade facts C5: where trainers carry the arms, the error has a floor, however many clients."""
    nested = replace(MODEL, nested=True, trainers=6, trainer_icc=0.05)
    point = point_at(nested, 50_000)
    assert point is not None
    floor = MODEL.residual_sd * math.sqrt(0.05 * 4 / 6)
    assert point.standard_error == pytest.approx(floor, rel=0.01)
    assert clients_for_width(nested, half_width=told(floor, "log")) is None
    assert clients_for_power(replace(nested, effect=0.01)) is None


def test_missing_tests_act_like_fewer_clients() -> None:
    half = point_at(replace(MODEL, tested=0.5), 80)
    all_tested = point_at(MODEL, 40)
    assert half is not None
    assert all_tested is not None
    assert half.standard_error == pytest.approx(all_tested.standard_error)
    assert half.degrees_of_freedom == all_tested.degrees_of_freedom


def test_other_trainers_need_a_wider_interval() -> None:
    point, alone = point_at(MODEL, 40), point_at(replace(MODEL, trainers=1), 40)
    assert point is not None
    assert alone is not None
    assert point.width_other_trainers > point.width
    assert math.isinf(alone.width_other_trainers)


def test_rescaling_the_outcome_rescales_the_widths_only() -> None:
    kilograms = replace(MODEL, scale="as_measured", residual_sd=9.0, effect=8.0)
    grams = replace(kilograms, residual_sd=9000.0, effect=8000.0)
    one, other = point_at(kilograms, 40), point_at(grams, 40)
    assert one is not None
    assert other is not None
    assert other.power == pytest.approx(one.power)
    assert other.width == pytest.approx(1000 * one.width)
    assert other.detectable == pytest.approx(1000 * one.detectable)


def test_slips_and_leaks_spread_clients_with_the_effect() -> None:
    """An effect of 15 % at 0.8 (beta, concentration 12) of the sets, all of it for 10 % of the reference arm.

    20,000 pairs of arms of 40 clients; Monte Carlo standard error of the variance 1 %.
    """
    leaked, delivered, concentration = 0.1, 0.8, 12.0
    found, kept = math.log(1.15), delivered - leaked
    full, trials, rng = found / kept, 20_000, np.random.default_rng(7)
    arms = (trials, 20)
    reference = rng.normal(0.0, 0.09, arms) + full * (rng.random(arms) < leaked)
    share = rng.beta(delivered * concentration, (1.0 - delivered) * concentration, arms)
    compared = rng.normal(0.0, 0.09, arms) + full * share
    spread = float((compared.mean(axis=1) - reference.mean(axis=1)).std())
    model = replace(MODEL, effect=found, delivery_spread=spread_by_delivery(Assumptions(PROTOCOL)))
    point = point_at(model, 40)
    assert point is not None
    assert point.standard_error / math.sqrt(1.0 + 1.0 / 36.0) == pytest.approx(spread, rel=0.02)
    none = point_at(replace(model, effect=0.0), 40)
    assert none is not None
    assert none.standard_error < 0.92 * point.standard_error


def test_the_difference_that_is_found_spreads_clients_itself() -> None:
    """At the detectable difference the power is the wanted one; with few clients none is large enough."""
    model = replace(MODEL, delivery_spread=(0.18, 0.03))
    point = point_at(model, 30)
    assert point is not None
    there = point_at(replace(model, effect=math.log1p(point.detectable / 100.0)), 30)
    assert there is not None
    assert there.power == pytest.approx(0.8, abs=1e-9)
    beyond = point_at(replace(model, delivery_spread=(2.0, 0.03)), 10)
    assert beyond is not None
    assert beyond.detectable == math.inf
