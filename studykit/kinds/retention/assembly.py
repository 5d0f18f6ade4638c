"""Retention of a trial: who still trains at the horizon, and how long clients stayed.

With trainers crossed with arm, arms are compared within trainers; with trainers as clusters, trainers
are the units. The share retained at the horizon is the primary result; everything in time supports it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from studykit.kinds.retention.analysis import (
    Comparison,
    comparison_of,
    outcome_estimate,
    primary_estimate,
)
from studykit.kinds.retention.mixed import model_estimates
from studykit.kinds.retention.results import RetentionResult
from studykit.kinds.retention.sensitivity import sensitivity_of_share
from studykit.kinds.retention.status import shares_by_trainer, statuses
from studykit.kinds.retention.time import (
    Wording,
    compare_curves,
    compare_mean_days,
    compare_speed_of_leaving,
    curve_of_arm,
    spells_to_horizon,
)
from studykit.outcomes.estimands import retention_definition, retention_estimand
from studykit.outcomes.results import OutcomeEstimate
from studykit.protocol.types import Protocol
from studykit.records.rows import RetentionSpells
from studykit.retention.risk_ratio import risk_ratio
from studykit.retention.stratified_counts import count_by_stratum

Floats = NDArray[np.float64]


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
        If the protocol has no retention outcome, one trainer alone delivers an arm, or no stratum has
        clients of both arms whose status is known.
    """
    comparison = comparison_of(protocol, spells)
    outcome, rule = comparison.outcome, comparison.rule
    status = comparison.status()
    primary = primary_estimate(comparison, status)
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
    by_model, model_remarks = model_estimates(comparison, status)
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
        sensitivity=sensitivity_of_share(comparison, status),
        status=statuses(comparison, status, rule=rule),
        curves=curves,
        by_trainer=shares_by_trainer(comparison, status),
        by_model=by_model,
        curve_test=compare_curves(
            followed, compared_arm=comparison.compared_arm, trainers=comparison.trainers
        ),
        remarks=(
            *comparison.trainers.remarks,
            *followed.remarks,
            *mean_remarks,
            *hazard_remarks,
            *model_remarks,
        ),
        smallest_worthwhile=outcome.smallest_worthwhile,
    )


def _wording(comparison: Comparison, summary: str) -> Wording:
    return Wording(
        contrast=comparison.contrast,
        estimand=retention_estimand(comparison.protocol, comparison.outcome, summary),
        supplied=int(comparison.in_comparison.sum()),
    )


def _ratio(comparison: Comparison, status: Floats) -> OutcomeEstimate | None:
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
    return outcome_estimate(
        comparison,
        status,
        result,
        name=f"ratio of shares retained on day {comparison.outcome.horizon_day}",
        summary="ratio of the shares of clients retained",
        method="ratio of shares, Mantel-Haenszel weights, score interval",
        role="supporting",
        unit="ratio",
        presentation="ratio",
    )
