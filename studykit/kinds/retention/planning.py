"""What a study can tell about retention, and how it is said."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from scipy.optimize import brentq

from studykit.errors import DesignError
from studykit.kinds.retention.own_figures import own_figures as own_figures
from studykit.kinds.retention.section import RetentionOutcome
from studykit.planning.advice import capital, what_it_cannot
from studykit.planning.assumptions import Assumptions, dilution
from studykit.planning.clusters import design_effect
from studykit.planning.log_rank_power import expected_departures, hazard_ratio_from_shares, log_rank_power
from studykit.planning.outcome_plan import (
    Improvement,
    OutcomeModel,
    OutcomePlan,
    OutcomePoint,
    common_fields,
    more_studios,
    sharper,
    twice_as_long,
)
from studykit.planning.power import averaged, expected_half_width, fewest_clients, t_power
from studykit.planning.precision import MOST_PER_ARM, score_width_quantiles
from studykit.planning.session_counts import SessionsPoint, sessions_at, sessions_attended
from studykit.planning.two_proportions import (
    ENUMERATED_CLIENTS,
    detectable_share,
    score_interval_width,
    score_test_power,
    shares_power,
)
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


@dataclass(frozen=True, slots=True)
class RetentionModel(OutcomeModel):
    """The planned comparison of shares retained, ready to be put to any number of clients.

    Parameters
    ----------
    reference, compared : float
        Shares retained at the horizon, after dilution.
    """

    reference: float
    compared: float


@dataclass(frozen=True, slots=True)
class RetentionPoint(OutcomePoint):
    """What one number of clients tells, in percentage points.

    Parameters
    ----------
    per_arm : (float, float)
        Clients in the reference and the compared arm.
    power_log_rank : float
        For the assumed difference by the log-rank test, if hazards are proportional.
    departures : float
        Expected until the horizon, both arms together.
    """

    per_arm: tuple[float, float]
    power_log_rank: float
    departures: float


def planned_model(
    protocol: Protocol, assumptions: Assumptions, *, alpha: float | None = None
) -> RetentionModel:
    """The planned comparison of a protocol's retention outcome.

    Raises
    ------
    DesignError
        If the assumed difference leads outside 0 to 1.
    """
    reference = assumptions.value("retention_reference")
    kept = dilution(assumptions, declared=protocol.planning.effect_declared)
    compared = reference + kept * assumptions.value("effect_retention") / 100.0
    if not (0.0 < reference < 1.0 and 0.0 < compared < 1.0):
        raise DesignError(
            where="protocol, planning, effect_retention",
            expected="shares retained between 0 and 1 in both arms",
            got=f"{reference:g} and {compared:g}",
        )
    common = common_fields(protocol, assumptions, trainer_icc="trainer_icc_retention", alpha=alpha)
    return RetentionModel(**common, reference=reference, compared=compared)


def point_at(model: RetentionModel, clients: int) -> RetentionPoint | None:
    """What a number of clients tells; ``None`` where nothing can be estimated."""
    n0, n1 = (clients * share for share in model.shares)
    if min(n0, n1) < 2.0 or (model.nested and model.trainers < 3):
        return None
    departures = expected_departures(model.reference, model.compared, (n0, n1))
    hazard = hazard_ratio_from_shares(model.reference, model.compared)
    inflation = _inflation(model, clients)
    return RetentionPoint(
        clients=clients,
        per_arm=(n0, n1),
        width=100.0 * _width(model, n0, n1, inflation),
        power=_power(model, n0, n1, inflation, exact=True),
        power_log_rank=log_rank_power(hazard, departures / inflation, alpha=model.alpha, ratio=n1 / n0),
        departures=departures,
        detectable=_detectable(model, n0, n1, inflation),
    )


def _inflation(model: RetentionModel, clients: float) -> float:
    if not model.nested:
        return 1.0
    each = max(clients / model.trainers, 1.0)
    return design_effect(each, model.trainer_icc, variation=model.size_variation)


def _error(model: RetentionModel, compared: float, n0: float, n1: float, inflation: float) -> float:
    spread = model.reference * (1.0 - model.reference) / n0 + compared * (1.0 - compared) / n1
    return math.sqrt(inflation * spread)


def _width(model: RetentionModel, n0: float, n1: float, inflation: float) -> float:
    if not model.nested:
        return score_interval_width(
            model.reference, model.compared, (n0, n1), confidence_level=model.confidence_level
        )
    error = _error(model, model.compared, n0, n1, inflation)
    return 2.0 * expected_half_width(
        error, degrees_of_freedom=model.trainers - 2.0, confidence_level=model.confidence_level
    )


def _power(model: RetentionModel, n0: float, n1: float, inflation: float, *, exact: bool) -> float:
    """Exact by enumeration where it is quick, else by the formula; by t where trainers are clusters."""
    if model.nested:
        error = _error(model, model.compared, n0, n1, inflation)
        distance = model.compared - model.reference
        return t_power(distance, error, degrees_of_freedom=model.trainers - 2.0, alpha=model.alpha)
    whole = (round(n0), round(n1))
    if exact and min(whole) >= 1 and max(whole) <= ENUMERATED_CLIENTS:
        return score_test_power(model.reference, model.compared, whole, alpha=model.alpha)
    return shares_power(model.reference, model.compared, n0, ratio=n1 / n0, alpha=model.alpha)


def _detectable(model: RetentionModel, n0: float, n1: float, inflation: float) -> float | None:
    if not model.nested:
        share = detectable_share(model.reference, n0, ratio=n1 / n0, alpha=model.alpha, power=model.power)
        return None if share is None else 100.0 * (share - model.reference)

    def missing(compared: float) -> float:
        error = _error(model, compared, n0, n1, inflation)
        freedom = model.trainers - 2.0
        return (
            t_power(compared - model.reference, error, degrees_of_freedom=freedom, alpha=model.alpha)
            - model.power
        )

    if missing(1.0) < 0.0:
        return None
    return 100.0 * (float(brentq(missing, model.reference, 1.0)) - model.reference)


def power_of(model: RetentionModel, clients: int) -> float:
    """Power for the model's difference with a number of clients in all arms, by the formula."""
    n0, n1 = (clients * share for share in model.shares)
    return _power(model, n0, n1, _inflation(model, clients), exact=False)


def clients_for_power(model: RetentionModel) -> int | None:
    """Clients in all arms for the wanted power, by the formula; ``None`` if out of reach."""
    if model.compared == model.reference:
        return None

    return fewest_clients(lambda clients: power_of(model, clients), model.power, least=8)


def clients_for_width(model: RetentionModel, *, half_width: float) -> int | None:
    """Clients in all arms for an interval of ``half_width`` points to either side, at no difference."""
    same = replace(model, compared=model.reference)

    def narrowness(clients: int) -> float:
        n0, n1 = (clients * share for share in same.shares)
        return -50.0 * _width(same, n0, n1, _inflation(same, clients))

    return fewest_clients(narrowness, -half_width, least=8)
