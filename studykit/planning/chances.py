"""The chance to find a difference, by number of clients: as assumed, and averaged over what is plausible."""

from __future__ import annotations

from dataclasses import dataclass

from studykit.planning.assumptions import Assumptions
from studykit.planning.assurance import chance_of_direction, spread_of_prior
from studykit.planning.outcome_plan import OutcomePlan, OutcomePoint


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
