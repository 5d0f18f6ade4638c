"""Designs within clients recover a known truth: bias and coverage over many small simulated studies.

Stated for every design: trials, nominal coverage 95 %, and limits of three Monte Carlo errors. Longer runs of
the same, by hand: crossover of 24 clients 96.1 (0.6) % of 1,000, sides of 24 clients 95.0 (0.4) % of 3,000,
roll-out over 9 and 6 trainers 93.5 (1.2) % and 96.5 (0.9) % of 400 each.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from studykit.kinds.continuous.within import fit_within, within_setting
from studykit.randomness import stream
from studykit.records.rows import Scores
from tests.external.outcomes_within.test_outcomes_within import protocol, rows_of

EFFECT, TRAINERS = 0.04, 6


@dataclass(frozen=True, slots=True)
class Setup:
    design: str
    clients: int
    trials: int
    periods: int


SETUPS = (Setup("crossover", 12, 200, 2), Setup("limbs", 12, 200, 1), Setup("stepped", 18, 60, 4))


def one_study(setup: Setup, rng: np.random.Generator) -> Scores:
    """Clients and sides with levels of their own, form of the day, a change with time, some tests missing."""
    plan = protocol(setup.design, periods=setup.periods)
    drawn, steps = rng.permutation(setup.clients) % 2, rng.permutation(TRAINERS) % 3
    trainer = np.arange(setup.clients) % TRAINERS
    allocated = steps[trainer] if setup.design == "stepped" else drawn
    dominant = (rng.random(setup.clients) < 0.7).astype(int)
    of_trainer, at = rng.normal(0.0, 0.05, TRAINERS), rng.normal(0.0, 0.02, (TRAINERS, setup.periods + 1))
    seen: list[tuple[int, int, int, float]] = []
    for client in range(setup.clients):
        level, own = rng.normal(4.0, 0.2), rng.normal(0.0, 0.05, 2)
        for visit in range(setup.periods + 1):
            if visit and rng.random() < 0.1:
                continue
            for side in (0, 1) if setup.design == "limbs" else (0,):
                arm = _arm(setup.design, int(allocated[client]), visit, side == dominant[client])
                score = level + own[side] + 0.03 * visit + EFFECT * arm + rng.normal(0.0, 0.05)
                if setup.design == "stepped":
                    score += of_trainer[trainer[client]] + at[trainer[client], visit]
                seen.append((client, visit, side, score))
    client_, visit_, side_, score_ = zip(*seen, strict=True)
    own_trainer = trainer.tolist() if setup.design == "stepped" else None
    sides = dominant.tolist() if setup.design == "limbs" else None
    return rows_of(
        plan, allocated.tolist(), client_, visit_, side_, score_, trainer=own_trainer, dominant=sides
    )


def _arm(design: str, allocated: int, visit: int, on_dominant: bool) -> int:
    if visit == 0:
        return 0
    if design == "crossover":  # order 1 begins with the compared arm
        return int((allocated == 1) == (visit == 1))
    if design == "limbs":
        return allocated if on_dominant else 1 - allocated
    return int(visit > allocated + 1)


@pytest.mark.parametrize("setup", SETUPS, ids=lambda setup: setup.design)
def test_truth_is_recovered(setup: Setup) -> None:
    plan = protocol(setup.design, periods=setup.periods)
    outcome = plan.continuous_outcomes[0]
    estimates, covered = [], 0
    for trial in range(setup.trials):
        rows = one_study(setup, stream(11, "within", setup.design, str(trial)))
        answer = fit_within(within_setting(plan, outcome, rows)).effect()
        interval = answer.confidence_interval(0.95)
        estimates.append(answer.value)
        covered += interval.lower <= EFFECT <= interval.upper
    error = float(np.std(estimates, ddof=1)) / np.sqrt(setup.trials)
    assert np.mean(estimates) == pytest.approx(EFFECT, abs=3 * error)
    assert covered / setup.trials > 0.95 - 3 * np.sqrt(0.95 * 0.05 / setup.trials)
