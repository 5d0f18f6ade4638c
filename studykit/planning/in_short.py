"""A plan in some four sentences that agree with one another: of one outcome and one difference."""

from __future__ import annotations

import math
from collections.abc import Sequence

from studykit.planning.advice import Recommendation, capital
from studykit.planning.assumptions import UsedAssumption
from studykit.planning.costs import CostPlan
from studykit.planning.outcome_plan import OutcomePlan
from studykit.results import FirstScreen


def in_short(
    plans: Sequence[OutcomePlan],
    advice: Recommendation,
    costs: CostPlan,
    *,
    power: float,
    assumed: Sequence[UsedAssumption],
) -> FirstScreen:
    """What can be found and what cannot, one recommendation and what the plan costs, and how sure that is.

    Parameters
    ----------
    plans : sequence of OutcomePlan
        The one that the recommendation is about first; none where nothing can be said of that one.
    advice : Recommendation
    costs : CostPlan
    power : float
        With which a difference counts as found.
    assumed : sequence of UsedAssumption
        Every number used.
    """
    if not plans:
        return FirstScreen(capital(advice.reason), f"{capital(advice.action)}.", "")
    weak = sum(item.is_weak for item in assumed)
    sure = (
        f"This is what can be expected, not a promise: {weak} of the {len(assumed)} numbers behind it are "
        "judgement or weak evidence. Put in your own."
    )
    means = (_can(plans[0], power), _cannot(plans[0], advice, power), *map(_other, plans[1:]))
    do = "Run it as planned." if advice.action == "run" else f"{capital(advice.action)}. {advice.reason}"
    return FirstScreen(" ".join(filter(None, means)), f"{do} {_cost(costs)}", sure)


def _size(plan: OutcomePlan, value: float) -> str:
    return f"{value:.{plan.decimals}f} {plan.unit_in_full}"


def _can(plan: OutcomePlan, power: float) -> str:
    found, often = plan.planned.detectable, f"{100 * power:g} of 100 such studies"
    start = f"{capital(plan.name)}: with {plan.planned.clients} clients,"
    if found is None or math.isinf(found):
        return f"{start} no difference, however large, is found in {often}."
    return f"{start} a true difference of {_size(plan, found)} or more is found in {often}."


def _cannot(plan: OutcomePlan, advice: Recommendation, power: float) -> str:
    """Of the largest difference that is thought possible, which is the one that the rule goes by."""
    largest = plan.largest_plausible
    if advice.action == "run" or largest <= 0.0:
        return "Smaller ones will often be missed."
    chance = plan.power_at(plan.planned, plan.on_scale(largest))
    found = "" if chance >= power else f" is found in only {100 * chance:.0f} of them"
    return f"The largest that is thought possible, {_size(plan, largest)},{found}." if found else ""


def _other(plan: OutcomePlan) -> str:
    found = plan.planned.detectable
    if found is None or math.isinf(found):
        return f"{capital(plan.name)}: no difference is in reach."
    return f"{capital(plan.name)}: it takes {_size(plan, found)} or more."


def _cost(costs: CostPlan) -> str:
    point = costs.planned
    asked = f"about {point.people_asked} people to ask, your own clients among them; " * (
        point.people_asked > 0
    )
    return (
        f"As planned it takes {asked}{point.months_in_all:.0f} months; about {point.hours:.0f} hours of work."
    )
