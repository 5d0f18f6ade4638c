"""All that simulation adds to a plan, and how it is said: the same for the terminal and the page."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from studykit.errors import ArgumentError, DesignError
from studykit.planning.advice import capital
from studykit.planning.kind_planning import search_of, searched_outcome
from studykit.planning.sample_size_search import FoundEffect, search_effect, search_number
from studykit.planning.search_loop import Found, Target
from studykit.planning.simulation import SimulatedOutcome, StudySimulation, simulate_study
from studykit.planning.simulation_doubts import SimulatedDoubts, simulate_doubts
from studykit.planning.simulation_work import Told, Workers
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Protocol
from studykit.trial.kind_simulation import simulation_of

Stage = Callable[[str], Told]
"""Makes what is told of one stage of the work, from the stage's name."""
CLOSE = 0.05  # searches for the page end at this share of their answer
MOST_TIMES = 6  # a search takes at most so many times the trials of the planned study
IN_BRACKETS = "In brackets: the range that holds the true share 95 times in 100."
HOW = (
    "Each simulated study is drawn by the protocol's own method, tested with rounding to the stack, missed "
    "tests, pauses and departures, analysed by the protocol's own analysis and decided by its own rule. "
    f"{IN_BRACKETS}"
)
HOPEFUL = 1.1  # a formula is called too hopeful where simulation surely asks for a tenth more


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
        unit=simulation_of(outcome).presented(outcome).unit,
        detectable=detectable,
        largest_plausible=_told(outcome, largest),
        clients_for_largest=found.get("power"),
        clients_for_worthwhile=found.get("width"),
        doubts=doubts,
        remarks=(*remarks_on_design(protocol), *remarks_on(study, alpha=protocol.analysis.alpha)),
        stopped=stopped,
    )


def _told(outcome: OutcomeSection, value: float) -> float:
    return float(simulation_of(outcome).presented(outcome).effect(np.array(value)))


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


def simulation_sentences(simulated: SimulatedPlan, protocol: Protocol) -> tuple[str, ...]:
    """Everything in order: the planned study, what it can show, what would be needed, what to know."""
    study = simulated.study
    done = (
        f"{study.trials} studies of {study.clients} clients and {study.trainers} "
        f"trainer{'s' if study.trainers != 1 else ''} were simulated."
    )
    lines = [done]
    if simulated.stopped:
        lines.append(
            f"The work was stopped early: {study.trials} of {study.wanted} studies of the planned size were "
            "done. "
            "What is not below was not reached."
        )
    for found in study.outcomes:
        lines += outcome_sentences(found, alpha=protocol.analysis.alpha)
    if simulated.detectable is not None:
        lines.append(detectable_sentence(simulated.detectable, simulated.unit))
    if simulated.clients_for_largest is not None:
        lines.append(
            needed_sentence(
                simulated.clients_for_largest,
                f"To find a true difference of {_with_unit(simulated.largest_plausible, simulated.unit)}, "
                f"the largest plausible, in {100 * simulated.clients_for_largest.wanted:g} % of studies",
            )
        )
    if simulated.clients_for_worthwhile is not None:
        reach = _with_unit(simulated.clients_for_worthwhile.wanted / 2.0, simulated.unit)
        lines.append(
            needed_sentence(
                simulated.clients_for_worthwhile,
                f"For an interval that reaches no farther than the smallest worthwhile difference ({reach}) "
                "to "
                "either side",
            )
        )
    return (*lines, *simulated.remarks)


def outcome_sentences(found: SimulatedOutcome, *, alpha: float) -> list[str]:
    """Power, type I error and width of one outcome."""
    first = (
        f"{capital(found.name)}: if the true difference is {_with_unit(found.told_truth, found.unit)}, as "
        "assumed, "
        f"{found.with_effect.rejected.text()} of such studies find one."
    )
    if found.without_effect is not None:
        first += (
            f" If there is none, {found.without_effect.rejected.text()} claim one all the same "
            f"({100 * alpha:g} % are allowed)."
        )
    if not math.isfinite(found.width.value):
        return [first, f"{capital(found.name)}: no analysis went through, so that no interval is known."]
    width = (
        f"{capital(found.name)}: the interval is {_with_unit(found.width.value, found.unit)} wide on "
        f"average; one study in ten has less than {_with_unit(found.width_low, found.unit)}, one in ten more "
        f"than {_with_unit(found.width_high, found.unit)}. It holds the truth in "
        f"{found.with_effect.coverage.text()} of studies."
    )
    return [first, width]


def detectable_sentence(found: FoundEffect, unit: str) -> str:
    """The difference that the clients at hand can show.

    Examples
    --------
    >>> detectable_sentence(FoundEffect(40, 0.8, 10.3, 9.84, 10.81, 500), "%")
    'With 40 clients a true difference of 10.3 % is found in 80 % of studies (simulated: 9.8 to 10.8 %).'
    """
    return (
        f"With {found.clients} clients a true difference of {_with_unit(found.value, unit)} is found in "
        f"{100 * found.power:g} % of studies (simulated: {found.low:.1f} to {_with_unit(found.high, unit)})."
    )


def needed_sentence(found: Found, purpose: str) -> str:
    """How many are needed for a purpose.

    Examples
    --------
    >>> found = Found("clients", "power", 0.8, 105, 102.6, 106.6, 106, 1034, (), True, False)
    >>> needed_sentence(found, "For this")
    'For this: about 105 clients (simulated: 102 to 107; the formula says 106).'
    """
    formula = "" if found.closed_form is None else f"; the formula says {found.closed_form}"
    if found.number is None:
        return f"{purpose}: {found.remark}." if found.remark else f"{purpose}: not found."
    interval = f"simulated: {math.floor(found.low)} to {math.ceil(found.high)}"
    text = f"{purpose}: about {found.number} {found.quantity} ({interval}{formula})."
    if found.closed_form is not None and found.low > HOPEFUL * found.closed_form:
        text += (
            " Plan with the simulated number: tables and recommendation rest on the formula, which is too "
            "hopeful here."
        )
    return f"{text} {capital(found.remark)}." if found.remark else text


def _with_unit(value: float, unit: str) -> str:
    return f"{value:.1f} {unit}"
