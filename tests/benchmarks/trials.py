"""Simulated trials that the benchmarks fit; sizes as named in each function."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed import RandomEffect

Array = NDArray[np.float64]
VISITS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """A trial as the engine takes it, with the formula by which lme4 fits the same model."""

    y: Array
    X: Array
    names: tuple[str, ...]
    effects: tuple[RandomEffect, ...]
    columns: dict[str, NDArray[np.generic]]
    formula: str


def simulate(
    seed: int,
    *,
    clients: int = 60,
    trainers: int = 6,
    exercises: int = 1,
    slopes: bool = False,
    dropout: float = 0.15,
    changing: float = 0.0,
) -> Trial:
    """Clients under trainers at four visits; arms are drawn within trainers.

    ``dropout`` clients leave after a random visit; ``changing`` of them change trainer half-way, which
    makes the two factors crossed. Client and trainer intercepts; with several exercises client by exercise
    too; with ``slopes`` clients have an intercept and a slope, and there are no trainers.
    """
    rng = np.random.default_rng(seed)
    client, visit, exercise = (
        part.ravel()
        for part in np.meshgrid(np.arange(clients), np.arange(VISITS), np.arange(exercises), indexing="ij")
    )
    home = np.arange(clients) % trainers
    arm = (np.arange(clients) // trainers) % 2
    trainer = home[client]
    moves = rng.random(clients) < changing
    other = (home + 1 + rng.integers(0, max(trainers - 1, 1), clients)) % trainers
    trainer = np.where(moves[client] & (visit >= 2), other[client], trainer)
    last = np.where(rng.random(clients) < 2.0 * dropout, rng.integers(1, VISITS + 1, clients), VISITS)
    y = (
        4.0
        + 0.05 * visit
        + 0.04 * arm[client] * (visit > 0)
        + 0.2 * rng.standard_normal(clients)[client]
        + 0.1 * rng.standard_normal(clients * exercises)[client * exercises + exercise]
        + 0.08 * rng.standard_normal(trainers)[trainer]
        + 0.03 * slopes * rng.standard_normal(clients)[client] * visit
        + 0.1 * rng.standard_normal(len(client))
    )
    kept = visit < last[client]
    client, visit, exercise, trainer, y = (part[kept] for part in (client, visit, exercise, trainer, y))
    X = np.column_stack(
        [visit == v for v in range(VISITS)] + [(visit == v) & (arm[client] == 1) for v in range(1, VISITS)]
    )
    names = (*(f"visit{v}" for v in range(VISITS)), *(f"arm{v}" for v in range(1, VISITS)))
    columns: dict[str, NDArray[np.generic]] = {"y": y, "client": client, "trainer": trainer, "time": visit}
    columns |= {name: column.astype(int) for name, column in zip(names, X.T, strict=True)}
    formula = f"y ~ 0 + {' + '.join(names)}"
    if slopes:
        design = np.column_stack([np.ones(len(y)), visit])
        effects: tuple[RandomEffect, ...] = (RandomEffect("client", client, design),)
        formula += " + (time | client)"
    else:
        effects = (RandomEffect("client", client), RandomEffect("trainer", trainer))
        formula += " + (1 | client) + (1 | trainer)"
    if exercises > 1:
        cell = client * exercises + exercise
        effects = (*effects, RandomEffect("client by exercise", cell))
        columns["level"] = cell
        formula += " + (1 | level)"
    return Trial(y, X.astype(float), names, effects, columns, formula)
