"""One recommendation, by a rule that is printed with it, and what can and cannot be learned, in words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from studykit.planning.retention import RetentionPlan
from studykit.planning.strength import StrengthPlan

Action = Literal["run", "run as a pilot", "join other studios", "look back first", "do not run"]

MOST_STUDIOS = 6
FEWEST_FOR_PILOT = 12
RULE = (
    "Run, if the interval of the primary outcome reaches no farther than the smallest worthwhile "
    "difference to "
    "either side, or if the largest plausible difference would be found with the wanted power. Join other "
    f"studios, if up to {MOST_STUDIOS} studios of this size together would get there. Else look back first "
    "where "
    "the primary outcome is retention, whose records exist already, and run as a pilot where it is "
    "measured and "
    f"there are {FEWEST_FOR_PILOT} clients or more. Do not run, if the two arms would not differ in what is "
    "delivered, if nothing can be estimated, or with fewer clients than that."
)


@dataclass(frozen=True, slots=True)
class Recommendation:
    """What to do.

    Parameters
    ----------
    action : {"run", "run as a pilot", "join other studios", "look back first", "do not run"}
    reason : str
        One or two sentences.
    rule : str
        The rule that it follows.
    clients_needed : int or None
        Clients in all arms from which the rule says run; ``None`` if out of reach.
    needed_for : str
        What so many are needed for: "to find" or "for an interval", with the difference.
    """

    action: Action
    reason: str
    rule: str
    clients_needed: int | None
    needed_for: str = ""


@dataclass(frozen=True, slots=True)
class _Reach:
    """What the rule looks at, for either kind of outcome."""

    half_width: float
    worthwhile: float | None
    detectable: float | None
    plausible: float
    needed: int | None
    needed_for: str
    unit: str
    power: float
    is_retention: bool


def _reach_of(plan: StrengthPlan | RetentionPlan, needed_for_plausible: int | None) -> _Reach:
    is_strength = isinstance(plan, StrengthPlan)
    half = plan.planned.half_width if isinstance(plan, StrengthPlan) else plan.planned.width / 2.0
    unit = _unit(plan) if isinstance(plan, StrengthPlan) else " points"
    by_width = plan.clients_for_worthwhile
    to_find = (
        f"to find a true difference of {plan.largest_plausible:.1f}{unit}, the largest plausible one, "
        f"{100 * plan.model.power:g} times in 100"
    )
    needed, needed_for = needed_for_plausible, to_find
    if by_width is not None and (needed is None or by_width <= needed):
        needed = by_width
        needed_for = (
            "for an interval that reaches no farther than the smallest worthwhile difference, "
            f"{plan.smallest_worthwhile:g}{unit}, to either side"
        )
    return _Reach(
        half, plan.smallest_worthwhile, plan.planned.detectable, plan.largest_plausible, needed, needed_for,
        unit, plan.model.power, is_retention=not is_strength,
    )  # fmt: skip


def _unit(plan: StrengthPlan) -> str:
    return " %" if plan.unit == "%" else f" {plan.unit}"


def about(clients: int) -> str:
    """A number of clients as it is told: large ones rounded.

    Examples
    --------
    >>> about(883), about(16159)
    ('883', '16,000')
    """
    return str(clients) if clients < 1000 else f"{float(f'{clients:.2g}'):,.0f}"


def capital(name: str) -> str:
    """A name at the beginning of a sentence."""
    return name[:1].upper() + name[1:]


def recommend(
    primary: StrengthPlan | RetentionPlan, *, clients: int, pilot: bool, needed_for_plausible: int | None
) -> Recommendation:
    """The recommendation for the primary outcome.

    Parameters
    ----------
    primary : StrengthPlan or RetentionPlan
    clients : int
        Planned, in all arms.
    pilot : bool
        Whether the protocol is one of a pilot study.
    needed_for_plausible : int or None
        Clients in all arms that find the largest plausible difference with the wanted power.
    """
    reach = _reach_of(primary, needed_for_plausible)
    action, reason = _decide(reach, clients=clients, pilot=pilot)
    return Recommendation(action, reason, RULE, reach.needed, reach.needed_for)


def refused(reason: str) -> Recommendation:
    """Do not run, for a reason that no number of clients mends."""
    return Recommendation("do not run", reason, RULE, None)


def _decide(reach: _Reach, *, clients: int, pilot: bool) -> tuple[Action, str]:
    unit = reach.unit
    if clients < FEWEST_FOR_PILOT:
        return "do not run", f"{clients} clients are too few to learn even about the procedures."
    if pilot:
        return (
            "run as a pilot",
            "The protocol is one of a pilot study: it tries out recruitment, delivery and tests.",
        )
    if reach.worthwhile is not None and reach.half_width <= reach.worthwhile:
        return "run", (
            f"The interval reaches about {reach.half_width:.1f}{unit} to either side, no farther than the "
            "smallest "
            f"worthwhile difference, {reach.worthwhile:g}{unit}."
        )
    if reach.detectable is not None and reach.detectable <= reach.plausible:
        return "run", (
            f"True differences from about {reach.detectable:.1f}{unit} are found {100 * reach.power:g} times "
            f"in 100; the largest plausible one is {reach.plausible:.1f}{unit}. Smaller ones stay open."
        )
    if reach.needed is not None and reach.needed <= MOST_STUDIOS * clients:
        studios = math.ceil(reach.needed / clients)
        return "join other studios", (
            f"About {about(reach.needed)} clients are needed {reach.needed_for}; {studios} studios of this "
            "size have them together, or one studio that recruits for longer."
        )
    needed = (
        f"No number of clients within reach is enough {reach.needed_for}"
        if reach.needed is None
        else f"About {about(reach.needed)} clients are needed {reach.needed_for}"
    )
    if reach.is_retention:
        return "look back first", (
            f"{needed}. Your own attendance records show how many stay; begin with them."
        )
    return "run as a pilot", (
        f"{needed}; {clients} are planned. So few can test the procedures and show large differences only."
    )


def strength_sentences(plan: StrengthPlan, *, confidence_level: float, power: float) -> tuple[str, str]:
    """What can, and what cannot be learned about a continuous outcome."""
    unit = _unit(plan)
    point, name = plan.planned, capital(plan.name)
    over = f" over {plan.exercises} exercises" if plan.exercises > 1 else ""
    found = (
        f"true differences from about {point.detectable:.1f}{unit} are found {100 * power:g} times in 100"
        if math.isfinite(point.detectable)
        else f"no true difference, however large, is found {100 * power:g} times in 100"
    )
    can = (
        f"{name} at {plan.visit}{over}: {found}. The {100 * confidence_level:g} % interval will be about "
        f"{point.width:.1f}{unit} wide, {point.half_width:.1f}{unit} to either side, with {point.clients} "
        f"clients, of whom about {_who_is_tested(plan)}."
    )
    return can, _what_it_cannot(
        plan, abs(plan.effect_after_dilution), point.detectable, unit=unit, power=power
    )


def _what_it_cannot(
    plan: StrengthPlan | RetentionPlan, effect: float, least: float | None, *, unit: str, power: float
) -> str:
    """What the planned clients cannot tell, and how many clients it takes to tell it."""
    name, often = capital(plan.name), f"{100 * power:g} times in 100"
    if effect == 0.0:
        return f"{name}: no difference is assumed, so there is none to be found."
    if plan.planned.power >= power:
        smaller = effect if least is None else min(abs(effect), least)
        return f"{name}: differences much below {smaller:.1f}{unit} cannot be told from none."
    need = (
        f"no number of clients within reach finds it {often}"
        if plan.clients_for_effect is None
        else f"to find it {often} takes about {about(plan.clients_for_effect)} clients"
    )
    return (
        f"{name}: the assumed difference of {effect:.1f}{unit} cannot be told from none (found "
        f"{100 * plan.planned.power:.0f} times in 100); {need}."
    )


def _who_is_tested(plan: StrengthPlan) -> str:
    first, second = plan.planned.tested_per_arm
    if plan.model.within is not None:
        return f"{first:.0f} are tested in both arms"
    return f"{first:.0f} and {second:.0f} are tested in the two arms"


def retention_sentences(plan: RetentionPlan, *, confidence_level: float, power: float) -> tuple[str, str]:
    """What can, and what cannot be learned about retention."""
    point, model, name = plan.planned, plan.model, capital(plan.name)
    often = f"{100 * power:g} times in 100"
    if point.detectable is None:
        found = f"even if everybody in one arm stayed, the study would not show it {often}."
    else:
        found = (
            f"a change from {100 * model.reference:.0f} to about "
            f"{100 * model.reference + point.detectable:.0f} of 100 is found {often}."
        )
    can = (
        f"{name} on day {plan.horizon_day}: {found} The {100 * confidence_level:g} % interval of the "
        f"difference will be about {point.width:.0f} percentage points wide."
    )
    return can, _what_it_cannot(
        plan, plan.effect_after_dilution, point.detectable, unit=" points", power=power
    )
