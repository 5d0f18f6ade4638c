"""What a number of clients can tell about retention, in closed form.

The primary comparison is the difference of the shares retained at the horizon with its score
interval; the log-rank test stands beside it. Where each trainer delivers one arm, the spread is
inflated by the design effect and t on trainers − 2 degrees of freedom takes the place of the normal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from scipy.optimize import brentq

from studykit.errors import DesignError
from studykit.kinds.retention.section import RetentionOutcome
from studykit.planning.assumptions import Assumptions, dilution
from studykit.planning.clusters import design_effect
from studykit.planning.log_rank import expected_departures, hazard_ratio_from_shares, log_rank_power
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
class RetentionModel:
    """The planned comparison of shares retained, ready to be put to any number of clients.

    Parameters
    ----------
    reference, compared : float
        Shares retained at the horizon, after dilution.
    shares : (float, float)
        Shares of all clients in the reference arm and in the compared arm.
    trainers : int
    nested : bool
        Whether each trainer delivers one arm.
    trainer_icc : float
        Share of the spread between trainers; matters only where nested.
    size_variation : float
        Spread of the trainers' numbers of clients over their mean; matters only where nested.
    alpha, power, confidence_level : float
    """

    reference: float
    compared: float
    shares: tuple[float, float]
    trainers: int
    nested: bool
    trainer_icc: float
    size_variation: float
    alpha: float
    power: float
    confidence_level: float


@dataclass(frozen=True, slots=True)
class RetentionPoint:
    """What one number of clients tells.

    Parameters
    ----------
    clients : int
        In all arms together.
    per_arm : (float, float)
        Reference and compared arm.
    width : float
        Full width of the interval of the difference, percentage points.
    power : float
        For the assumed difference, at the horizon.
    power_log_rank : float
        For the same difference by the log-rank test, if hazards are proportional.
    departures : float
        Expected until the horizon, both arms together.
    detectable : float or None
        Difference upwards that is found with the wanted power, points; ``None`` if not even all staying is.
    """

    clients: int
    per_arm: tuple[float, float]
    width: float
    power: float
    power_log_rank: float
    departures: float
    detectable: float | None


@dataclass(frozen=True, slots=True)
class RetentionPlan:
    """What the study can tell about retention.

    Parameters
    ----------
    outcome, name : str
    horizon_day : int
    model : RetentionModel
    planned : RetentionPoint
        At the planned number of clients.
    curve : tuple of RetentionPoint
        By number of clients.
    effect : float
        As declared, percentage points.
    effect_after_dilution : float
        Percentage points.
    largest_plausible : float
        The far end of the assumed difference after dilution, points.
    hazard_ratio : float
        Of departure, that goes with the two shares.
    smallest_worthwhile : float or None
        Points.
    clients_for_effect, clients_for_worthwhile : int or None
        Clients in all arms for the wanted power, and for an interval that reaches no farther than the
        smallest worthwhile difference to either side; ``None`` if out of reach or not asked.
    """

    outcome: str
    name: str
    horizon_day: int
    model: RetentionModel
    planned: RetentionPoint
    curve: tuple[RetentionPoint, ...]
    effect: float
    effect_after_dilution: float
    largest_plausible: float
    hazard_ratio: float
    smallest_worthwhile: float | None
    clients_for_effect: int | None
    clients_for_worthwhile: int | None


def retention_model(
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
    ratio = {arm.code: arm.ratio for arm in protocol.arms}
    total = sum(ratio.values())
    nested = protocol.trainers.deliver == "one arm" and not protocol.is_external
    return RetentionModel(
        reference=reference,
        compared=compared,
        shares=(ratio[protocol.reference_arm.code] / total, ratio[protocol.comparison_arm.code] / total),
        trainers=protocol.planning.trainers,
        nested=nested,
        trainer_icc=assumptions.value("trainer_icc_retention") if nested else 0.0,
        size_variation=assumptions.value("trainer_size_variation") if nested else 0.0,
        alpha=protocol.analysis.alpha if alpha is None else alpha,
        power=protocol.planning.power,
        confidence_level=protocol.analysis.confidence_level,
    )


def retention_at(model: RetentionModel, clients: int) -> RetentionPoint | None:
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


def retention_power(model: RetentionModel, clients: int) -> float:
    """Power for the model's difference with a number of clients in all arms, by the formula."""
    n0, n1 = (clients * share for share in model.shares)
    return _power(model, n0, n1, _inflation(model, clients), exact=False)


def clients_for_retention_power(model: RetentionModel) -> int | None:
    """Clients in all arms for the wanted power, by the formula; ``None`` if out of reach."""
    if model.compared == model.reference:
        return None

    return fewest_clients(lambda clients: retention_power(model, clients), model.power, least=8)


def clients_for_retention_width(model: RetentionModel, *, half_width: float) -> int | None:
    """Clients in all arms for an interval of ``half_width`` points to either side, at no difference."""
    same = replace(model, compared=model.reference)

    def narrowness(clients: int) -> float:
        n0, n1 = (clients * share for share in same.shares)
        return -50.0 * _width(same, n0, n1, _inflation(same, clients))

    return fewest_clients(narrowness, -half_width, least=8)


def plan_retention(
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
    model = retention_model(protocol, assumptions, alpha=alpha)
    planned = retention_at(model, clients)
    if planned is None:
        raise DesignError(
            where="planning",
            expected="two or more clients in each arm, and three trainers where each delivers one arm",
            got=f"{clients} clients, {model.trainers} trainers",
            todo="Nothing can be estimated with so few.",
        )
    points = (retention_at(model, count) for count in counts)
    effect = assumptions.assumption("effect_retention")
    kept = dilution(assumptions, declared=protocol.planning.effect_declared)
    ends = (effect.value, effect.value if effect.low is None else effect.low,
            effect.value if effect.high is None else effect.high)  # fmt: skip
    worthwhile = outcome.smallest_worthwhile
    return RetentionPlan(
        outcome=outcome.code,
        name=outcome.name,
        horizon_day=outcome.horizon_day,
        model=model,
        planned=planned,
        curve=tuple(point for point in points if point is not None),
        effect=effect.value,
        effect_after_dilution=100.0 * (model.compared - model.reference),
        largest_plausible=kept * max(abs(end) for end in ends),
        hazard_ratio=hazard_ratio_from_shares(model.reference, model.compared),
        smallest_worthwhile=worthwhile,
        clients_for_effect=clients_for_retention_power(model),
        clients_for_worthwhile=None
        if worthwhile is None
        else clients_for_retention_width(model, half_width=worthwhile),
    )
