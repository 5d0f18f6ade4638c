"""What would make the answer sharper, with numbers: each change by itself, the rest of the plan as it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from studykit.planning.outcome_plan import OutcomePlan, OutcomePoint
from studykit.protocol.types import Protocol

STUDIOS = 3
_WORTH_SAYING = 0.02  # a gain below this share of the width is not listed


@dataclass(frozen=True, slots=True)
class Improvement:
    """One change of the plan and what it would bring.

    Parameters
    ----------
    outcome : str
        Code of the outcome that it is about.
    change : str
        What is done.
    half_width, detectable : float or None
        With it: reach of the interval to either side, and difference found with the wanted power, in
        ``unit``.
    unit : str
    price : str
        What it takes, and what to beware of.
    """

    outcome: str
    change: str
    half_width: float | None
    detectable: float | None
    unit: str
    price: str


@dataclass(frozen=True, slots=True)
class Change:
    """A protocol with one change, its number of clients, and the words that go with it."""

    words: str
    protocol: Protocol
    clients: int
    price: str


def sharper(plan: OutcomePlan, change: Change, point: OutcomePoint | None) -> Improvement | None:
    """What a change brings, from the point of the changed plan; None where it brings next to nothing."""
    if point is None or point.reach >= (1.0 - _WORTH_SAYING) * plan.planned.reach:
        return None
    found = point.detectable
    return Improvement(
        plan.outcome,
        change.words,
        point.reach,
        found if found is not None and math.isfinite(found) else None,
        plan.unit,
        change.price,
    )


def twice_as_long(protocol: Protocol, clients: int, months: float) -> Change:
    """Recruitment for twice as long."""
    return Change(
        f"recruit for twice as long: {2 * clients} clients", protocol, 2 * clients,
        f"{2 * months:.0f} months of recruitment in place of {months:.0f}",
    )  # fmt: skip


def more_studios(protocol: Protocol, clients: int, price: str) -> Change:
    """Several studios with as many trainers and clients each."""
    larger = with_planning(protocol, trainers=STUDIOS * protocol.planning.trainers)
    words = f"{STUDIOS} studios of this size: {STUDIOS * clients} clients"
    return Change(words, larger, STUDIOS * clients, price)


def with_planning(protocol: Protocol, **changes: Any) -> Protocol:
    """The protocol with other numbers under planning."""
    return protocol.model_copy(update={"planning": protocol.planning.model_copy(update=changes)})
