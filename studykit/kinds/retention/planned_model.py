"""The planned comparison of shares retained, put to a number of clients, in closed form.

The primary comparison is the difference of the shares retained at the horizon with its score
interval; the log-rank test stands beside it. Where each trainer delivers one arm, the spread is
inflated by the design effect and t on trainers − 2 degrees of freedom takes the place of the normal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from scipy.optimize import brentq

from studykit.errors import DesignError
from studykit.planning.assumptions import Assumptions, dilution
from studykit.planning.clusters import design_effect
from studykit.planning.log_rank import expected_departures, hazard_ratio_from_shares, log_rank_power
from studykit.planning.outcome_plan import OutcomeModel, OutcomePoint, common_fields
from studykit.planning.power import expected_half_width, fewest_clients, t_power
from studykit.planning.proportions import (
    ENUMERATED_CLIENTS,
    detectable_share,
    score_interval_width,
    score_test_power,
    shares_power,
)
from studykit.protocol.types import Protocol


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
