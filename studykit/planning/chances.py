"""The chance to find a difference, by number of clients: as assumed, and averaged over what is plausible."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from studykit.planning.assumptions import Assumptions
from studykit.planning.assurance import assurance_by_t, averaged, chance_of_direction, spread_of_prior
from studykit.planning.power import ErrorAndFreedom
from studykit.planning.precision import (
    MOST_PER_ARM,
    half_width_quantile,
    score_width_quantiles,
)
from studykit.planning.retention import RetentionPlan, RetentionPoint, retention_power
from studykit.planning.strength import StrengthPlan, StrengthPoint, on_scale, told, told_width


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


def plan_chances(assumptions: Assumptions, plan: StrengthPlan | RetentionPlan, *, kept: float) -> ChancePlan:
    """Chances to find a difference, by number of clients.

    Parameters
    ----------
    assumptions : Assumptions
    plan : StrengthPlan or RetentionPlan
    kept : float
        What is left of a declared effect after dilution.
    """
    is_strength = isinstance(plan, StrengthPlan)
    effect = assumptions.assumption("effect_strength" if is_strength else "effect_retention")
    scale = plan.model.scale if isinstance(plan, StrengthPlan) else ""
    ends = [
        kept * on_scale(effect.value if end is None else end, scale)
        for end in (effect.low, effect.value, effect.high)
    ]
    low, mean, high = ends
    spread = spread_of_prior(low, high)
    largest = max(ends, key=abs)

    def at(point: StrengthPoint | RetentionPoint) -> ChancePoint:
        if isinstance(point, StrengthPoint):
            known = ErrorAndFreedom(point.standard_error, point.degrees_of_freedom)
            alpha = plan.model.alpha
            averaged_chance = assurance_by_t(mean, spread, known, alpha=alpha)
            return ChancePoint(point.clients, point.power, averaged_chance, known.power(largest, alpha=alpha))
        assert isinstance(plan, RetentionPlan)
        return ChancePoint(
            point.clients,
            point.power,
            averaged(mean, spread, lambda points: _retention_chance(plan, point.clients, points, mean)),
            _retention_chance(plan, point.clients, largest, largest),
        )

    return ChancePlan(
        outcome=plan.outcome,
        planned=at(plan.planned),
        curve=tuple(at(point) for point in plan.curve),
        prior_mean=told(mean, scale),
        prior_low=told(low, scale),
        prior_high=told(high, scale),
        largest=told(largest, scale),
        at_most=chance_of_direction(mean, spread),
    )


def _retention_chance(plan: RetentionPlan, clients: int, points: float, expected: float) -> float:
    """Power for a difference in points; nothing where it points the other way than expected."""
    if points * (expected or 1.0) <= 0.0:
        return 0.0
    compared = float(np.clip(plan.model.reference + points / 100.0, 1e-6, 1.0 - 1e-6))
    return retention_power(replace(plan.model, compared=compared), clients)


def width_spread(plan: StrengthPlan | RetentionPlan) -> WidthSpread | None:
    """Between what the width of the planned interval lies in 80 of 100 studies; ``None`` if not known.

    Not known for shares with more clients than can be enumerated; there the width hardly varies.
    """
    model, point = plan.model, plan.planned
    level = model.confidence_level
    if isinstance(point, StrengthPoint):
        assert isinstance(plan, StrengthPlan)
        low, high = (
            told_width(
                half_width_quantile(
                    chance, point.standard_error, degrees_of_freedom=point.degrees_of_freedom,
                    confidence_level=level,
                ),
                plan.model.scale,
            )
            for chance in (0.1, 0.9)
        )  # fmt: skip
        return WidthSpread(plan.outcome, low, high) if math.isfinite(high) else None
    assert isinstance(plan, RetentionPlan)
    n0, n1 = (round(clients) for clients in point.per_arm)
    if plan.model.nested or max(n0, n1) > MOST_PER_ARM:
        return None
    low, high = score_width_quantiles(
        plan.model.reference, plan.model.compared, (n0, n1), confidence_level=level
    )
    return WidthSpread(plan.outcome, 100.0 * low, 100.0 * high)
