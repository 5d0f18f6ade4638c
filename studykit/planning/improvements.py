"""What would make the answer sharper, with numbers: each change by itself, the rest of the plan as it is."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from studykit.errors import DesignError
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.planning.assumptions import Assumptions
from studykit.planning.attendance import SessionsPoint, sessions_at, sessions_attended
from studykit.planning.interim import level_of
from studykit.planning.other_designs import in_design, model_of
from studykit.planning.retention import RetentionPlan, retention_at, retention_model
from studykit.planning.strength import StrengthPlan, StrengthPoint, strength_at
from studykit.protocol.designs import DESIGNS
from studykit.protocol.types import Protocol

STUDIOS = 3
MORE_EXERCISES = 2
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


def improvements(
    protocol: Protocol,
    assumptions: Assumptions,
    strength: StrengthPlan | None,
    retention: RetentionPlan | None,
    *,
    months: float,
) -> tuple[Improvement, ...]:
    """Changes that would make the answer sharper, each by itself, planned as a protocol with that change is.

    Parameters
    ----------
    protocol : Protocol
    assumptions : Assumptions
        Those of the plan, which learns of what is used here.
    strength : StrengthPlan or None
    retention : RetentionPlan or None
    months : float
        Of recruitment, as planned.
    """
    found: list[Improvement] = []
    if strength is not None:
        found += _of_strength(protocol, assumptions, strength, months)
    if retention is not None:
        found += _of_retention(protocol, assumptions, retention, months)
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Change:
    """A protocol with one change, its number of clients, and the words that go with it."""

    words: str
    protocol: Protocol
    outcome: ContinuousOutcome
    clients: int
    price: str


def _of_strength(
    protocol: Protocol, assumptions: Assumptions, plan: StrengthPlan, months: float
) -> Iterator[Improvement]:
    outcome = protocol.continuous_outcomes[0]
    changes = [
        *_more_clients(protocol, outcome, plan, months),
        *_better_tests(protocol, outcome, assumptions, plan.planned.clients),
        *_other_designs(protocol, outcome, plan.planned.clients),
    ]
    for change in changes:
        point = _strength_with(change)
        if point is not None and point.half_width < (1.0 - _WORTH_SAYING) * plan.planned.half_width:
            if change.protocol.plan.within == "sides":
                assumptions.value("correlation_limbs")
            yield Improvement(
                plan.outcome,
                change.words,
                point.half_width,
                point.detectable if math.isfinite(point.detectable) else None,
                plan.unit,
                change.price,
            )


def _strength_with(change: _Change) -> StrengthPoint | None:
    try:
        return strength_at(model_of(change.protocol, change.outcome), change.clients)
    except DesignError:
        return None


def _planning(protocol: Protocol, **changes: object) -> Protocol:
    return protocol.model_copy(update={"planning": protocol.planning.model_copy(update=changes)})


def _more_clients(
    protocol: Protocol, outcome: ContinuousOutcome, plan: StrengthPlan, months: float
) -> Iterator[_Change]:
    clients = plan.planned.clients
    if not protocol.plan.words.join:
        yield _Change(
            _twice_as_long(clients), protocol, outcome, 2 * clients,
            f"{2 * months:.0f} months of recruitment in place of {months:.0f}",
        )  # fmt: skip
    yield _Change(
        _studios(clients), _planning(protocol, trainers=STUDIOS * protocol.planning.trainers), outcome,
        STUDIOS * clients, "one protocol, the same tests, one ledger",
    )  # fmt: skip


def _twice_as_long(clients: int) -> str:
    return f"recruit for twice as long: {2 * clients} clients"


def _studios(clients: int) -> str:
    return f"{STUDIOS} studios of this size: {STUDIOS * clients} clients"


def _better_tests(
    protocol: Protocol, outcome: ContinuousOutcome, assumptions: Assumptions, clients: int
) -> Iterator[_Change]:
    machines = len(outcome.exercises)
    if machines > 1 and not protocol.plan.within:
        further = tuple(f"machine_{machines + 1 + place}" for place in range(MORE_EXERCISES))
        longer = outcome.model_copy(update={"exercises": (*outcome.exercises, *further)})
        yield _Change(
            f"test {machines + MORE_EXERCISES} machines in place of {machines}", protocol, longer, clients,
            "longer tests; the answer is about all of them together",
        )  # fmt: skip
    missed = assumptions.assumption("missed_tests")
    if missed.low is not None and missed.low < missed.value:
        fewer = missed.model_copy(update={"value": missed.low})
        yield _Change(
            f"miss {100 * missed.low:.0f} of 100 tests in place of {100 * missed.value:.0f}",
            _planning(protocol, missed_tests=fewer), outcome, clients,
            "reminders, and a second date for each test",
        )  # fmt: skip


def _other_designs(protocol: Protocol, outcome: ContinuousOutcome, clients: int) -> Iterator[_Change]:
    """Two arms in another design; two sides of the body are compared on machines only."""
    if protocol.is_external or len(protocol.arms) > 2:
        return
    for plan in DESIGNS.values():
        words, price = plan.words.offer
        if words and plan is not protocol.plan and (outcome.exercises or plan.within != "sides"):
            other = in_design(protocol, outcome, plan.word)
            yield _Change(f"another design: {words}", other, other.continuous_outcomes[0], clients, price)


def _of_retention(
    protocol: Protocol, assumptions: Assumptions, plan: RetentionPlan, months: float
) -> Iterator[Improvement]:
    clients, model = plan.planned.clients, plan.model
    studios = _planning(protocol, trainers=STUDIOS * protocol.planning.trainers)
    cases = (
        (_twice_as_long(clients), protocol, 2 * clients,
         f"{2 * months:.0f} months of recruitment in place of {months:.0f}"),
        (_studios(clients), studios, STUDIOS * clients,
         "one protocol, one definition of leaving, one ledger"),
    )  # fmt: skip
    for words, changed, number, price in cases:
        point = retention_at(retention_model(changed, Assumptions(changed), alpha=level_of(changed)), number)
        if point is not None:
            yield Improvement(plan.outcome, words, point.width / 2.0, point.detectable, "points", price)
    if not model.nested and model.reference != model.compared:
        counted = count_of_sessions(assumptions, plan)
        sharper = counted.clients_ratio < 1.0
        yield Improvement(
            plan.outcome,
            f"count sessions attended, about {counted.mean:.0f} a client, in place of who still trains",
            counted.half_width,
            counted.detectable,
            "sessions",
            f"for a difference in leaving alone it takes {counted.clients_ratio:.1f} times the clients, "
            + ("so it is sharper" if sharper else "so it is sharper only where clients also come more often"),
        )


def count_of_sessions(assumptions: Assumptions, plan: RetentionPlan) -> SessionsPoint:
    """What the planned clients tell about the number of sessions attended until the horizon."""
    model = plan.model
    a_week = assumptions.value("sessions_per_week") * assumptions.value("attended_of_planned")
    spread, shape = assumptions.value("attendance_spread"), assumptions.value("departure_shape")
    reference, compared = (
        sessions_attended(retained, weeks=plan.horizon_day / 7.0, a_week=a_week, spread=spread, shape=shape)
        for retained in (model.reference, model.compared)
    )
    return sessions_at(
        reference,
        compared,
        (model.reference, model.compared),
        plan.planned.per_arm,
        alpha=model.alpha,
        power=model.power,
        confidence_level=model.confidence_level,
    )
