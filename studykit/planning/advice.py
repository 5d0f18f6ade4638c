"""One recommendation, by a rule that is printed with it, and what can and cannot be learned, in words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from studykit.planning.outcome_plan import Improvement, OutcomePlan

Action = Literal[
    "run", "run as a pilot", "change the design", "join other studios", "look back first", "do not run"
]

MOST_STUDIOS = 6
FEWEST_FOR_PILOT = 12
RULE = (
    "Run, if the interval of the primary outcome reaches no farther than the smallest worthwhile "
    "difference to "
    "either side, or if the largest plausible difference would be found with the wanted power. Change the "
    "design, if another that answers every primary outcome, and does not use one client twice in time, would "
    "get there with as many clients. Join other "
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
    action : {"run", "run as a pilot", "change the design", "join other studios", "look back first", \
              "do not run"}
    reason : str
        One or two sentences.
    rule : str
        The rule that it follows.
    clients_needed : int or None
        Clients in all arms from which the rule says run; ``None`` if out of reach.
    needed_for : str
        What so many are needed for: "to find" or "for an interval", with the difference.
    otherwise : str
        What to do where the change of design is not possible.
    """

    action: Action
    reason: str
    rule: str
    clients_needed: int | None
    needed_for: str = ""
    otherwise: str = ""

    @property
    def joins_studios(self) -> bool:
        """Whether other studios are to be joined, at once or where the design cannot be changed."""
        return "join other studios" in f"{self.action}, {self.otherwise}"


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
    plan: OutcomePlan,
    *,
    clients: int,
    pilot: bool,
    needed_for_plausible: int | None,
    others: tuple[Improvement, ...] = (),
) -> Recommendation:
    """The recommendation for the primary outcome.

    Parameters
    ----------
    plan : OutcomePlan
        Of the primary outcome.
    clients : int
        Planned, in all arms.
    pilot : bool
        Whether the protocol is one of a pilot study.
    needed_for_plausible : int or None
        Clients in all arms that find the largest plausible difference with the wanted power.
    others : tuple of Improvement
        Other designs that would answer the primary outcomes, the sharpest first.
    """
    needed = needed_for_plausible
    purpose = (
        f"to find a true difference of {plan.largest_plausible:.1f} {plan.unit}, the largest plausible "
        f"one, {100 * plan.model.power:g} times in 100"
    )
    by_width = plan.clients_for_worthwhile
    if by_width is not None and (needed is None or by_width <= needed):
        needed = by_width
        purpose = (
            "for an interval that reaches no farther than the smallest worthwhile difference, "
            f"{plan.smallest_worthwhile:g} {plan.unit}, to either side"
        )
    action, reason = _decide(plan, needed, purpose, clients=clients, pilot=pilot)
    best = next((other for other in others if _enough(plan, other.half_width, other.detectable)), None)
    if best is None or best.detectable is None or pilot or action in ("run", "do not run"):
        return Recommendation(action, reason, RULE, needed, purpose)
    change = (
        f"With {best.change.removeprefix('another design: ')}, {clients} clients find differences from about "
        f"{best.detectable:.1f} {plan.unit} (studykit new NAME --design {best.design}). "
        f"{capital(best.price.split('. ')[0].rstrip('.'))}."  # its first sentence; the rest is told beside it
    )
    otherwise = f"Where that is not possible, {action}: {reason[:1].lower()}{reason[1:]}"
    return Recommendation("change the design", change, RULE, needed, purpose, otherwise)


def refused(reason: str) -> Recommendation:
    """Do not run, for a reason that no number of clients mends."""
    return Recommendation("do not run", reason, RULE, None)


def _decide(
    plan: OutcomePlan, needed: int | None, purpose: str, *, clients: int, pilot: bool
) -> tuple[Action, str]:
    if clients < FEWEST_FOR_PILOT:
        return "do not run", f"{clients} clients are too few to learn even about the procedures."
    if pilot:
        return (
            "run as a pilot",
            "The protocol is one of a pilot study: it tries out recruitment, delivery and tests.",
        )
    if enough := _enough(plan, plan.planned.reach, plan.planned.detectable):
        return "run", enough
    if needed is not None and needed <= MOST_STUDIOS * clients:
        return "join other studios", (
            f"About {about(needed)} clients are needed {purpose}; {math.ceil(needed / clients)} studios of "
            "this size have them together, or one studio that recruits for longer."
        )
    so_many = (
        f"No number of clients within reach is enough {purpose}"
        if needed is None
        else f"About {about(needed)} clients are needed {purpose}"
    )
    if plan.in_attendance:
        return "look back first", (
            f"{so_many}. Your own attendance records show how many stay; begin with them."
        )
    return "run as a pilot", (
        f"{so_many}; {clients} are planned. So few can test the procedures and show large differences only."
    )


def _enough(plan: OutcomePlan, reach: float | None, detectable: float | None) -> str:
    """Why an interval that reaches so far, or such a difference found, is enough; empty where it is not."""
    unit, worthwhile = plan.unit, plan.smallest_worthwhile
    if worthwhile is not None and reach is not None and reach <= worthwhile:
        return (
            f"The interval reaches about {reach:.1f} {unit} to either side, no farther than the "
            f"smallest worthwhile difference, {worthwhile:g} {unit}."
        )
    if detectable is not None and detectable <= plan.largest_plausible:
        return (
            f"True differences from about {detectable:.1f} {unit} are found "
            f"{100 * plan.model.power:g} times in 100; the largest plausible one is "
            f"{plan.largest_plausible:.1f} {unit}. Smaller ones stay open."
        )
    return ""


def what_it_cannot(plan: OutcomePlan, effect: float, *, power: float) -> str:
    """What the planned clients cannot tell, and how many clients it takes to tell it."""
    name, often, least = capital(plan.name), f"{100 * power:g} times in 100", plan.planned.detectable
    if effect == 0.0:
        return f"{name}: no difference is assumed, so there is none to be found."
    if plan.planned.power >= power:
        smaller = effect if least is None else min(abs(effect), least)
        return f"{name}: differences much below {smaller:.1f} {plan.unit} cannot be told from none."
    need = (
        f"no number of clients within reach finds it {often}"
        if plan.clients_for_effect is None
        else f"to find it {often} takes about {about(plan.clients_for_effect)} clients"
    )
    return (
        f"{name}: the assumed difference of {effect:.1f} {plan.unit} cannot be told from none (found "
        f"{100 * plan.planned.power:.0f} times in 100); {need}."
    )
