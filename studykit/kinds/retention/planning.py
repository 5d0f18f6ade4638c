"""What a study can tell about retention, and how it is said."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from studykit.errors import DesignError
from studykit.kinds.retention.own_figures import own_figures as own_figures
from studykit.kinds.retention.planned_model import (
    RetentionModel,
    RetentionPoint,
    clients_for_power,
    clients_for_width,
    planned_model,
    point_at,
    power_of,
)
from studykit.kinds.retention.section import RetentionOutcome
from studykit.planning.advice import capital, what_it_cannot
from studykit.planning.assumptions import Assumptions, dilution
from studykit.planning.attendance import SessionsPoint, sessions_at, sessions_attended
from studykit.planning.log_rank import hazard_ratio_from_shares
from studykit.planning.outcome_plan import (
    Improvement,
    OutcomePlan,
    OutcomePoint,
    more_studios,
    sharper,
    twice_as_long,
)
from studykit.planning.power import averaged
from studykit.planning.precision import MOST_PER_ARM, score_width_quantiles
from studykit.protocol.types import Protocol

MOVE_WIDTH = ("retention_reference", "trainer_icc_retention", "trainer_size_variation")
SEARCHED = False


@dataclass(frozen=True, slots=True)
class RetentionPlan(OutcomePlan):
    """What the study can tell about retention, in percentage points.

    Parameters
    ----------
    model : RetentionModel
    planned : RetentionPoint
    curve : tuple of RetentionPoint
    horizon_day : int
    hazard_ratio : float
        Of departure, that goes with the two shares.
    """

    effect_key: ClassVar[str] = "effect_retention"
    decimals: ClassVar[int] = 0
    in_attendance: ClassVar[bool] = True

    model: RetentionModel
    planned: RetentionPoint
    curve: tuple[RetentionPoint, ...]
    horizon_day: int
    hazard_ratio: float

    @property
    def unit_in_full(self) -> str:
        """The unit where there is room for it."""
        return "percentage points"

    def clients_to_find(self, effect: float) -> int | None:
        """Clients in all arms for the wanted power at a difference in points."""
        compared = self.model.reference + effect / 100.0
        if not self.model.reference < compared < 1.0:
            return None
        return clients_for_power(replace(self.model, compared=compared))

    def power_at(self, point: OutcomePoint, effect: float) -> float:
        """By the formula."""
        return self._chance(point.clients, effect, effect)

    def power_curve(self, effect: float) -> tuple[tuple[int, float], ...]:
        """By the formula."""
        return tuple((point.clients, self.power_at(point, effect)) for point in self.curve)

    def averaged_power(self, point: OutcomePoint, mean: float, spread: float) -> float:
        """By the formula, averaged by quadrature."""
        return averaged(mean, spread, lambda points: self._chance(point.clients, points, mean))

    def _chance(self, clients: int, points: float, expected: float) -> float:
        """Power for a difference in points; nothing where it points the other way than expected."""
        if points * (expected or 1.0) <= 0.0:
            return 0.0
        compared = float(np.clip(self.model.reference + points / 100.0, 1e-6, 1.0 - 1e-6))
        return power_of(replace(self.model, compared=compared), clients)

    def width_quantiles(self) -> tuple[float, float] | None:
        """By enumeration; not known with more clients than can be enumerated, where it hardly varies."""
        n0, n1 = (round(clients) for clients in self.planned.per_arm)
        if self.model.nested or max(n0, n1) > MOST_PER_ARM:
            return None
        low, high = score_width_quantiles(
            self.model.reference, self.model.compared, (n0, n1), confidence_level=self.model.confidence_level
        )
        return 100.0 * low, 100.0 * high

    def sentences(self, *, confidence_level: float, power: float) -> tuple[str, str]:
        """What can, and what cannot be learned."""
        point, reference = self.planned, self.model.reference
        often = f"{100 * power:g} times in 100"
        if point.detectable is None:
            found = f"even if everybody in one arm stayed, the study would not show it {often}."
        else:
            found = (
                f"a change from {100 * reference:.0f} to about {100 * reference + point.detectable:.0f} of "
                f"100 is found {often}."
            )
        can = (
            f"{capital(self.name)} on day {self.horizon_day}: {found} The {100 * confidence_level:g} % "
            f"interval of the difference will be about {point.width:.0f} percentage points wide."
        )
        return can, what_it_cannot(self, self.effect_after_dilution, power=power)


def missing(protocol: Protocol, outcome: RetentionOutcome) -> DesignError | None:
    """Nothing: all that is assumed has a default."""
    del protocol, outcome
    return None


def point(
    protocol: Protocol,
    outcome: RetentionOutcome,
    assumptions: Assumptions,
    *,
    clients: int,
    alpha: float | None = None,
) -> RetentionPoint | None:
    """What one number of clients tells; ``None`` where nothing can be estimated."""
    del outcome
    return point_at(planned_model(protocol, assumptions, alpha=alpha), clients)


def plan(
    protocol: Protocol,
    outcome: RetentionOutcome,
    assumptions: Assumptions,
    *,
    clients: int,
    counts: tuple[int, ...],
    alpha: float | None = None,
) -> RetentionPlan:
    """What the study can tell about retention.

    Parameters
    ----------
    protocol, outcome, assumptions
        What is planned.
    clients : int
        Planned, in all arms together.
    counts : tuple of int
        Numbers of clients for the curve.
    alpha : float, optional
        If not the protocol's.

    Raises
    ------
    DesignError
        If nothing can be estimated with so few clients or trainers.
    """
    model = planned_model(protocol, assumptions, alpha=alpha)
    planned = point_at(model, clients)
    if planned is None:
        raise DesignError(
            where="planning",
            expected="two or more clients in each arm, and three trainers where each delivers one arm",
            got=f"{clients} clients, {model.trainers} trainers",
            todo="Nothing can be estimated with so few.",
        )
    points = (point_at(model, count) for count in counts)
    effect = assumptions.assumption("effect_retention")
    kept = dilution(assumptions, declared=protocol.planning.effect_declared)
    worthwhile = outcome.smallest_worthwhile
    return RetentionPlan(
        outcome=outcome.code,
        name=outcome.name,
        unit="points",
        horizon_day=outcome.horizon_day,
        model=model,
        planned=planned,
        curve=tuple(point for point in points if point is not None),
        effect=effect.value,
        effect_after_dilution=100.0 * (model.compared - model.reference),
        largest_plausible=kept * max(abs(effect.value), effect.farthest),
        hazard_ratio=hazard_ratio_from_shares(model.reference, model.compared),
        smallest_worthwhile=worthwhile,
        clients_for_effect=clients_for_power(model),
        clients_for_worthwhile=None
        if worthwhile is None
        else clients_for_width(model, half_width=worthwhile),
    )


def improvements(
    protocol: Protocol,
    outcome: RetentionOutcome,
    assumptions: Assumptions,
    plan: RetentionPlan,
    *,
    months: float,
) -> Iterator[Improvement]:
    """More clients, each change by itself, and what counting sessions would bring.

    Parameters
    ----------
    protocol, outcome
        What is planned.
    assumptions : Assumptions
        Those of the plan, which learns of what is used here.
    plan : RetentionPlan
    months : float
        Of recruitment, as planned.
    """
    clients, model = plan.planned.clients, plan.model
    for change in (
        twice_as_long(protocol, clients, months),
        more_studios(protocol, clients, "one protocol, one definition of leaving, one ledger"),
    ):
        own = Assumptions(change.protocol, outcome)
        changed = planned_model(change.protocol, own, alpha=model.alpha)
        found = sharper(plan, change, point_at(changed, change.clients))
        if found is not None:
            yield found
    if not model.nested and model.reference != model.compared:
        counted = count_of_sessions(assumptions, plan)
        yield Improvement(
            plan.outcome,
            f"count sessions attended, about {counted.mean:.0f} a client, in place of who still trains",
            counted.half_width,
            counted.detectable,
            "sessions",
            f"for a difference in leaving alone it takes {counted.clients_ratio:.1f} times the clients, "
            "so it is sharper"
            + ("" if counted.clients_ratio < 1.0 else " only where clients also come more often"),
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
