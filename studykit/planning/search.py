"""Searches by simulation: the smallest number that reaches a power or a width, the smallest effect found.

The search goes where the fitted curve reaches the target, simulates there, fits again, and stops once the
interval from Monte Carlo error is narrow enough. All places count (`search_curve`), and every trial is put to
its best use (`search_trials`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np
from scipy.optimize import brentq

from studykit.errors import ArgumentError, DesignError
from studykit.outcomes.decision import level_at_the_end
from studykit.planning.assumptions import Assumptions
from studykit.planning.search_curve import CurvePoint, Shape, Target, find_root
from studykit.planning.search_trials import Errors, PlaceTrials, errors_of_batch
from studykit.planning.simulation import TRUTH_CLIENTS, analyses_of, settings_for
from studykit.planning.simulation_work import Told, Workers, do_pieces
from studykit.planning.strength import (
    clients_for_strength_power,
    clients_for_strength_width,
    strength_model,
)
from studykit.protocol.types import Protocol
from studykit.trial.performance import batch_size, batches_of
from studykit.trial.settings import TrialSettings
from studykit.trial.truth import true_strength

Quantity = Literal["clients", "trainers", "weeks"]
LARGEST_ROUND = 1500
MOST_CLIENTS = 1000  # simulated in one study
CLOSEST_NUMBER = 2.0  # clients, trainers or weeks: close enough as well
_NORMAL_95 = 1.96


@dataclass(frozen=True, slots=True)
class Found:
    """The answer of a search.

    Parameters
    ----------
    quantity : {"clients", "trainers", "weeks"}
    target : {"power", "width"}
    wanted : float
        A share, or a width as it is told.
    number : int or None
        The smallest number that reaches it; ``None`` where none that can be simulated does.
    low, high : float
        95 % interval of the number from Monte Carlo error.
    closed_form : int or None
        What the closed form says.
    trials : int
        Studies analysed by the protocol's own analysis.
    points : tuple of CurvePoint
        All places, for pictures: power as a share, or width on the scale of the analysis.
    precise : bool
        Whether the interval became as narrow as was asked.
    stopped : bool
        Whether somebody stopped the search.
    remark : str
        What else must be known, ``""`` for nothing.
    """

    quantity: Quantity
    target: Target
    wanted: float
    number: int | None
    low: float
    high: float
    closed_form: int | None
    trials: int
    points: tuple[CurvePoint, ...]
    precise: bool
    stopped: bool
    remark: str = ""


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
    """

    clients: int
    power: float
    value: float
    low: float
    high: float
    trials: int


@dataclass(frozen=True, slots=True)
class _Search:
    """What stays the same during a search."""

    protocol: Protocol
    settings: TrialSettings
    seed: int
    workers: Workers
    level: float
    truth: float


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
    """The smallest number of clients, trainers or weeks that reaches a power or a width.

    Parameters
    ----------
    protocol : Protocol
        Its first continuous outcome is meant.
    assumptions : TrialSettings, optional
        By default the protocol's planning assumptions.
    quantity : {"clients", "trainers", "weeks"}
        With more trainers the clients of each stay as many; weeks are those to the primary visit.
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
    analyses_of(protocol)
    settings = settings_for(protocol, assumptions, clients=None)
    search = _Search(protocol, settings, seed, workers, level_of(protocol), strength_truth(settings, seed))
    meant = search.truth if effect is None else effect
    if target == "power" and meant == 0.0:
        raise ArgumentError(
            where="search", expected="a difference that is not 0", got="0",
            todo="No number of clients shows that there is no difference; ask for a width.",
        )  # fmt: skip
    goal = _goal(protocol, target, wanted)
    closed = closed_form_number(protocol, settings, target=target, wanted=goal, effect=meant)
    start = _start(quantity, settings, closed)
    if quantity == "clients" and (closed is None or closed > MOST_CLIENTS):
        return _out_of_reach(quantity, target, goal, closed)
    on_scale_of_analysis = goal if target == "power" else analysis_width(goal, settings.strength.scale)
    shape = Shape(target, on_scale_of_analysis, start, level=search.level)
    return _run(search, shape, quantity=quantity, effect=meant, goal=goal, closed=closed, close=close,
                most_trials=most_trials, tell=tell)  # fmt: skip


def strength_truth(settings: TrialSettings, seed: int) -> float:
    """The true difference in strength as it reaches the analysis, on its scale."""
    return true_strength(settings, seed=seed, trials=max(2, TRUTH_CLIENTS // settings.clients)).value


def level_of(protocol: Protocol) -> float:
    """Two-sided level of one primary outcome, where several share it evenly."""
    primaries = sum(outcome.role == "primary" for outcome in protocol.outcomes)
    return level_at_the_end(protocol) / max(primaries, 1)


def analysis_width(told: float, scale: str) -> float:
    """A width as it is told, on the scale of the analysis."""
    return 2.0 * math.asinh(told / 200.0) if scale == "log" else told


def _goal(protocol: Protocol, target: Target, wanted: float | None) -> float:
    if wanted is not None:
        return wanted
    if target == "power":
        return protocol.planning.power
    worthwhile = protocol.continuous_outcomes[0].smallest_worthwhile
    if worthwhile is None:
        raise ArgumentError(
            where="search, wanted", expected="a width, since the protocol names no smallest worthwhile "
            "difference", got="none",
        )  # fmt: skip
    return 2.0 * worthwhile


def closed_form_number(
    protocol: Protocol, settings: TrialSettings, *, target: Target, wanted: float, effect: float
) -> int | None:
    """Clients by the closed form; ``None`` if out of reach."""
    outcome = protocol.continuous_outcomes[0]
    model = strength_model(
        protocol, outcome, Assumptions(protocol, scale=outcome.scale), alpha=level_of(protocol)
    )
    model = replace(model, trainers=settings.trainers, power=wanted if target == "power" else model.power)
    if target == "power":
        return clients_for_strength_power(model, effect=effect)
    # The closed form's half width is told upwards: to what the upper end is, as a ratio of one.
    half = analysis_width(wanted, outcome.scale) / 2.0
    return clients_for_strength_width(
        model, half_width=100.0 * math.expm1(half) if outcome.scale == "log" else half
    )


def _start(quantity: Quantity, settings: TrialSettings, closed: int | None) -> float:
    """Where the search begins: the closed form's answer, or the plan."""
    if quantity == "clients":
        return float(closed or settings.clients)
    if quantity == "trainers":
        return max(2.0, (closed or settings.clients) * settings.trainers / settings.clients)
    return settings.strength.primary_day / 7.0


def _out_of_reach(quantity: Quantity, target: Target, goal: float, closed: int | None) -> Found:
    says = "says that no number does" if closed is None else f"says {closed}"
    remark = f"not simulated: the closed form {says}, and no more than {MOST_CLIENTS} clients are simulated"
    return Found(quantity, target, goal, None, math.nan, math.nan, closed, 0, (), False, False, remark)


def _run(
    search: _Search,
    shape: Shape,
    *,
    quantity: Quantity,
    effect: float,
    goal: float,
    closed: int | None,
    close: float,
    most_trials: int,
    tell: Told | None,
) -> Found:
    """Simulate at the root of the curve, fit, and go on until the interval is narrow."""
    places: dict[int, PlaceTrials] = {}
    least, most = _limits(quantity, search.settings)
    x = round(min(max(shape.answer, least), most))
    done = first = 0
    size = least_round = _least_round(search.settings)
    stopped = precise = False
    while True:
        size = min(size, most_trials - done)
        found, used, stopped = _round(search, quantity, x, size=size, first=first, tell=tell, done=done)
        first += used
        if found is not None:
            places[x] = PlaceTrials.joined([places[x], found] if x in places else [found])
            done += found.trials
        if not places:
            return Found(quantity, shape.target, goal, None, math.nan, math.nan, closed, 0, (), False, True,
                         "stopped before the first round of trials was done")  # fmt: skip
        points = [
            place.power(at, effect) if shape.target == "power" else place.width(at)
            for at, place in places.items()
        ]
        known = [point for point in points if math.isfinite(point.value)]
        if not known:  # too few clients for any analysis
            if stopped or done >= most_trials or x >= most:
                return Found(quantity, shape.target, goal, None, math.nan, math.nan, closed, done, (), False,
                             stopped, "no analysis goes through with so few")  # fmt: skip
            x = round(min(1.5 * x + 1.0, most))
            continue
        root = find_root(shape, known)
        narrow = max(CLOSEST_NUMBER, close * root.x)
        nearest = min(abs(math.log(at / min(max(root.x, least), most))) for at in places)
        precise = root.half_width <= narrow and nearest < 0.1
        outside = root.high < least or root.low > most
        if stopped or precise or done >= most_trials or (outside and x in {round(least), round(most)}):
            break
        needed = done * (root.half_width / narrow) ** 2 - done
        size = int(min(max(needed, least_round), LARGEST_ROUND)) if nearest < 0.1 else least_round
        x = round(min(max(root.x, least), most))
    number: int | None = math.ceil(root.x - 1e-9)
    remark = ""
    if root.x > most:
        number, remark = None, f"more than {most:g} {quantity}, the most that are simulated"
    elif root.x < least:
        number, remark = math.ceil(least), f"{least:g} {quantity} or fewer, the fewest that are simulated"
    return Found(quantity, shape.target, goal, number, root.low, root.high, closed, done, tuple(points),
                 precise, stopped, remark)  # fmt: skip


def _least_round(settings: TrialSettings) -> int:
    """Trials of the own analysis in a round: fewer where it is slow, and the stand-in very alike."""
    return 100 if len(settings.machines) > 1 else 250


def _further(settings: TrialSettings) -> int:
    """Trials of the stand-in alone for each one of the protocol's own analysis."""
    return 12 if len(settings.machines) > 1 else 4


def _limits(quantity: Quantity, settings: TrialSettings) -> tuple[float, float]:
    if quantity == "clients":
        return max(8.0, 2.0 * settings.trainers), float(MOST_CLIENTS)
    if quantity == "trainers":
        each = settings.clients / settings.trainers
        return (4.0 if settings.trainers_deliver == "one arm" else 1.0), max(2.0, MOST_CLIENTS / each)
    return 2.0, 104.0


def place_at(quantity: Quantity, settings: TrialSettings, x: int) -> TrialSettings:
    """The settings with another number of clients, trainers or weeks."""
    if quantity == "clients":
        return replace(settings, clients=x)
    if quantity == "trainers":
        each = settings.clients / settings.trainers
        return replace(settings, trainers=x, clients=max(2, round(each * x)))
    return settings.with_primary_day(7 * x)


def _round(
    search: _Search, quantity: Quantity, x: int, *, size: int, first: int, tell: Told | None, done: int
) -> tuple[PlaceTrials | None, int, bool]:
    """One round at one place: own analyses, then the stand-in alone; batches used, and whether stopped."""
    settings = place_at(quantity, search.settings, x)
    truth = search.truth if quantity != "weeks" else strength_truth(settings, search.seed)
    own, further = (batches_of(number, batch_size(settings)) for number in (size, _further(settings) * size))
    work = partial(_piece, search, settings, truth, len(own), first)
    expected = done + size

    def told(finished: int, _total: int) -> None:
        if tell is not None:
            tell(done + min(finished, size), expected)

    result = do_pieces(work, (*own, *further), workers=search.workers, tell=told)
    parts = result.results
    whole = len(parts) == len(own) + len(further)
    if not whole and len(parts) <= len(own):
        if not parts:
            return None, 0, True
        both = parts
        rest: tuple[tuple[Errors, ...], ...] = ()
    else:
        both, rest = parts[: len(own)], parts[len(own) :]
    nothing = Errors(*(np.empty(0),) * 4)
    return (
        PlaceTrials(
            Errors.joined(part[0] for part in both),
            Errors.joined(part[1] for part in both),
            Errors.joined([part[0] for part in rest] or [nothing]),
        ),
        len(own) + len(further),
        result.stopped,
    )


def _piece(
    search: _Search, settings: TrialSettings, truth: float, own: int, first: int, size: int, number: int
) -> tuple[Errors, ...]:
    return errors_of_batch(
        search.protocol,
        settings,
        truth=truth,
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
    """The smallest true difference in strength that the clients at hand show with the wanted power.

    Parameters
    ----------
    protocol, assumptions, clients, seed, workers
        As for `simulate_study`.
    power : float, optional
        By default the protocol's.
    trials : int
        One set of trials serves for all effects.

    Raises
    ------
    DesignError
        If no difference is found with this power: the analysis fails too often.
    """
    settings = settings_for(protocol, assumptions, clients=clients)
    analyses_of(protocol)
    wanted = protocol.planning.power if power is None else power
    search = _Search(protocol, settings, seed, workers, level_of(protocol), strength_truth(settings, seed))
    place, _, _ = _round(search, "clients", settings.clients, size=trials, first=0, tell=tell, done=0)
    if place is None:
        raise ArgumentError(where="search", expected="one batch of trials", got="a stop before its end")
    return effect_at(place, clients=settings.clients, power=wanted)


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
