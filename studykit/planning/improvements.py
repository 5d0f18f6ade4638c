"""What would make the answer sharper, with numbers: each change by itself, the rest of the plan as it is."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from studykit.planning.assumptions import Assumptions
from studykit.planning.attendance import SessionsPoint, sessions_at, sessions_attended
from studykit.planning.means import composite_variance
from studykit.planning.power import detectable_difference, expected_half_width
from studykit.planning.retention import RetentionPlan, retention_at
from studykit.planning.strength import StrengthPlan, strength_at, told
from studykit.planning.within import limbs_error

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
    assumptions: Assumptions,
    strength: StrengthPlan | None,
    retention: RetentionPlan | None,
    *,
    months: float,
) -> tuple[Improvement, ...]:
    """Changes that would make the answer sharper, each by itself.

    Parameters
    ----------
    assumptions : Assumptions
    strength : StrengthPlan or None
    retention : RetentionPlan or None
    months : float
        Of recruitment, as planned.
    """
    found: list[Improvement] = []
    if strength is not None:
        found += _of_strength(assumptions, strength, months)
    if retention is not None:
        found += _of_retention(assumptions, retention, months)
    return tuple(found)


def _of_strength(assumptions: Assumptions, plan: StrengthPlan, months: float) -> Iterator[Improvement]:
    clients, model, unit = plan.planned.clients, plan.model, plan.unit
    studios = replace(
        model,
        trainers=STUDIOS * model.trainers,
        fixed_terms=model.fixed_terms + (0 if model.nested else (STUDIOS - 1) * model.trainers),
    )
    cases = [
        (f"recruit for twice as long: {2 * clients} clients", model, 2 * clients,
         f"{2 * months:.0f} months of recruitment in place of {months:.0f}"),
        (f"{STUDIOS} studios of this size: {STUDIOS * clients} clients", studios, STUDIOS * clients,
         "one protocol, the same tests, one ledger"),
    ]  # fmt: skip
    if model.turning is not None and model.turning.design == "stepped":
        del cases[0]  # clients are enrolled together there
    if plan.exercises > 1 and model.turning is None:
        more = plan.exercises + MORE_EXERCISES
        likeness = assumptions.value("correlation_exercises")
        narrower = composite_variance(more, likeness) / composite_variance(plan.exercises, likeness)
        cases.append(
            (f"test {more} machines in place of {plan.exercises}",
             replace(model, residual_sd=model.residual_sd * math.sqrt(narrower)), clients,
             "longer tests; the answer is about all of them together"),
        )  # fmt: skip
    missed = assumptions.assumption("missed_tests")
    if missed.low is not None and missed.low < missed.value:
        share = (1.0 - missed.low) / (1.0 - missed.value)
        cases.append(
            (f"miss {100 * missed.low:.0f} of 100 tests in place of {100 * missed.value:.0f}",
             replace(model, tested=model.tested * share), clients,
             "reminders, and a second date for each test"),
        )  # fmt: skip
    for change, changed, number, price in cases:
        point = strength_at(changed, number)
        if point is not None and point.half_width < (1.0 - _WORTH_SAYING) * plan.planned.half_width:
            yield Improvement(plan.outcome, change, point.half_width, point.detectable, unit, price)
    if plan.exercises and model.turning is None:
        yield from _limbs(assumptions, plan)


def _limbs(assumptions: Assumptions, plan: StrengthPlan) -> Iterator[Improvement]:
    """Both limbs of each client, one in either arm."""
    model = plan.model
    tested = round(plan.planned.clients * model.tested)
    if tested < 6:
        return
    within = limbs_error(tested, model.residual_sd, correlation_limbs=assumptions.value("correlation_limbs"))
    half, found = (
        expected_half_width(
            within.standard_error,
            degrees_of_freedom=within.degrees_of_freedom,
            confidence_level=model.confidence_level,
        ),
        detectable_difference(
            within.standard_error,
            degrees_of_freedom=within.degrees_of_freedom,
            power=model.power,
            alpha=model.alpha,
        ),
    )
    yield Improvement(
        plan.outcome,
        "another design: one limb of each client in either arm, on one-limb machines",
        told(half, model.scale),
        told(found, model.scale),
        plan.unit,
        "another question: it tells nothing on retention, and training one limb also strengthens the other, "
        "so that the difference shrinks",
    )


def _of_retention(assumptions: Assumptions, plan: RetentionPlan, months: float) -> Iterator[Improvement]:
    clients, model = plan.planned.clients, plan.model
    cases = (
        (f"recruit for twice as long: {2 * clients} clients", model, 2 * clients,
         f"{2 * months:.0f} months of recruitment in place of {months:.0f}"),
        (f"{STUDIOS} studios of this size: {STUDIOS * clients} clients",
         replace(model, trainers=STUDIOS * model.trainers), STUDIOS * clients,
         "one protocol, one definition of leaving, one ledger"),
    )  # fmt: skip
    for change, changed, number, price in cases:
        point = retention_at(changed, number)
        if point is not None:
            yield Improvement(plan.outcome, change, point.width / 2.0, point.detectable, "points", price)
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
