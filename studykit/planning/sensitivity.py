"""How the answer hangs on what is assumed: power over plausible effects, widths at the ends of a range."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from studykit.errors import DesignError
from studykit.planning.assumptions import Assumptions, UsedAssumption
from studykit.planning.kind_planning import planning_of
from studykit.planning.outcome_plan import OutcomePlan, OutcomePoint
from studykit.planning.power import chance_of_direction, spread_of_prior
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Assumption, Protocol


@dataclass(frozen=True, slots=True)
class ChancePoint:
    """Chances of one number of clients.

    Parameters
    ----------
    clients : int
        In all arms together.
    if_assumed : float
        Power, if the difference is as assumed.
    averaged : float
        Assurance: power in the expected direction, averaged over the prior.
    if_largest : float
        Power, if the difference is the largest plausible one.
    """

    clients: int
    if_assumed: float
    averaged: float
    if_largest: float


@dataclass(frozen=True, slots=True)
class ChancePlan:
    """Chances of a study of one outcome.

    Parameters
    ----------
    outcome : str
        Code.
    planned : ChancePoint
    curve : tuple of ChancePoint
    prior_mean, prior_low, prior_high : float
        Of the normal prior: middle, and the ends of its central 95 per cent; per cent, unit or points.
    largest : float
        Largest plausible difference, same unit.
    at_most : float
        Probability that the difference has the expected direction: no number of clients gives more.
    """

    outcome: str
    planned: ChancePoint
    curve: tuple[ChancePoint, ...]
    prior_mean: float
    prior_low: float
    prior_high: float
    largest: float
    at_most: float


@dataclass(frozen=True, slots=True)
class WidthSpread:
    """Between what an interval's width may lie, by the luck of the sample.

    Parameters
    ----------
    outcome : str
        Code.
    low, high : float
        Full widths: 80 of 100 studies lie between them, one in ten below and one in ten above.
    """

    outcome: str
    low: float
    high: float


def plan_chances(assumptions: Assumptions, plan: OutcomePlan, *, kept: float) -> ChancePlan:
    """Chances to find a difference, by number of clients.

    Parameters
    ----------
    assumptions : Assumptions
        Of the outcome.
    plan : OutcomePlan
    kept : float
        What is left of a declared effect after dilution.
    """
    effect = assumptions.assumption(plan.effect_key)
    low, high = (kept * plan.on_scale(end) for end in effect.ends)
    mean = kept * plan.on_scale(effect.value)
    spread = spread_of_prior(low, high)
    largest = max((low, mean, high), key=abs)

    def at(point: OutcomePoint) -> ChancePoint:
        averaged = plan.averaged_power(point, mean, spread)
        return ChancePoint(point.clients, point.power, averaged, plan.power_at(point, largest))

    return ChancePlan(
        outcome=plan.outcome,
        planned=at(plan.planned),
        curve=tuple(at(point) for point in plan.curve),
        prior_mean=plan.told(mean),
        prior_low=plan.told(low),
        prior_high=plan.told(high),
        largest=plan.told(largest),
        at_most=chance_of_direction(mean, spread),
    )


def width_spread(plan: OutcomePlan) -> WidthSpread | None:
    """Between what the width of the planned interval lies in 80 of 100 studies; ``None`` if not known."""
    found = plan.width_quantiles()
    return None if found is None else WidthSpread(plan.outcome, *found)


@dataclass(frozen=True, slots=True)
class WhatIf:
    """One assumption moved to one end of its range, everything else as assumed.

    Parameters
    ----------
    outcome : str
        Code of the outcome whose interval is meant.
    key, meaning : str
        The assumption.
    end : {"low", "high"}
    value : float
        Of the assumption, at that end.
    width : float
        Full width of the interval, as it is told.
    detectable : float or None
        Difference found with the wanted power, in the same unit.
    """

    outcome: str
    key: str
    meaning: str
    end: Literal["low", "high"]
    value: float
    width: float
    detectable: float | None


def what_if(
    protocol: Protocol,
    outcomes: Sequence[OutcomeSection],
    *,
    clients: int,
    alpha: float,
    used: tuple[UsedAssumption, ...],
) -> tuple[WhatIf, ...]:
    """Widths with each assumption at the ends of its plausible range.

    Parameters
    ----------
    protocol : Protocol
    outcomes : sequence of OutcomeSection
        Those that are planned.
    clients : int
        In all arms together.
    alpha : float
    used : tuple of UsedAssumption
        What the plan used; others are not moved.
    """
    found: list[WhatIf] = []
    for item in used:
        ends: tuple[tuple[Literal["low", "high"], float], ...] = (("low", item.low), ("high", item.high))
        for end, value in ends:
            if value != item.value:
                for outcome in outcomes:
                    found += _moved(protocol, outcome, item, end, value, clients=clients, alpha=alpha)
    return tuple(found)


def moved_for(
    protocol: Protocol, outcome: OutcomeSection, item: UsedAssumption, value: float
) -> Protocol | None:
    """The protocol for one outcome with one assumption moved; None where that is about another outcome."""
    own = item.key in type(outcome.assumptions).model_fields and not protocol.is_first_of_kind(outcome)
    if item.outcome != (outcome.code if own else ""):
        return None
    view = protocol.for_outcome(outcome)
    moved = Assumption(value=value, source=item.source, evidence=item.evidence)
    return view.model_copy(update={"planning": view.planning.model_copy(update={item.key: moved})})


def _moved(
    protocol: Protocol,
    outcome: OutcomeSection,
    item: UsedAssumption,
    end: Literal["low", "high"],
    value: float,
    *,
    clients: int,
    alpha: float,
) -> list[WhatIf]:
    kind, changed = planning_of(outcome), moved_for(protocol, outcome, item, value)
    if changed is None or item.key not in kind.MOVE_WIDTH:
        return []
    own = Assumptions(changed, outcome)
    try:
        point = kind.point(changed, outcome, own, clients=clients, alpha=alpha)
    except DesignError:
        return []  # the end of one range can be impossible together with the others
    if point is None:
        return []
    return [WhatIf(outcome.code, item.key, item.meaning, end, value, point.width, point.detectable)]
