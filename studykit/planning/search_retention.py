"""Searches by simulation for retention: the smallest number of clients for a power or a width.

The comparison of shares is quick, so that every trial is analysed as the protocol says, and counted as it is:
score intervals are not alike at every difference, so that errors are neither reused nor mirrored.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError, DesignError
from studykit.planning.assumptions import Assumptions
from studykit.planning.retention import (
    clients_for_retention_power,
    clients_for_retention_width,
    retention_model,
)
from studykit.planning.search import goal_of, level_of
from studykit.planning.search_curve import CurvePoint, Shape, Target
from studykit.planning.search_loop import MOST_CLIENTS, Found, Round, Task, out_of_reach, run_search
from studykit.planning.search_trials import corrected_mean
from studykit.planning.simulation import analyses_of, settings_for
from studykit.planning.simulation_work import Told, Workers, do_pieces
from studykit.protocol.types import Protocol
from studykit.trial.batch import simulate_batch
from studykit.trial.performance import batch_size, batches_of, estimate_trials
from studykit.trial.settings import TrialSettings

Floats = NDArray[np.float64]
LEAST_ROUND = 1000


@dataclass(frozen=True, slots=True, eq=False)
class RetentionTrials:
    """Trials at one place: 1 for a rejection, and the width of each interval, ``nan`` where it failed."""

    rejected: Floats
    width: Floats

    @property
    def trials(self) -> int:
        """How many there are."""
        return self.rejected.size

    def and_more(self, more: RetentionTrials) -> RetentionTrials:
        """Both rounds at the same place."""
        return RetentionTrials(
            np.concatenate([self.rejected, more.rejected]), np.concatenate([self.width, more.width])
        )

    def point(self, x: int, target: Target) -> CurvePoint:
        """Power, or mean width in shares."""
        values = self.rejected if target == "power" else self.width[np.isfinite(self.width)]
        nothing = np.empty(0)
        return CurvePoint(x, self.trials, *corrected_mean(values, values, nothing))


def search_retention_clients(
    protocol: Protocol,
    assumptions: TrialSettings | None = None,
    *,
    target: Target = "power",
    wanted: float | None = None,
    seed: int = 1,
    workers: Workers = 1,
    close: float = 0.02,
    most_trials: int = 20_000,
    tell: Told | None = None,
) -> Found:
    """The smallest number of clients for a power, or a width of the interval, of the share retained.

    Parameters
    ----------
    protocol : Protocol
        With a retention outcome, and a continuous one, whose tests are simulated as well.
    assumptions : TrialSettings, optional
        By default the protocol's planning assumptions; power is about the difference that they hold.
    target : {"power", "width"}
    wanted : float, optional
        Power as a share (by default the protocol's), or full width in percentage points (by default twice
        the smallest worthwhile difference).
    seed, workers, close, most_trials, tell
        As for `search.search_number`.

    Raises
    ------
    ArgumentError
        If there is no target, or nothing differs between the arms.
    DesignError
        As `simulate_study`, or without a retention outcome.
    """
    if "retention" not in analyses_of(protocol):
        raise DesignError(
            where="protocol, outcomes", expected="a retention outcome", got="none", todo="Add one."
        )
    settings = settings_for(protocol, assumptions, clients=None)
    reference, compared = settings.retention.retained[:2]
    if target == "power" and reference == compared:
        raise ArgumentError(where="search", expected="a difference that is not 0", got="0")
    goal = goal_of(protocol, protocol.retention_outcome, target=target, wanted=wanted)
    level = level_of(protocol)
    scale = Assumptions(protocol, scale=protocol.continuous_outcomes[0].scale)
    model = replace(
        retention_model(protocol, scale, alpha=level), reference=reference, compared=compared,
        trainers=settings.trainers, power=goal if target == "power" else protocol.planning.power,
    )  # fmt: skip
    closed = (
        clients_for_retention_power(model)
        if target == "power"
        else clients_for_retention_width(model, half_width=goal / 2.0)
    )
    task = Task(
        shape=Shape(
            target,
            goal if target == "power" else goal / 100.0,
            float(closed or settings.clients),
            level=level,
        ),
        quantity="clients",
        wanted=goal,
        closed_form=closed,
        limits=(max(8.0, 2.0 * settings.trainers), float(MOST_CLIENTS)),
        least_round=LEAST_ROUND,
        close=close,
        most_trials=most_trials,
    )
    if closed is None or closed > MOST_CLIENTS:
        return out_of_reach(task)

    def simulate(x: int, size: int, first: int, done: int) -> Round:
        own = replace(settings, clients=x)
        sizes = batches_of(size, batch_size(own))
        work = partial(_piece, protocol, own, level, seed, first)

        def told(finished: int, _total: int) -> None:
            if tell is not None:
                tell(done + finished, done + size)

        result = do_pieces(work, sizes, workers=workers, tell=told)
        if not result.results:
            return Round(None, 0, stopped=True)
        place = result.results[0]
        for part in result.results[1:]:
            place = place.and_more(part)
        return Round(place, len(sizes), stopped=result.stopped)

    return run_search(task, simulate)


def _piece(
    protocol: Protocol, settings: TrialSettings, level: float, seed: int, first: int, size: int, number: int
) -> RetentionTrials:
    batch = simulate_batch(settings, size, seed=seed, batch=first + number)
    found = estimate_trials(protocol, batch, "retention")
    rejected = np.nan_to_num(found.p_value, nan=1.0) <= level
    return RetentionTrials(rejected.astype(float), found.upper - found.lower)
