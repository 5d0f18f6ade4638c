"""What the analyses of the share retained have in common: rule, arms, trainers, and the difference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DesignError, FitError
from studykit.kinds.retention.section import RetentionOutcome
from studykit.outcomes.estimands import contrast_text, retention_estimand
from studykit.outcomes.results import OutcomeEstimate
from studykit.outcomes.trainers import TrainerPlan, plan_trainers
from studykit.protocol.types import Protocol
from studykit.records.rows import RetentionSpells
from studykit.results import HasInterval, RowCount
from studykit.retention.clock import active_status
from studykit.retention.risk_difference import risk_difference
from studykit.retention.stratified_counts import count_by_stratum
from studykit.retention.trainer_proportions import trainer_difference

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
NO_SPREAD = (
    "all trainers of an arm had the same share, so that they show no spread to judge by: score interval as "
    "if clients were independent, too narrow where trainers differ"
)
UNKNOWN = "status at the horizon not known: the records end earlier"


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
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
        """What is compared."""
        labels = self.spells.clients.arm_labels
        return contrast_text(labels[self.compared_arm], labels[0])

    @property
    def trainer_strata(self) -> NDArray[np.str_] | None:
        """Trainer labels where both arms train with each trainer; None where there are no strata."""
        if self.trainers.role in {"fixed", "random"}:
            return np.asarray(self.trainers.labels)[self.trainers.trainer]
        return None


def comparison_of(protocol: Protocol, spells: RetentionSpells) -> Comparison:
    """Put protocol and attendance together.

    Raises
    ------
    DesignError
        If the protocol has no retention outcome, or one trainer alone delivers an arm.
    """
    outcome = protocol.retention_outcome
    if outcome is None:
        raise DesignError(
            where="retention",
            expected="a retention outcome in the protocol",
            got="none",
            todo="Add one, or leave retention out.",
        )
    code = spells.clients.arm_labels.index(protocol.comparison_arm.code)
    return Comparison(protocol, outcome, spells, plan_trainers(protocol, spells.clients), code)


def compare_shares(
    comparison: Comparison, status: Floats, *, strata: NDArray[np.str_] | None, clusters: bool = True
) -> tuple[HasInterval, str]:
    """The difference in the share retained, compared arm minus reference arm, and how it was made.

    Parameters
    ----------
    comparison : Comparison
    status : ndarray, shape (clients,)
        1 retained, 0 departed, ``nan`` not known.
    strata : ndarray of str, shape (clients,), or None
    clusters : bool
        False ignores that trainers are clusters.

    Raises
    ------
    FitError
        If no client's status is known, or no stratum has clients of both arms.
    DesignError
        If an arm has one trainer only among those with a known status, where trainers are clusters.
    """
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
        if by_trainer.estimate.standard_error > 0.0:
            return by_trainer.estimate, "shares of trainers compared, t on trainers minus two"
        counts = count_by_stratum(status[used], compared)
        return risk_difference(counts), NO_SPREAD
    counts = count_by_stratum(status[used], compared, strata=None if strata is None else strata[used])
    result = risk_difference(counts)
    where = (
        "" if strata is None else f"stratified over {len(counts.strata)} strata, Mantel-Haenszel weights, "
    )
    lost = (
        f"; without weight, one arm only: {', '.join(result.uninformative)}" if result.uninformative else ""
    )
    return result, f"risk difference, {where}score test and interval (Miettinen and Nurminen){lost}"


def counted_rows(comparison: Comparison, status: Floats, *, reason: str = UNKNOWN) -> RowCount:
    """Clients of both arms, those with a known status, and why the others are left out."""
    inside = comparison.in_comparison
    known = int((inside & np.isfinite(status)).sum())
    supplied = int(inside.sum())
    left_out = ((reason, supplied - known),) if supplied > known else ()
    return RowCount(supplied, known, left_out, "clients")


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
    comparison = comparison_of(protocol, spells)
    status = active_status(
        spells.histories, comparison.outcome.horizon_day, rule=comparison.outcome.absence_rule()
    )
    return primary_estimate(comparison, status)


def primary_estimate(comparison: Comparison, status: Floats) -> OutcomeEstimate:
    """The difference in the share retained, with its words."""
    estimate, method = compare_shares(comparison, status, strata=comparison.trainer_strata)
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
        rows=counted_rows(comparison, status),
        remarks=comparison.trainers.remarks,
    )
