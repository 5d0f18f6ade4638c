"""Simulated power against closed forms, design by design: they agree within three Monte Carlo errors.

    python analysis/10_validity_power.py [--trials N]

Worlds in which the closed form is exact or nearly so: nobody leaves, no test is missed, loads are not
rounded, every set is delivered. The first six designs go through simulated clients, allocation and the
protocol's own analysis; the others draw the data that the analysis needs, and call that analysis. A row that
differs by more than three Monte Carlo errors is marked, and the note says why it may.

Output: a table on the screen, and analysis/output/validity_power.csv.
"""

from __future__ import annotations

import argparse
import csv
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from studykit.kinds.continuous.regression import compare_clusters
from studykit.kinds.retention.analysis import answer
from studykit.mixed import RandomEffect, fit_many_linear_mixed
from studykit.outcomes.clients import ClientArrays
from studykit.outcomes.trainers import unpaired_t
from studykit.planning.clusters import nested_error
from studykit.planning.log_rank_power import expected_departures, hazard_ratio_from_shares, log_rank_power
from studykit.planning.margins import not_worse_power
from studykit.planning.power import t_power
from studykit.planning.two_proportions import score_test_power
from studykit.planning.within import crossover_error, limbs_error, schedule_error
from studykit.protocol.designs import DESIGNS
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Protocol
from studykit.randomness import stream
from studykit.retention.censored import CensoredTimes
from studykit.retention.log_rank import log_rank as log_rank_test
from studykit.shipped import shipped
from studykit.trial.batch import simulate_batch
from studykit.trial.models import Machine
from studykit.trial.performance import (
    Share,
    TrialEstimates,
    batches_of,
    estimate_trials,
    join_estimates,
    with_exercises,
)
from studykit.trial.settings import TrialSettings

SEED = 1010
OUTPUT = Path(__file__).parent / "output"
COLUMNS = (
    "design",
    "clients",
    "closed_form",
    "simulated",
    "low",
    "high",
    "verdict",
    "note",
)
READY = read_protocol(shipped("protocols") / "parallel.toml").protocol
ONE = with_exercises(READY, READY.continuous_outcomes[0].exercises[:1])


@dataclass(frozen=True, slots=True)
class Design:
    """One comparison: power by the closed form, and rejections in simulated studies."""

    name: str
    clients: int
    closed_form: float
    rejected: Callable[[int], np.ndarray]
    note: str = ""


def quiet_world(protocol: Protocol, clients: int, *, effect: float, exercises: int = 1) -> TrialSettings:
    """Nobody leaves, nothing is missed, rounded, diluted or leaked; one trainer."""
    planned = TrialSettings.from_protocol(protocol, clients=clients)
    machines = tuple(replace(machine, stack_step=0.0) for machine in planned.machines[:exercises])
    assert all(isinstance(machine, Machine) for machine in machines)
    return replace(
        planned,
        trainers=1,
        strata=(),
        factors=(),
        machines=machines,
        visits=tuple(
            replace(visit, missed=0.0)
            for visit in planned.visits
            if visit.baseline or visit.code == "week_12"
        ),
        strength=replace(planned.strength, effects=(0.0, effect), sd_trainer_by_arm=0.0, learning=0.0),
        retention=replace(planned.retention, retained=(1.0, 1.0)),
        delivery=replace(planned.delivery, delivered=1.0, contaminated=0.0),
    )


def own_analysis(protocol: Protocol, settings: TrialSettings, trials: int) -> TrialEstimates:
    return join_estimates(
        estimate_trials(
            protocol, simulate_batch(settings, size, seed=SEED, batch=number, attendance=False), "strength"
        )
        for number, size in enumerate(batches_of(trials))
    )


def change_variance(settings: TrialSettings) -> tuple[float, float]:
    """Variance of a composite score before, and of the score after adjusted for it."""
    own, number = settings.strength, len(settings.machines)
    before = own.sd_client**2 + (own.sd_client_exercise**2 + own.measurement_sd**2) / number
    lasting = own.sd_client**2 + own.sd_client_exercise**2 / number
    after = before + own.sd_gain**2 + own.sd_gain_exercise**2 / number
    return before, after - lasting**2 / before


def adjusted(
    clients: int, variance: float, *, terms: int, shares: tuple[float, float] = (0.5, 0.5)
) -> tuple[float, float]:
    """Standard error and degrees of freedom of the baseline-adjusted comparison."""
    freedom = clients - terms
    per_arm = sum(1.0 / (clients * share) for share in shares)
    return math.sqrt(variance * per_arm * (1.0 + 1.0 / (freedom - 1.0))), freedom


def strength_designs() -> list[Design]:
    found = []
    effect, clients = 0.09, 64
    world = quiet_world(ONE, clients, effect=effect)
    only = replace(world, visits=world.visits[1:])
    own = world.strength
    spread = math.sqrt(
        own.sd_client**2
        + own.sd_client_exercise**2
        + own.measurement_sd**2
        + own.sd_gain**2
        + own.sd_gain_exercise**2
    )
    large = replace(only, strength=replace(own, effects=(0.0, 0.2)))
    found.append(
        Design("test after only, t", clients,
               t_power(0.2, spread * math.sqrt(4.0 / clients), degrees_of_freedom=clients - 2.0),
               lambda n: own_analysis(ONE, large, n).p_value <= 0.05))  # fmt: skip
    _, variance = change_variance(world)
    error, freedom = adjusted(clients, variance, terms=3)
    found.append(
        Design("before and after, mixed model", clients, t_power(effect, error, degrees_of_freedom=freedom),
               lambda n: own_analysis(ONE, world, n).p_value <= 0.05))  # fmt: skip
    uneven = replace(world, clients=66, ratio=(2, 1), block_sizes=(3, 6))
    error, freedom = adjusted(66, variance, terms=3, shares=(2.0 / 3.0, 1.0 / 3.0))
    found.append(
        Design("two to one", 66, t_power(effect, error, degrees_of_freedom=freedom),
               lambda n: own_analysis(ONE, uneven, n).p_value <= 0.05))  # fmt: skip
    four = quiet_world(READY, 48, effect=effect, exercises=4)
    _, composite = change_variance(four)
    error, freedom = adjusted(48, composite, terms=3)
    found.append(
        Design("composite of four machines, mixed model", 48,
               t_power(effect, error, degrees_of_freedom=freedom),
               lambda n: own_analysis(READY, four, n // 2).p_value <= 0.05))  # fmt: skip
    crossed = replace(
        world, trainers=4, strata=("trainer",), strength=replace(own, sd_trainer=0.1, effects=(0.0, effect))
    )
    error, freedom = adjusted(clients, variance, terms=6)
    found.append(
        Design("trainers crossed with the arms", clients, t_power(effect, error, degrees_of_freedom=freedom),
               lambda n: own_analysis(ONE, crossed, n).p_value <= 0.05))  # fmt: skip
    error, freedom = adjusted(clients, variance, terms=3)
    same = replace(world, strength=replace(own, effects=(0.0, 0.0)))
    found.append(
        Design("not worse by a margin of 9 %", clients,
               not_worse_power(0.0, error, margin=effect, degrees_of_freedom=freedom),
               lambda n: own_analysis(ONE, same, n).lower > -effect))  # fmt: skip
    return found


def clients_in_arms(studies: int, clients: int, *, trainers: int = 1, nested: bool = False) -> ClientArrays:
    """Arms of equal size; trainers with as many clients each."""
    trainer = np.arange(clients) % trainers
    arm = trainer % 2 if nested else np.arange(clients) % 2
    labels = tuple(f"T{number}" for number in range(trainers))
    return ClientArrays(
        np.tile(arm, (studies, 1)), ("reference", "compared"), 1, np.tile(trainer, (studies, 1)), labels
    )


def shares(trials: int) -> np.ndarray:
    clients = clients_in_arms(trials, 120)
    retained = stream(SEED, "shares").random((trials, 120)) < np.where(clients.arm == 1, 0.85, 0.65)
    return answer(ONE, clients, retained.astype(float)).p_value < 0.05


def clusters(trials: int) -> np.ndarray:
    """Ten trainers of twelve clients; a tenth of the spread between trainers."""
    rng = stream(SEED, "clusters")
    clients = clients_in_arms(trials, 120, trainers=10, nested=True)
    between = np.take_along_axis(math.sqrt(0.1) * rng.standard_normal((trials, 10)), clients.trainer, axis=1)
    score = 0.9 * clients.arm + between + math.sqrt(0.9) * rng.standard_normal(clients.arm.shape)
    return compare_clusters(score, None, clients, arm=1).p_value <= 0.05


def log_rank(trials: int) -> np.ndarray:
    """Exponential times of 200 clients, followed to day 182."""
    rng, horizon = stream(SEED, "log-rank"), 182.0
    arm = np.arange(200) % 2
    rate = -np.log(np.where(arm == 1, 0.80, 0.62)) / horizon
    rejected = np.zeros(trials, dtype=bool)
    for trial in range(trials):
        days = np.ceil(rng.standard_exponential(200) / rate)
        times = CensoredTimes(np.minimum(days, horizon), days <= horizon)
        rejected[trial] = log_rank_test(times, arm).p_value <= 0.05
    return rejected


def by_halves(difference: np.ndarray, half: np.ndarray) -> np.ndarray:
    """Clients in two orders (or sides): half the difference of the mean differences, t."""
    found = unpaired_t(
        difference / 2.0, np.ones(difference.shape, bool), np.broadcast_to(half == 1, difference.shape),
        confidence_level=0.95,
    )  # fmt: skip
    return found.p_value <= 0.05


def crossover(trials: int) -> np.ndarray:
    rng, order = stream(SEED, "crossover"), np.arange(20) % 2
    periods = rng.standard_normal((trials, 20, 2)) + np.array([0.0, 0.3])
    treated = np.stack([order == 1, order == 0], axis=1)  # in the first, in the second period
    own = periods + 0.95 * treated
    return by_halves(own[..., 0] - own[..., 1], order)


def limbs(trials: int) -> np.ndarray:
    """The left limb in the compared arm for every other client; limbs correlate 0.7."""
    rng, side = stream(SEED, "limbs"), np.arange(24) % 2
    client = math.sqrt(0.7) * rng.standard_normal((trials, 24, 1))
    own = client + math.sqrt(0.3) * rng.standard_normal((trials, 24, 2)) + np.array([0.0, 0.1])
    own = own + 0.5 * np.stack([side == 1, side == 0], axis=1)
    return by_halves(own[..., 0] - own[..., 1], side)


def steps_of_nine() -> np.ndarray:
    """Who delivers the compared arm when: three trainers for each of three steps."""
    return np.repeat(DESIGNS["stepped"].schedule(3, 4)[:, :, 0], 3, axis=0)


def stepped(trials: int) -> np.ndarray:
    """Nine trainers who go over in three steps, seen in four periods: means of cells, trainers random."""
    rng, schedule = stream(SEED, "stepped"), steps_of_nine()
    trainers, periods = schedule.shape
    trainer, period = (place.ravel() for place in np.indices(schedule.shape))
    y = rng.standard_normal((trials, trainers))[:, trainer] + 1.0 * rng.standard_normal(
        (trials, trainer.size)
    )
    y = y + 1.6 * schedule.ravel()
    fixed = np.column_stack([period[:, None] == np.arange(periods), schedule.ravel()]).astype(float)
    contrast = np.append(np.zeros(periods), 1.0)
    found = fit_many_linear_mixed(y, fixed, RandomEffect("trainer", trainer), contrasts=contrast)
    return found.p_value[:, 0] <= 0.05


def other_designs() -> list[Design]:
    hazard = hazard_ratio_from_shares(0.62, 0.80)
    nested = nested_error(5, 12, 1.0, 0.1)
    step = schedule_error(steps_of_nine(), cell_variance=1.0, unit_variance=1.0)
    limb = limbs_error(24, 1.0, correlation_limbs=0.7)
    cross = crossover_error(20, 1.0)
    return [
        Design("two shares, score test", 120, score_test_power(0.65, 0.85, (60, 60)), shares),
        Design("trainers as clusters, t of their means", 120,
               t_power(0.9, nested.standard_error, degrees_of_freedom=nested.degrees_of_freedom), clusters),
        Design("log-rank", 200,
               log_rank_power(hazard, expected_departures(0.62, 0.80, (100, 100))), log_rank,
               "Schoenfeld's formula holds for hazard ratios near 1; here 0.47"),
        Design("crossover", 20, cross.power(0.95), crossover),
        Design("one limb in either arm", 24, limb.power(0.5), limbs),
        Design("stepped roll-out, mixed model", 9, step.power(1.6), stepped,
               "the formula takes the variances as known"),
    ]  # fmt: skip


def judged(design: Design, trials: int) -> dict[str, object]:
    rejected = design.rejected(trials)
    share = Share.of(float(np.sum(rejected)), rejected.size)
    agree = share.side_of(design.closed_form, design.closed_form) not in ("below", "above")
    return {
        "design": design.name,
        "clients": design.clients,
        "closed_form": f"{design.closed_form:.4f}",
        "simulated": f"{share.value:.4f}",
        "low": f"{share.low:.4f}",
        "high": f"{share.high:.4f}",
        "verdict": "agree" if agree else "DIFFER",
        "note": design.note,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=10_000)
    arguments = parser.parse_args()
    OUTPUT.mkdir(exist_ok=True)
    print("  ".join(COLUMNS))
    with (OUTPUT / "validity_power.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        for design in (*strength_designs(), *other_designs()):
            row = judged(design, arguments.trials)
            writer.writerow(row)
            file.flush()
            print("  ".join(str(row[column]) for column in COLUMNS), flush=True)


if __name__ == "__main__":
    main()
