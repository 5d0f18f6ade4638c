"""Searches by simulation: the smallest number that reaches a power or a width, the smallest effect found.

The search goes where the fitted curve reaches the target, simulates there, fits again, and stops once the
interval from Monte Carlo error is narrow enough. All places count (`search_curve`), and every trial is put to
its best use (`search_trials`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.optimize import brentq

from studykit.errors import ArgumentError, DesignError
from studykit.planning.kind_planning import search_of, searched_outcome
from studykit.planning.outcome_plan import level_of
from studykit.planning.search_loop import (
    MOST_CLIENTS,
    Found,
    Quantity,
    Round,
    Shape,
    Target,
    Task,
    out_of_reach,
    run_search,
)
from studykit.planning.search_trials import NOTHING, Errors, PlaceTrials, errors_of_batch
from studykit.planning.simulation import settings_for
from studykit.planning.simulation_work import Told, Workers, do_pieces
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Protocol
from studykit.trial.performance import batch_size, batches_of
from studykit.trial.settings import TrialSettings

_NORMAL_95 = 1.96


@dataclass(frozen=True, slots=True)
class FoundEffect:
    """The difference that the clients at hand can show.

    Parameters
    ----------
    clients : int
    power : float
    value, low, high : float
        On the scale of the analysis, with its 95 % interval from Monte Carlo error.
    trials : int
    stopped : bool
        Whether somebody stopped the search.
    """

    clients: int
    power: float
    value: float
    low: float
    high: float
    trials: int
    stopped: bool = False


@dataclass(frozen=True, slots=True)
class _Search:
    """What stays the same during a search."""

    protocol: Protocol
    outcome: OutcomeSection
    settings: TrialSettings
    seed: int
    workers: Workers
    level: float
    truth: float

    @classmethod
    def of(
        cls,
        protocol: Protocol,
        assumptions: TrialSettings | None,
        clients: int | None,
        seed: int,
        workers: Workers,
    ) -> _Search:
        """Of the outcome that searches are about, alone in its world."""
        outcome = searched_outcome(protocol)
        view = protocol.for_outcome(outcome)
        settings = settings_for(view, assumptions, clients=clients).of(outcome.code)
        return cls(view, outcome, settings, seed, workers, level_of(protocol), math.nan).settled()

    def settled(self, effect: float | None = None) -> _Search:
        """The same with its truth worked out; with another true effect where one is given."""
        kind, settings = search_of(self.outcome), self.settings
        if effect is not None:
            settings = kind.with_true_effect(settings, effect, self.seed)
        return replace(self, settings=settings, truth=kind.true_effect(settings, self.seed))


def search_number(
    protocol: Protocol,
    assumptions: TrialSettings | None = None,
    *,
    quantity: Quantity = "clients",
    target: Target = "power",
    wanted: float | None = None,
    effect: float | None = None,
    seed: int = 1,
    workers: Workers = 1,
    close: float = 0.02,
    most_trials: int = 6000,
    tell: Told | None = None,
) -> Found:
    """The smallest number of clients or trainers that reaches a power or a width.

    Parameters
    ----------
    protocol : Protocol
        Its first outcome is meant that can be searched for.
    assumptions : TrialSettings, optional
        By default the protocol's planning assumptions.
    quantity : {"clients", "trainers"}
        With more trainers the clients of each stay as many.
    target : {"power", "width"}
    wanted : float, optional
        Power as a share (by default the protocol's), or full width as it is told.
    effect : float, optional
        True difference as it reaches the analysis, on its scale; by default what the assumptions give.
    seed : int
    workers : int or str
        As for `simulate_study`.
    close : float
        The search ends once the interval reaches no farther than this share of the answer, or two.
    most_trials : int
        Of the protocol's own analysis, in all.
    tell : callable, optional
        Told the trials done and those expected.

    Raises
    ------
    ArgumentError
        If no target is given, or nothing differs between the arms.
    DesignError
        As `simulate_study`.

    Notes
    -----
    Several primary outcomes share the level, as in the closed form.
    """
    search = _Search.of(protocol, assumptions, None, seed, workers)
    if effect is not None:
        search = search.settled(effect)
    settings, outcome, kind = search.settings, search.outcome, search_of(search.outcome)
    meant = search.truth if effect is None else effect
    if target == "power" and meant == 0.0:
        raise ArgumentError(
            where="search", expected="a difference that is not 0", got="0",
            todo="No number of clients shows that there is no difference; ask for a width.",
        )  # fmt: skip
    goal = goal_of(protocol, outcome, target=target, wanted=wanted)
    closed = kind.clients_by_formula(
        search.protocol, outcome, trainers=settings.trainers, alpha=search.level, target=target, wanted=goal,
        effect=meant,
    )  # fmt: skip
    told_goal = goal if target == "power" else kind.analysis_width(outcome, goal)
    task = Task(
        shape=Shape(target, told_goal, _start(quantity, settings, closed), level=search.level),
        quantity=quantity,
        wanted=goal,
        closed_form=closed,
        limits=_limits(quantity, settings),
        least_round=_least_round(settings),
        close=close,
        most_trials=most_trials,
    )
    if quantity == "clients" and (closed is None or closed > MOST_CLIENTS):
        return out_of_reach(task)

    def simulate(x: int, size: int, first: int, done: int) -> Round:
        here = replace(search, settings=place_at(quantity, settings, x))
        return _round(here, size=size, first=first, effect=meant, tell=tell, done=done)

    return run_search(task, simulate)


def goal_of(protocol: Protocol, outcome: OutcomeSection, *, target: Target, wanted: float | None) -> float:
    """What is wanted: as given, else the protocol's power, or twice the smallest worthwhile difference.

    Raises
    ------
    ArgumentError
        If a width is asked for and neither is given.
    """
    if wanted is not None:
        return wanted
    if target == "power":
        return protocol.planning.power
    worthwhile = outcome.smallest_worthwhile
    if worthwhile is None:
        raise ArgumentError(
            where="search, wanted", expected="a width, since the protocol names no smallest worthwhile "
            "difference", got="none",
        )  # fmt: skip
    return 2.0 * worthwhile


def _start(quantity: Quantity, settings: TrialSettings, closed: int | None) -> float:
    """Where the search begins: the closed form's answer, or the plan."""
    if quantity == "clients":
        return float(closed or settings.clients)
    return max(2.0, (closed or settings.clients) * settings.trainers / settings.clients)


def _least_round(settings: TrialSettings) -> int:
    """Trials of the own analysis in a round: fewer where it is slow, and the stand-in very alike."""
    return 100 if len(settings.machines) > 1 else 250


def _further(settings: TrialSettings) -> int:
    """Trials of the stand-in alone for each one of the protocol's own analysis; none within clients."""
    if settings.within is not None:
        return 0
    return 8 if len(settings.machines) > 1 else 4


def _limits(quantity: Quantity, settings: TrialSettings) -> tuple[float, float]:
    if quantity == "clients":
        return max(8.0, 2.0 * settings.trainers), float(MOST_CLIENTS)
    each = settings.clients / settings.trainers
    return (4.0 if settings.draws_trainers else 1.0), max(2.0, MOST_CLIENTS / each)


def place_at(quantity: Quantity, settings: TrialSettings, x: int) -> TrialSettings:
    """The settings with another number of clients or trainers."""
    if quantity == "clients":
        return replace(settings, clients=x)
    each = settings.clients / settings.trainers
    return replace(settings, trainers=x, clients=max(2, round(each * x)))


def _round(
    search: _Search,
    *,
    size: int,
    first: int,
    effect: float,
    tell: Told | None,
    done: int,
) -> Round:
    """One round at one place: own analyses, then the stand-in alone; batches used, and whether stopped."""
    settings = search.settings
    own, further = (batches_of(number, batch_size(settings)) for number in (size, _further(settings) * size))
    work = partial(_piece, search, len(own), first)
    expected = done + size

    def told(finished: int, _total: int) -> None:
        if tell is not None:
            tell(done + min(finished, size), expected)

    result = do_pieces(work, (*own, *further), workers=search.workers, tell=told)
    both, rest = result.results[: len(own)], result.results[len(own) :]
    if not both:
        return Round(None, 0, stopped=True)
    place = PlaceTrials(
        Errors.joined(part[0] for part in both),
        Errors.joined(part[1] for part in both),
        Errors.joined([part[0] for part in rest] or [NOTHING]),
        effect,
    )
    return Round(place, len(own) + len(further), stopped=result.stopped)


def _piece(search: _Search, own: int, first: int, size: int, number: int) -> tuple[Errors, ...]:
    return errors_of_batch(
        search.protocol,
        search.outcome,
        search.settings,
        truth=search.truth,
        level=search.level,
        kinds=("own", "stand-in") if number < own else ("stand-in",),
        seed=search.seed,
        size=size,
        number=first + number,
    )


def search_effect(
    protocol: Protocol,
    assumptions: TrialSettings | None = None,
    *,
    clients: int | None = None,
    power: float | None = None,
    seed: int = 1,
    workers: Workers = 1,
    trials: int = 1000,
    tell: Told | None = None,
) -> FoundEffect:
    """The smallest true difference that the clients at hand show with the wanted power.

    Parameters
    ----------
    protocol, assumptions, clients, seed, workers
        As for `simulate_study`.
    power : float, optional
        By default the protocol's.
    trials : int
        Simulated near the answer, which a tenth as many find roughly.

    Raises
    ------
    DesignError
        If no difference is found with this power: the analysis fails too often.
    """
    search = _Search.of(protocol, assumptions, clients, seed, workers)
    wanted = protocol.planning.power if power is None else power
    found: FoundEffect | None = None
    for size in (max(trials // 10, 50), trials):
        if found is not None:
            search = search.settled(found.value)
        done = _round(search, size=size, first=0, effect=search.truth, tell=tell, done=0)
        if not isinstance(done.place, PlaceTrials):
            break
        found = effect_at(done.place, clients=search.settings.clients, power=wanted)
        if done.stopped:
            break
    else:
        assert found is not None
        return found
    if found is None:
        raise ArgumentError(where="search", expected="one batch of trials", got="a stop before its end")
    return replace(found, stopped=True)


def effect_at(place: PlaceTrials, *, clients: int, power: float) -> FoundEffect:
    """The effect at which simulated trials reach a power.

    Raises
    ------
    DesignError
        If no effect does.
    """

    def lacking(effect: float) -> float:
        return place.power(clients, effect).value - power

    largest = 20.0 * float(np.nanmedian(place.own.reach))
    if not lacking(largest) > 0.0:
        raise DesignError(
            where=f"{clients} clients",
            expected=f"an analysis that goes through in more than {100 * power:g} % of studies",
            got="one that fails more often",
            todo="Plan more clients.",
        )
    value = float(brentq(lacking, 0.0, largest, xtol=1e-4 * largest))
    step = 0.1 * value
    slope = (lacking(value + step) - lacking(value - step)) / (2.0 * step)
    spread = _NORMAL_95 * place.power(clients, value).error / max(slope, 1e-12)
    return FoundEffect(clients, power, value, value - spread, value + spread, place.trials)
