"""The share retained under other definitions, other strata and other beliefs about the unknown."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DesignError, FitError
from studykit.kinds.retention.analysis import (
    UNKNOWN,
    Comparison,
    compare_shares,
    outcome_estimate,
)
from studykit.outcomes.results import OutcomeEstimate

Floats = NDArray[np.float64]
MOVED_AWAY = "moved away"


def sensitivity_of_share(comparison: Comparison, status: Floats) -> tuple[OutcomeEstimate, ...]:
    """The primary analysis under other definitions, other strata and other beliefs on the unknown."""
    outcome, spells = comparison.outcome, comparison.spells
    longer = comparison.status(outcome.absence_rule(outcome.sensitivity_absence_days))
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


def _sensitivity_estimate(comparison: Comparison, variant: _Variant) -> OutcomeEstimate | None:
    """One row of the sensitivity table; None where its strata leave nothing to compare."""
    try:
        estimate, method = compare_shares(
            comparison, variant.status, strata=variant.strata, clusters=variant.clusters
        )
    except (FitError, DesignError):
        return None
    return outcome_estimate(
        comparison,
        variant.status,
        estimate,
        name=variant.name,
        summary=f"difference in the share of clients retained, {variant.name}",
        method=method,
        role="sensitivity",
        reason=variant.reason,
    )


def _all_factor_strata(comparison: Comparison) -> NDArray[np.str_] | None:
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


def _unknown_filled(comparison: Comparison, status: Floats) -> list[tuple[str, Floats]]:
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
