"""How many studios like this one a question takes: in these studios, in studios like these, for retention.

*These studios*: the errors of k studios average out. *Studios like these*: their true effects spread as
well, and the interval goes by k - 1 degrees of freedom. Closed forms by noncentral t; simulated where they
are too hopeful, with few studios or no spread, since the interval there is kept cautious.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from studykit.planning.outcome_plan import OutcomePlan
from studykit.planning.power import t_power
from studykit.pooling.joining_list import FEW
from studykit.pooling.pool import ENOUGH_FOR_ONE_MORE
from studykit.pooling.statistics import like_many
from studykit.protocol.types import Protocol
from studykit.randomness import stream

SPREADS = (0.0, 0.02, 0.05)
"""Standard deviations between studios, on the log scale: judgement, no source."""
IN_STRENGTH, IN_RETENTION = (2.0, 2.5, 3.0), (5.0, 10.0)
MOST = 300
_SETS = 2_000
_ALPHA = 0.05  # pooled answers are read by their 95 % interval


@dataclass(frozen=True, slots=True)
class StudiosNeeded:
    """Studios for the wanted power at one difference; ``None`` where 300 are too few.

    Parameters
    ----------
    difference : float
        As told: per cent, or percentage points.
    these : int or None
        To answer for these studios only.
    like : tuple of (int or None)
        To answer for studios like these, one for each of `SPREADS`; empty for retention.
    simulated : tuple of bool
        Which of ``like`` are simulated.
    """

    difference: float
    these: int | None
    like: tuple[int | None, ...] = ()
    simulated: tuple[bool, ...] = ()


@dataclass(frozen=True, slots=True)
class Together:
    """What studios like this one can do together.

    Parameters
    ----------
    clients : int
        Of each studio, in all arms.
    power : float
        Wanted.
    strength, retention : tuple of StudiosNeeded
    enough_clients : tuple of int
        Tested clients a studio from which only more studios help, for each spread above zero.
    """

    clients: int
    power: float
    strength: tuple[StudiosNeeded, ...]
    retention: tuple[StudiosNeeded, ...]
    enough_clients: tuple[int, ...]


def plan_together(protocol: Protocol, outcomes: tuple[OutcomePlan, ...], *, clients: int) -> Together | None:
    """Studios needed; ``None`` where studies of this kind are not pooled."""
    lead = next((plan for plan in outcomes if plan.one_study is not None and plan.unit == "%"), None)
    if lead is None or lead.one_study is None or not protocol.can_be_pooled:
        return None
    error, freedom, tested = lead.one_study
    power = protocol.planning.power
    found = []
    for difference in IN_STRENGTH:
        effect = lead.on_scale(difference)
        like = [_like(effect, error, freedom, spread, power) for spread in SPREADS]
        these = _fewest(lambda k, effect=effect: these_power(effect, error, freedom, k), power, 2)  # type: ignore[misc]
        found.append(StudiosNeeded(difference, these, *map(tuple, zip(*like, strict=True))))
    stays = next((plan for plan in outcomes if plan.in_attendance), None)
    return Together(
        clients=clients,
        power=power,
        strength=tuple(found),
        retention=() if stays is None else tuple(_retention(stays, clients)),
        enough_clients=tuple(math.ceil(error**2 * tested / spread**2) for spread in SPREADS if spread),
    )


def these_power(effect: float, error: float, freedom: float, studios: int) -> float:
    """Power in these studios: each with the same error, and degrees of freedom that add up."""
    return t_power(effect, error / math.sqrt(studios), degrees_of_freedom=studios * freedom, alpha=_ALPHA)


def like_power(effect: float, error: float, spread: float, studios: int) -> float:
    """Power in studios like these by the formula: too hopeful with few studios or no spread.

    Examples
    --------
    Twenty studios of 42 tested clients whose effects spread by .02, a difference of 2.5 %:

    >>> error = 2 * 0.088 * (1 / 42 * (1 + 1 / 38)) ** 0.5
    >>> round(like_power(0.0247, error, 0.02, 20), 2)
    0.87
    """
    whole = math.sqrt((error**2 + spread**2) / studios)
    return t_power(effect, whole, degrees_of_freedom=studios - 1, alpha=_ALPHA)


def simulated_power(effect: float, error: float, freedom: float, spread: float, studios: int) -> float:
    """The same from 2,000 simulated poolings; Monte Carlo error 0.9 points at 80 %."""
    rng = stream(1, "studios together", studios, round(1000 * spread))
    shape = (_SETS, studios)
    values = effect + math.hypot(error, spread) * rng.standard_normal(shape)
    errors = error * np.sqrt(rng.chisquare(freedom, shape) / freedom)
    answer, _ = like_many(values, errors)
    lower = answer.value - stdtrit(answer.degrees_of_freedom, 1.0 - _ALPHA / 2.0) * answer.standard_error
    return float((lower > 0.0).mean())


def _like(
    effect: float, error: float, freedom: float, spread: float, power: float
) -> tuple[int | None, bool]:
    """From five studios on; simulated from where the formula stops where it is too hopeful."""
    known = _fewest(lambda k: like_power(effect, error, spread, k), power, FEW)
    if known is None or (spread > 0.0 and known >= ENOUGH_FOR_ONE_MORE):
        return known, False
    return _fewest(lambda k: simulated_power(effect, error, freedom, spread, k), power, known), True


def _fewest(power_of: Callable[[int], float], power: float, first: int) -> int | None:
    """Fewest studios with this power: doubled steps until there are enough, then halved."""
    few, many, step = first - 1, first, 1
    while power_of(many) < power:
        few, step = many, 2 * step
        many += step
        if many > MOST:
            return None
    while many - few > 1:
        middle = (few + many) // 2
        few, many = (few, middle) if power_of(middle) >= power else (middle, many)
    return many


def _retention(plan: OutcomePlan, clients: int) -> list[StudiosNeeded]:
    needed = [(points, plan.clients_to_find(points)) for points in IN_RETENTION]
    return [
        StudiosNeeded(points, None if n is None else max(2, math.ceil(n / clients))) for points, n in needed
    ]


def together_sentences(together: Together) -> tuple[str, ...]:
    """What the numbers mean, for the page and for a terminal."""
    often, size = f"{100.0 * together.power:g} of 100 times", f"{together.clients} clients each"
    found = [f"Studios of {size}, all by this protocol, to find a true difference {often}."]
    found += [_strength_line(item) for item in together.strength]
    if together.retention:
        told = "; ".join(f"{item.difference:g} points: {_told(item.these)}" for item in together.retention)
        found.append(f"Who stays, in these studios only: {told} studios.")
    enough = " and ".join(
        f"{number} tested clients a studio at {100.0 * spread:g} %"
        for number, spread in zip(together.enough_clients, (s for s in SPREADS if s), strict=True)
    )
    return (
        *found,
        f"For studios like these, more clients soon stop helping: from {enough} on, only more studios do.",
        "How far effects differ between studios is not known: 2 % and 5 % are judgement. A star: simulated.",
        "To begin: studykit studios new LIST --study STUDY --closes DATE --due DATE.",
    )


def together_in_short(together: Together) -> tuple[str, str]:
    """Two lines for a terminal; the rest stands on the page."""

    def told(numbers: list[int | None]) -> str:
        return ", ".join(map(_told, numbers))

    sizes = ", ".join(f"{item.difference:g}" for item in together.strength)
    these, like = [item.these for item in together.strength], [item.like[1] for item in together.strength]
    stays = "; ".join(f"{item.difference:g} points: {_told(item.these)}" for item in together.retention)
    enough = together.enough_clients[0]
    return (
        (
            f"Strength, {sizes} %: {told(these)} studios of {together.clients} clients to answer for these "
            f"studios; {told(like)} for studios like these that differ by {100.0 * SPREADS[1]:g} %."
        ),
        (
            f"Who stays: {stays or 'not planned'}. From {enough} tested clients a studio on, only more "
            "studios help. More on the page."
        ),
    )


def _strength_line(item: StudiosNeeded) -> str:
    like = ", ".join(
        f"{_told(number)}{'*' if simulated else ''} if they differ by {100.0 * spread:g} %"
        for number, spread, simulated in zip(item.like, SPREADS, item.simulated, strict=True)
    )
    these = _told(item.these)
    return f"Strength, {item.difference:g} %: {these} for these studios; for studios like these {like}."


def _told(number: int | None) -> str:
    return f"over {MOST}" if number is None else f"{number}"
