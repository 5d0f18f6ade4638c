"""All that simulation adds to a plan: how the own analysis does, what it needs, and what if it is wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from studykit.errors import ArgumentError, DesignError
from studykit.planning.advice import capital
from studykit.planning.kind_planning import search_of, searched_outcome
from studykit.planning.search import FoundEffect, search_effect, search_number
from studykit.planning.search_curve import Target
from studykit.planning.search_loop import Found
from studykit.planning.simulation import StudySimulation, simulate_study
from studykit.planning.simulation_doubts import SimulatedDoubts, simulate_doubts
from studykit.planning.simulation_work import Told, Workers
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Protocol
from studykit.trial.kind_simulation import simulation_of

Stage = Callable[[str], Told]
"""Makes what is told of one stage of the work, from the stage's name."""
CLOSE = 0.05  # searches for the page end at this share of their answer
MOST_TIMES = 6  # a search takes at most so many times the trials of the planned study


@dataclass(frozen=True, slots=True)
class SimulatedPlan:
    """What simulated studies say of a plan.

    Parameters
    ----------
    study : StudySimulation
        At the planned number of clients, without the single estimates.
    outcome : str
        Code of the outcome that the searches are about.
    unit : str
        In which differences in strength are told.
    detectable : FoundEffect or None
        Difference in strength found with the wanted power by the clients at hand, told in ``unit``.
    largest_plausible : float
        Difference that ``clients_for_largest`` is about, told in ``unit``.
    clients_for_largest : Found or None
        Clients for the wanted power at the largest plausible difference.
    clients_for_worthwhile : Found or None
        Clients for an interval that reaches no farther than the smallest worthwhile difference.
    doubts : SimulatedDoubts or None
    remarks : tuple of str
        What the simulation shows that a reader must know.
    stopped : bool
        Whether somebody stopped the work; what was done is kept.
    """

    study: StudySimulation
    outcome: str
    unit: str
    detectable: FoundEffect | None
    largest_plausible: float
    clients_for_largest: Found | None
    clients_for_worthwhile: Found | None
    doubts: SimulatedDoubts | None
    remarks: tuple[str, ...]
    stopped: bool


def simulate_plan(
    protocol: Protocol,
    *,
    clients: int | None = None,
    trials: int = 500,
    seed: int = 1,
    workers: Workers = 1,
    stage: Stage | None = None,
) -> SimulatedPlan:
    """Simulate a plan: the planned study, the searches, and the doubts.

    Parameters
    ----------
    protocol : Protocol
        With a continuous outcome.
    clients : int, optional
        In all arms together, if not as planned.
    trials : int
        Studies of the planned size; the searches go on until they are precise, or to six times this.
    seed : int
    workers : int or str
        As for `simulate_study`.
    stage : callable, optional

    Returns
    -------
    SimulatedPlan

    Raises
    ------
    ArgumentError, DesignError
        As `simulate_study`.
    """
    tell = stage or (lambda _name: lambda _done, _total: None)
    study = simulate_study(
        protocol, clients=clients, trials=trials, seed=seed, workers=workers, tell=tell("the planned study")
    )
    outcome = searched_outcome(protocol)
    largest = search_of(outcome).largest_plausible(protocol, outcome)
    stopped = study.stopped
    detectable = None
    if not stopped:
        detectable, stopped = _detectable(
            protocol, outcome, study.clients, trials=max(trials // 2, 50), seed=seed, workers=workers,
            tell=tell("the difference that is found"),
        )  # fmt: skip
    found: dict[Target, Found] = {}
    wanted: tuple[tuple[Target, bool], ...] = (
        ("power", largest != 0.0), ("width", outcome.smallest_worthwhile is not None)
    )  # fmt: skip
    for target, possible in wanted:
        if possible and not stopped:
            found[target] = search_number(
                protocol,
                target=target,
                effect=largest if target == "power" else None,
                seed=seed,
                workers=workers,
                close=CLOSE,
                most_trials=MOST_TIMES * trials,
                tell=tell(f"clients for the wanted {target}"),
            )
            stopped = found[target].stopped
    doubts = None
    if not stopped:
        doubts = simulate_doubts(
            protocol, clients=study.clients, trials=max(trials // 2, 50), seed=seed, workers=workers,
            tell=tell("what if the assumptions are wrong"),
        )  # fmt: skip
        stopped = doubts.stopped
    return SimulatedPlan(
        study=replace(study, outcomes=tuple(replace(found, estimates=None) for found in study.outcomes)),
        outcome=outcome.code,
        unit=simulation_of(outcome).unit(outcome),
        detectable=detectable,
        largest_plausible=_told(outcome, largest),
        clients_for_largest=found.get("power"),
        clients_for_worthwhile=found.get("width"),
        doubts=doubts,
        remarks=(*remarks_on_design(protocol), *remarks_on(study, alpha=protocol.analysis.alpha)),
        stopped=stopped,
    )


def _told(outcome: OutcomeSection, value: float) -> float:
    return float(simulation_of(outcome).told(outcome, np.array(value)))


def _detectable(
    protocol: Protocol,
    outcome: OutcomeSection,
    clients: int,
    *,
    trials: int,
    seed: int,
    workers: Workers,
    tell: Told,
) -> tuple[FoundEffect | None, bool]:
    """As it is told, None where the analysis fails too often; and whether somebody stopped the work."""
    try:
        found = search_effect(protocol, clients=clients, trials=trials, seed=seed, workers=workers, tell=tell)
    except ArgumentError:
        return None, True
    except DesignError:
        return None, False
    value, low, high = (_told(outcome, end) for end in (found.value, found.low, found.high))
    return replace(found, value=value, low=low, high=high), found.stopped


def remarks_on_design(protocol: Protocol) -> tuple[str, ...]:
    """Where the simulated studies are kinder than the formula, which then counts.

    Gains fan out with time, so that two tests after training differ less than tests before and after do; the
    formula takes the spread between any two tests to be the same.
    """
    if protocol.plan.within != "periods":
        return ()
    return ("Plan by the formula where the two differ: simulated clients change less from period to period.",)


def remarks_on(study: StudySimulation, *, alpha: float) -> tuple[str, ...]:
    """What the simulated studies show that a reader must know, in plain words."""
    remarks = []
    for found in study.outcomes:
        null, trials = found.without_effect, found.with_effect.trials
        allowed = f"{100 * alpha:g} %"
        if null is not None:
            claims = (
                f"with nothing between the arms it claims a difference in {null.rejected.text()} of studies"
            )
            surely = null.rejected.side_of(0.8 * alpha, alpha)
            if surely == "above":
                remarks.append(
                    f"{capital(found.name)}: the analysis promises too much: {claims}, where {allowed} is "
                    "allowed. "
                    "Do not rely on a verdict; plan more clients or trainers."
                )
            elif surely == "below":
                remarks.append(
                    f"{capital(found.name)}: the analysis is cautious: {claims}, where {allowed} is allowed. "
                    "The price is power."
                )
        if found.with_effect.failed:
            remarks.append(
                f"{capital(found.name)}: in {found.with_effect.failed} of {trials} simulated studies too few "
                "clients "
                "were left for any analysis. They count as having found nothing."
            )
        boundary = found.with_effect.at_boundary
        if boundary.side_of(0.0, 0.05) == "above":
            remarks.append(
                f"{capital(found.name)}: in {100 * boundary.value:.0f} % of studies a spread was "
                "estimated at zero. That is normal with so few clients, and the analysis goes on."
            )
    return tuple(remarks)
