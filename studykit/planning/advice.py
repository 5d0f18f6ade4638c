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
    """

    action: Action
    reason: str
    rule: str
    clients_needed: int | None


@dataclass(frozen=True, slots=True)
class _Reach:
    """What the rule looks at, for either kind of outcome."""

    half_width: float
    worthwhile: float | None
    detectable: float | None
    plausible: float
    needed: int | None
    unit: str
    is_retention: bool


def _reach_of_strength(plan: StrengthPlan, *, needed_for_plausible: int | None) -> _Reach:
    return _Reach(
        plan.planned.half_width,
        plan.smallest_worthwhile,
        plan.planned.detectable,
        plan.largest_plausible,
        _fewer(plan.clients_for_worthwhile, needed_for_plausible),
        " %" if plan.unit == "%" else f" {plan.unit}",
        is_retention=False,
    )


def _reach_of_retention(plan: RetentionPlan, *, needed_for_plausible: int | None) -> _Reach:
    return _Reach(
        plan.planned.width / 2.0,
        plan.smallest_worthwhile,
        plan.planned.detectable,
        plan.largest_plausible,
        _fewer(plan.clients_for_worthwhile, needed_for_plausible),
        " points",
        is_retention=True,
    )


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


def _fewer(one: int | None, other: int | None) -> int | None:
    known = [number for number in (one, other) if number is not None]
    return min(known) if known else None


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
    reach = (
        _reach_of_strength(primary, needed_for_plausible=needed_for_plausible)
        if isinstance(primary, StrengthPlan)
        else _reach_of_retention(primary, needed_for_plausible=needed_for_plausible)
    )
    action, reason = _decide(reach, clients=clients, pilot=pilot)
    return Recommendation(action, reason, RULE, reach.needed)


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
            f"Differences from about {reach.detectable:.1f}{unit} would be found; the largest plausible "
            "one is "
            f"{reach.plausible:.1f}{unit}. Smaller ones stay open."
        )
    if reach.needed is not None and reach.needed <= MOST_STUDIOS * clients:
        studios = math.ceil(reach.needed / clients)
        return "join other studios", (
            f"About {about(reach.needed)} clients are needed; {studios} studios of this size have them "
            "together, or one studio that recruits for longer."
        )
    needed = (
        "No number of clients within reach would do"
        if reach.needed is None
        else f"About {about(reach.needed)} needed"
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
    unit = " %" if plan.unit == "%" else f" {plan.unit}"
    point, name = plan.planned, capital(plan.name)
    over = f" over {plan.exercises} exercises" if plan.exercises > 1 else ""
    can = (
        f"{name} at {plan.visit}{over}: true differences from about {point.detectable:.1f}{unit} are found "
        f"{100 * power:.0f} times in 100. The {100 * confidence_level:g} % interval will be about "
        f"{point.width:.1f}{unit} wide, {point.half_width:.1f}{unit} to either side, with {point.clients} "
        f"clients, of whom about {_who_is_tested(plan)}."
    )
    effect = abs(plan.effect_after_dilution)
    if effect == 0.0:
        return can, f"{name}: no difference is assumed, so there is none to be found."
    if effect >= point.detectable:
        return can, f"{name}: differences much below {point.detectable:.1f}{unit} cannot be told from none."
    need = (
        "no number of clients would be enough"
        if plan.clients_for_effect is None
        else f"that takes about {about(plan.clients_for_effect)} clients"
    )
    return can, (
        f"{name}: the assumed difference of {effect:.1f}{unit} cannot be told from none (found "
        f"{100 * point.power:.0f} times in 100); {need}."
    )


def _who_is_tested(plan: StrengthPlan) -> str:
    first, second = plan.planned.tested_per_arm
    if plan.model.turning is not None:
        return f"{first:.0f} are tested in both arms"
    return f"{first:.0f} and {second:.0f} are tested in the two arms"


def retention_sentences(plan: RetentionPlan, *, confidence_level: float) -> tuple[str, str]:
    """What can, and what cannot be learned about retention."""
    point, model, name = plan.planned, plan.model, capital(plan.name)
    if point.detectable is None:
        found = "even if everybody in one arm stayed, the study would often not show it."
    else:
        found = (
            f"only a change from {100 * model.reference:.0f} to about "
            f"{100 * model.reference + point.detectable:.0f} of 100 is found reliably."
        )
    can = (
        f"{name} on day {plan.horizon_day}: {found} The {100 * confidence_level:g} % interval of the "
        f"difference will be about {point.width:.0f} percentage points wide."
    )
    effect = plan.effect_after_dilution
    if effect == 0.0:
        return can, f"{name}: no difference is assumed, so there is none to be found."
    need = (
        "that is out of reach"
        if plan.clients_for_effect is None
        else f"that takes about {about(plan.clients_for_effect)} clients"
    )
    return can, (
        f"{name}: the assumed difference of {effect:.1f} points cannot be told from none (found "
        f"{100 * point.power:.0f} times in 100); {need}."
    )
