"""What if an assumption is wrong: power and width from simulated studies at either end of its range."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from studykit.errors import DesignError
from studykit.planning.assumptions import Assumptions, UsedAssumption
from studykit.planning.kind_planning import search_of, searched_outcome
from studykit.planning.outcome_plan import level_of
from studykit.planning.search_trials import Errors, errors_of_batch
from studykit.planning.simulation import Measured
from studykit.planning.simulation_work import Told, Workers, do_pieces
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Assumption, Protocol
from studykit.trial.kind_simulation import simulation_of
from studykit.trial.performance import Share, batch_size, batches_of
from studykit.trial.settings import TrialSettings


@dataclass(frozen=True, slots=True)
class SimulatedDoubt:
    """One outcome with one assumption at one end of its range, or, with an empty key, with all as assumed.

    Parameters
    ----------
    key, meaning : str
    end : {"low", "high", "assumed"}
    value : float
        Of the assumption.
    power : Share
    width : Measured
        Full width of the interval, as it is told.
    """

    key: str
    meaning: str
    end: Literal["low", "high", "assumed"]
    value: float
    power: Share
    width: Measured


@dataclass(frozen=True, slots=True)
class SimulatedDoubts:
    """All doubts.

    Parameters
    ----------
    rows : tuple of SimulatedDoubt
        The plan first.
    trials : int
        Studies simulated for each.
    stopped : bool
        Whether somebody stopped the work before the last.
    """

    rows: tuple[SimulatedDoubt, ...]
    trials: int
    stopped: bool


def simulate_doubts(
    protocol: Protocol,
    *,
    clients: int,
    trials: int = 400,
    seed: int = 1,
    workers: Workers = 1,
    tell: Told | None = None,
) -> SimulatedDoubts:
    """Power and width at either end of each assumption's range, the others as assumed.

    Parameters
    ----------
    protocol : Protocol
    clients : int
        In all arms together.
    trials : int
        For each end; the same random numbers everywhere, so that differences stand out.
    seed, workers, tell
        As for `simulate_study`.

    Returns
    -------
    SimulatedDoubts
        An end that is impossible together with the other assumptions is left out.

    Notes
    -----
    Several exercises are analysed by their composite score, which differs little from the full model and is
    much quicker.
    """
    outcome = searched_outcome(protocol)
    view, kind, used = protocol.for_outcome(outcome), search_of(outcome), Assumptions(protocol, outcome)
    for key in kind.MOVE_SIMULATED:
        if key != "correlation_exercises" or len(outcome.tested_on) > 1:
            used.assumption(key)
    cases = _cases(view, used.used, clients)
    size = batch_size(cases[0][1])
    sizes = batches_of(trials, size)
    worlds = tuple((own, kind.true_effect(own, seed, precision=1.0 / 3.0)) for _, own in cases)
    work = partial(_piece, view, outcome, level_of(protocol), worlds, len(sizes), seed)
    done = do_pieces(work, sizes * len(cases), workers=workers, tell=tell)
    found = []
    for place, (case, _) in enumerate(cases):
        own = done.results[place * len(sizes) : (place + 1) * len(sizes)]
        if len(own) < len(sizes):
            break
        found.append(_doubt(case, outcome, own, truth=worlds[place][1]))
    return SimulatedDoubts(tuple(found), trials, done.stopped)


_Case = tuple[str, str, Literal["low", "high", "assumed"], float]


def _cases(
    protocol: Protocol, used: tuple[UsedAssumption, ...], clients: int
) -> list[tuple[_Case, TrialSettings]]:
    """What is moved, and the settings that go with it."""
    cases: list[tuple[_Case, TrialSettings]] = [
        (("", "as assumed", "assumed", 0.0), TrialSettings.from_protocol(protocol, clients=clients))
    ]
    for item in used:
        ends: tuple[tuple[Literal["low", "high"], float], ...] = (("low", item.low), ("high", item.high))
        for end, value in ends:
            if value == item.value:
                continue
            try:
                settings = TrialSettings.from_protocol(_with(protocol, item, value), clients=clients)
            except DesignError:
                continue  # impossible together with the other assumptions
            cases.append(((item.key, item.meaning, end, value), settings))
    return cases


def _with(protocol: Protocol, item: UsedAssumption, value: float) -> Protocol:
    """The protocol with one assumption moved; a correlation takes the place of a spread of gains."""
    changes: dict[str, Assumption | None] = {
        item.key: Assumption(value=value, source=item.source, evidence=item.evidence)
    }
    if item.key == "correlation_baseline":
        changes["sd_gain"] = None
    return protocol.model_copy(update={"planning": protocol.planning.model_copy(update=changes)})


def _piece(
    protocol: Protocol,
    outcome: OutcomeSection,
    level: float,
    worlds: tuple[tuple[TrialSettings, float], ...],
    batches: int,
    seed: int,
    size: int,
    number: int,
) -> Errors:
    """One batch of one case."""
    own, truth = worlds[number // batches]
    several = len(own.machines) > 1
    (found,) = errors_of_batch(
        protocol,
        outcome,
        own,
        truth=truth,
        level=level,
        kinds=("stand-in",) if several else ("own",),
        seed=seed,
        size=size,
        number=number % batches,
    )
    return found


def _doubt(
    case: _Case, outcome: OutcomeSection, parts: tuple[Errors, ...], *, truth: float
) -> SimulatedDoubt:
    errors = Errors.joined(parts)
    rejected = errors.rejections(truth)
    width = Measured.mean_of(errors.width)
    told = float(simulation_of(outcome).presented(outcome).width(np.array(width.value)))
    return SimulatedDoubt(
        *case,
        power=Share.of(float(rejected.sum()), rejected.size),
        width=Measured(told, told * width.monte_carlo_error / width.value),
    )
