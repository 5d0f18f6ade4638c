"""What a study can tell about a count of sessions: two means, a standard deviation taken as known."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar

from studykit.errors import DesignError
from studykit.planning.assumptions import Assumptions
from studykit.planning.outcome_plan import (
    Improvement,
    OutcomeModel,
    OutcomePlan,
    OutcomePoint,
    common_fields,
)
from studykit.planning.own_spread import OwnRecords
from studykit.planning.power import (
    averaged,
    detectable_difference,
    expected_half_width,
    fewest_clients,
    t_power,
)
from studykit.protocol.types import Protocol

from .section import SessionCount

MOVE_WIDTH: tuple[str, ...] = ()
SEARCHED = False
SPREAD, EFFECT = 6.0, 3.0  # sessions


@dataclass(frozen=True, slots=True)
class SessionCountPlan(OutcomePlan):
    effect_key: ClassVar[str] = "effect_retention"  # the nearest that the protocol assumes

    def clients_to_find(self, effect: float) -> int | None:
        return fewest_clients(lambda clients: _power(self.model, clients, effect), self.model.power, least=8)

    def power_at(self, point: OutcomePoint, effect: float) -> float:
        return _power(self.model, point.clients, effect)

    def power_curve(self, effect: float) -> tuple[tuple[int, float], ...]:
        return tuple((point.clients, self.power_at(point, effect)) for point in self.curve)

    def averaged_power(self, point: OutcomePoint, mean: float, spread: float) -> float:
        return averaged(mean, spread, lambda effect: self.power_at(point, effect))

    def width_quantiles(self) -> None:
        return None

    def sentences(self, *, confidence_level: float, power: float) -> tuple[str, str]:
        del confidence_level, power
        can = f"{self.name}: a difference of {self.planned.detectable:.1f} sessions is found."
        return can, f"{self.name}: nothing smaller."


def missing(protocol: Protocol, outcome: SessionCount) -> DesignError | None:
    return None


def plan(
    protocol: Protocol,
    outcome: SessionCount,
    assumptions: Assumptions,
    *,
    clients: int,
    counts: tuple[int, ...],
    alpha: float | None = None,
) -> SessionCountPlan:
    model = _model(protocol, assumptions, alpha)
    bare = SessionCountPlan(
        outcome=outcome.code,
        name=outcome.name,
        unit="sessions",
        model=model,
        planned=_point(model, clients),
        curve=tuple(_point(model, count) for count in counts),
        effect=EFFECT,
        effect_after_dilution=EFFECT,
        largest_plausible=EFFECT,
        smallest_worthwhile=outcome.smallest_worthwhile,
        clients_for_effect=None,
        clients_for_worthwhile=None,
    )
    return replace(bare, clients_for_effect=bare.clients_to_find(EFFECT))


def point(
    protocol: Protocol,
    outcome: SessionCount,
    assumptions: Assumptions,
    *,
    clients: int,
    alpha: float | None = None,
) -> OutcomePoint:
    return _point(_model(protocol, assumptions, alpha), clients)


def improvements(
    protocol: Protocol, outcome: SessionCount, assumptions: Assumptions, plan: OutcomePlan, *, months: float
) -> Iterator[Improvement]:
    return iter(())


def own_figures(protocol: Protocol, outcome: SessionCount, records: OwnRecords) -> None:
    return None


def _model(protocol: Protocol, assumptions: Assumptions, alpha: float | None) -> OutcomeModel:
    return OutcomeModel(
        **common_fields(protocol, assumptions, trainer_icc="trainer_icc_retention", alpha=alpha)
    )


def _error(model: OutcomeModel, clients: float) -> float:
    return SPREAD * math.sqrt(sum(1.0 / (clients * share) for share in model.shares))


def _power(model: OutcomeModel, clients: int, effect: float) -> float:
    return t_power(effect, _error(model, clients), degrees_of_freedom=clients - 2.0, alpha=model.alpha)


def _point(model: OutcomeModel, clients: int) -> OutcomePoint:
    error, freedom = _error(model, clients), clients - 2.0
    half = expected_half_width(error, degrees_of_freedom=freedom, confidence_level=model.confidence_level)
    found = detectable_difference(error, degrees_of_freedom=freedom, power=model.power, alpha=model.alpha)
    return OutcomePoint(clients, 2.0 * half, _power(model, clients, EFFECT), found)
