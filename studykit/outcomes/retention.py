"""Retention of a trial: who still trains at the horizon, and how long clients stayed.

With trainers crossed with arm, arms are compared within trainers; with trainers as clusters, trainers
are the units. The share retained at the horizon is the primary result; everything in time supports it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DesignError, FitError
from studykit.outcomes.estimands import contrast_text, retention_definition, retention_estimand
from studykit.outcomes.results import (
    OutcomeEstimate,
    RetentionResult,
    RetentionStatus,
)
from studykit.outcomes.retention_time import (
    Wording,
    compare_mean_days,
    compare_speed_of_leaving,
    curve_of_arm,
    spells_to_horizon,
)
from studykit.outcomes.trainers import TrainerPlan, plan_trainers
from studykit.protocol.types import Protocol, RetentionOutcome
from studykit.records.rows import RetentionSpells
from studykit.results import HasInterval, Interval, RowCount
from studykit.retention.clock import RetentionRule, active_status, departures
from studykit.retention.proportions import Proportion
from studykit.retention.risk_difference import risk_difference
from studykit.retention.risk_ratio import risk_ratio
from studykit.retention.stratified_counts import count_by_stratum
from studykit.retention.trainer_proportions import trainer_difference

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
MOVED_AWAY = "moved away"
UNKNOWN = "status at the horizon not known: the records end earlier"


def retention_rule(outcome: RetentionOutcome, *, absence_days: int | None = None) -> RetentionRule:
    """The clock's rule of a protocol."""
    return RetentionRule(
        absence_days=absence_days or outcome.absence_days,
        pause_cap_days=outcome.pause_cap_days,
        pause_total_cap_days=outcome.pause_total_days,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Comparison:
    """What every analysis of one study shares."""

    protocol: Protocol
    outcome: RetentionOutcome
    spells: RetentionSpells
    trainers: TrainerPlan
    compared_arm: int

    @property
    def in_comparison(self) -> Bools:
        """Clients of the reference and the compared arm."""
        return np.isin(self.spells.clients.arm, (0, self.compared_arm))

    @property
    def contrast(self) -> str:
        labels = self.spells.clients.arm_labels
        return contrast_text(labels[self.compared_arm], labels[0])

    @property
    def trainer_strata(self) -> NDArray[np.str_] | None:
        """Trainer labels where both arms train with each trainer; None where there are no strata."""
        if self.trainers.role in {"fixed", "random"}:
            return np.asarray(self.trainers.labels)[self.trainers.trainer]
        return None


def primary_retention(protocol: Protocol, spells: RetentionSpells) -> OutcomeEstimate:
    """Difference in the share retained at the horizon, by the protocol's primary analysis only.

    Parameters
    ----------
    protocol : Protocol
        With a retention outcome.
    spells : RetentionSpells

    Returns
    -------
    OutcomeEstimate
        Compared arm minus reference arm, a share between -1 and 1.

    Raises
    ------
    DesignError
        If the protocol has no retention outcome, or one trainer alone delivers an arm.
    FitError
        If no stratum has clients of both arms whose status is known.
    """
    comparison = _comparison(protocol, spells)
    status = active_status(
        spells.histories, comparison.outcome.horizon_day, rule=retention_rule(comparison.outcome)
    )
    return _primary(comparison, status)


def analyse_retention(protocol: Protocol, spells: RetentionSpells) -> RetentionResult:
    """Everything about retention: status, difference, ratio, curves, mean days, hazard ratio, sensitivity.

    Parameters
    ----------
    protocol : Protocol
        With a retention outcome.
    spells : RetentionSpells

    Raises
    ------
    DesignError, FitError
        As `primary_retention`.
    """
    comparison = _comparison(protocol, spells)
    outcome, rule = comparison.outcome, retention_rule(comparison.outcome)
    status = active_status(spells.histories, outcome.horizon_day, rule=rule)
    primary = _primary(comparison, status)
    followed = spells_to_horizon(spells, outcome.horizon_day, rule)
    mean_days, mean_remarks = compare_mean_days(
        followed,
        compared_arm=comparison.compared_arm,
        trainers=comparison.trainers,
        wording=_wording(comparison, "difference in mean days retained"),
        horizon=outcome.horizon_day,
    )
    hazard, hazard_remarks = compare_speed_of_leaving(
        followed,
        compared_arm=comparison.compared_arm,
        trainers=comparison.trainers,
        wording=_wording(comparison, "hazard ratio of leaving"),
    )
    curves = tuple(
        curve_of_arm(
            followed,
            code,
            minimum_at_risk=protocol.analysis.minimum_at_risk,
            confidence_level=protocol.analysis.confidence_level,
            horizon=outcome.horizon_day,
        )
        for code in range(len(spells.clients.arm_labels))
        if (followed.arm == code).any()
    )
    return RetentionResult(
        code=outcome.code,
        name=outcome.name,
        horizon_day=outcome.horizon_day,
        definition=retention_definition(outcome),
        primary=primary,
        ratio=_ratio(comparison, status),
        restricted_mean=mean_days,
        hazard_ratio=hazard,
        sensitivity=_sensitivity(comparison, status),
        status=_statuses(comparison, status, rule),
        curves=curves,
        by_trainer=_by_trainer(comparison, status),
        remarks=(*comparison.trainers.remarks, *followed.remarks, *mean_remarks, *hazard_remarks),
        smallest_worthwhile=outcome.smallest_worthwhile,
    )


def _comparison(protocol: Protocol, spells: RetentionSpells) -> _Comparison:
    outcome = protocol.retention_outcome
    if outcome is None:
        raise DesignError(
            where="retention",
            expected="a retention outcome in the protocol",
            got="none",
            todo="Add one, or leave retention out.",
        )
    code = spells.clients.arm_labels.index(protocol.comparison_arm.code)
    return _Comparison(protocol, outcome, spells, plan_trainers(protocol, spells.clients), code)


def _wording(comparison: _Comparison, summary: str) -> Wording:
    return Wording(
        contrast=comparison.contrast,
        estimand=retention_estimand(comparison.protocol, comparison.outcome, summary),
        supplied=int(comparison.in_comparison.sum()),
    )


def _primary(comparison: _Comparison, status: Floats) -> OutcomeEstimate:
    estimate, method = _difference(comparison, status, comparison.trainer_strata)
    return OutcomeEstimate(
        name=f"retained on day {comparison.outcome.horizon_day}",
        contrast=comparison.contrast,
        estimand=retention_estimand(
            comparison.protocol, comparison.outcome, "difference in the share of clients retained"
        ),
        unit="share",
        presentation="difference",
        estimate=estimate,
        role=comparison.outcome.role,
        method=method,
        rows=_rows(comparison, status),
        remarks=comparison.trainers.remarks,
    )


def _difference(
    comparison: _Comparison, status: Floats, strata: NDArray[np.str_] | None, *, clusters: bool = True
) -> tuple[HasInterval, str]:
    """The difference in shares and how it was made."""
    used = comparison.in_comparison & np.isfinite(status)
    if not used.any():
        raise FitError(
            where="retention",
            expected="clients whose status at the horizon is known",
            got="none",
            todo="Wait until the records reach the horizon.",
        )
    compared = comparison.spells.clients.arm[used] == comparison.compared_arm
    if clusters and comparison.trainers.role == "clusters":
        labels = np.asarray(comparison.trainers.labels)[comparison.trainers.trainer]
        by_trainer = trainer_difference(status[used], compared, trainer=labels[used])
        return by_trainer.estimate, "shares of trainers compared, t on trainers minus two"
    counts = count_by_stratum(status[used], compared, strata=None if strata is None else strata[used])
    result = risk_difference(counts)
    where = (
        "" if strata is None else f"stratified over {len(counts.strata)} strata, Mantel-Haenszel weights, "
    )
    lost = (
        f"; without weight, one arm only: {', '.join(result.uninformative)}" if result.uninformative else ""
    )
    return result, f"risk difference, {where}score test and interval (Miettinen and Nurminen){lost}"


def _rows(comparison: _Comparison, status: Floats, reason: str = UNKNOWN) -> RowCount:
    inside = comparison.in_comparison
    known = int((inside & np.isfinite(status)).sum())
    supplied = int(inside.sum())
    left_out = ((reason, supplied - known),) if supplied > known else ()
    return RowCount(supplied, known, left_out, "clients")


def _ratio(comparison: _Comparison, status: Floats) -> OutcomeEstimate | None:
    """The share retained as a ratio, within the same strata; None where it does not exist."""
    if comparison.trainers.role == "clusters":
        return None
    used = comparison.in_comparison & np.isfinite(status)
    strata = comparison.trainer_strata
    counts = count_by_stratum(
        status[used],
        comparison.spells.clients.arm[used] == comparison.compared_arm,
        strata=None if strata is None else strata[used],
    )
    result = risk_ratio(counts)
    if not math.isfinite(result.value):
        return None
    return OutcomeEstimate(
        name=f"ratio of shares retained on day {comparison.outcome.horizon_day}",
        contrast=comparison.contrast,
        estimand=retention_estimand(
            comparison.protocol, comparison.outcome, "ratio of the shares of clients retained"
        ),
        unit="ratio",
        presentation="ratio",
        estimate=result,
        role="supporting",
        method="ratio of shares, Mantel-Haenszel weights, score interval",
        rows=_rows(comparison, status),
    )


def _sensitivity(comparison: _Comparison, status: Floats) -> tuple[OutcomeEstimate, ...]:
    """The primary analysis under other definitions, other strata and other beliefs on the unknown."""
    outcome, spells = comparison.outcome, comparison.spells
    longer = active_status(
        spells.histories,
        outcome.horizon_day,
        rule=retention_rule(outcome, absence_days=outcome.sensitivity_absence_days),
    )
    trainer = comparison.trainer_strata
    variants = [_Variant(f"absence of {outcome.sensitivity_absence_days} countable days", longer, trainer)]
    everything = _all_factor_strata(comparison)
    if everything is not None:
        variants.append(_Variant("stratified by every allocation factor", status, everything, clusters=False))
    if trainer is not None or comparison.trainers.role == "clusters":
        variants.append(_Variant("without strata", status, None, clusters=False))
    variants += [_Variant(name, filled, trainer) for name, filled in _unknown_filled(comparison, status)]
    moved = np.array([reason == MOVED_AWAY for reason in spells.reasons]) & (status == 0.0)
    if moved.any():
        kept = np.where(moved, np.nan, status)
        name, reason = "clients who moved away left out", "moved away, or not known"
        variants.append(_Variant(name, kept, trainer, reason=reason))
    estimates = (_sensitivity_estimate(comparison, variant) for variant in variants)
    return tuple(estimate for estimate in estimates if estimate is not None)


@dataclass(frozen=True, slots=True, eq=False)
class _Variant:
    """One sensitivity analysis of the share retained."""

    name: str
    status: Floats
    strata: NDArray[np.str_] | None
    clusters: bool = True
    reason: str = UNKNOWN


def _sensitivity_estimate(comparison: _Comparison, variant: _Variant) -> OutcomeEstimate | None:
    """One row of the sensitivity table; None where its strata leave nothing to compare."""
    try:
        estimate, method = _difference(comparison, variant.status, variant.strata, clusters=variant.clusters)
    except (FitError, DesignError):
        return None
    summary = f"difference in the share of clients retained, {variant.name}"
    return OutcomeEstimate(
        name=variant.name,
        contrast=comparison.contrast,
        estimand=retention_estimand(comparison.protocol, comparison.outcome, summary),
        unit="share",
        presentation="difference",
        estimate=estimate,
        role="sensitivity",
        method=method,
        rows=_rows(comparison, variant.status, variant.reason),
    )


def _all_factor_strata(comparison: _Comparison) -> NDArray[np.str_] | None:
    """Trainer and every stratifier of the allocation together; None where that adds nothing."""
    clients = comparison.spells.clients
    wanted = [factor for factor in clients.factors if factor[0] in comparison.protocol.allocation.strata]
    if not wanted or comparison.trainers.role == "clusters":
        return None
    own = comparison.trainer_strata
    labels = np.full(clients.number, "", dtype=object) if own is None else own.astype(object)
    for name, codes, levels in wanted:
        texts = np.array([f"{name} not recorded", *(f"{name} {level}" for level in levels)], dtype=object)
        labels = labels + ", " + texts[codes + 1]
    return np.asarray(labels, dtype=str)


def _unknown_filled(comparison: _Comparison, status: Floats) -> list[tuple[str, Floats]]:
    """Bounds: the unknown as departed or retained, in both arms and against each other."""
    unknown = ~np.isfinite(status)
    if not (unknown & comparison.in_comparison).any():
        return []
    compared = comparison.spells.clients.arm == comparison.compared_arm
    labels = comparison.spells.clients.arm_labels
    first, second = labels[comparison.compared_arm], labels[0]
    return [
        ("unknown counted as departed", np.where(unknown, 0.0, status)),
        ("unknown counted as retained", np.where(unknown, 1.0, status)),
        (
            f"unknown departed in {first}, retained in {second}",
            np.where(unknown, (~compared).astype(float), status),
        ),
        (
            f"unknown retained in {first}, departed in {second}",
            np.where(unknown, compared.astype(float), status),
        ),
    ]


def _statuses(comparison: _Comparison, status: Floats, rule: RetentionRule) -> tuple[RetentionStatus, ...]:
    clients, horizon = comparison.spells.clients, comparison.outcome.horizon_day
    level = comparison.protocol.analysis.confidence_level
    back = np.array(
        [
            any(
                found.confirmed_on <= horizon
                and found.returned_on is not None
                and found.returned_on <= horizon
                for found in departures(history, rule)
            )
            for history in comparison.spells.histories
        ],
        dtype=bool,
    )
    answers = []
    for code, arm in enumerate(clients.arm_labels):
        own = clients.arm == code
        retained, departed = int((own & (status == 1.0)).sum()), int((own & (status == 0.0)).sum())
        known = retained + departed
        interval = (
            Proportion(retained, known).confidence_interval(level)
            if known
            else Interval(0.0, 1.0, level, "nobody's status is known")
        )
        reasons = [
            comparison.spells.reasons[place] or "no notice: stopped coming"
            for place in np.flatnonzero(own & (status == 0.0))
        ]
        answers.append(
            RetentionStatus(
                arm=arm,
                allocated=int(own.sum()),
                retained=retained,
                departed=departed,
                unknown=int(own.sum()) - known,
                returned=int((own & (status == 1.0) & back).sum()),
                proportion=retained / known if known else math.nan,
                interval=interval,
                reasons=tuple((reason, reasons.count(reason)) for reason in sorted(set(reasons))),
            )
        )
    return tuple(answers)


def _by_trainer(
    comparison: _Comparison, status: Floats
) -> tuple[tuple[str, tuple[tuple[str, int, int], ...]], ...]:
    clients, trainers = comparison.spells.clients, comparison.trainers
    return tuple(
        (
            label,
            tuple(
                (arm, int((status[own] == 1.0).sum()), int(np.isfinite(status[own]).sum()))
                for code, arm in enumerate(clients.arm_labels)
                if (own := (trainers.trainer == place) & (clients.arm == code)).any()
            ),
        )
        for place, label in enumerate(trainers.labels)
    )
