"""The share retained at the horizon, arm against arm: in one study, and in m studies at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DesignError, FitError, StudykitError
from studykit.kinds.retention.section import RetentionOutcome
from studykit.outcomes.answers import Answers
from studykit.outcomes.clients import ClientArrays
from studykit.outcomes.estimands import contrast_text, retention_estimand
from studykit.outcomes.results import OutcomeEstimate, Presentation, Role
from studykit.outcomes.trainers import (
    TrainerPlan,
    alone_in_arm,
    plan_trainers,
    trainer_means,
    trainer_roles,
    unpaired_t,
)
from studykit.protocol.types import Protocol
from studykit.records.rows import RetentionSpells
from studykit.results import HasInterval, RowCount
from studykit.retention.clock import RetentionRule, active_status
from studykit.retention.risk_difference import risk_difference, risk_differences
from studykit.retention.stratified_counts import UNINFORMATIVE, count_by_stratum

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Bools = NDArray[np.bool_]
NO_SPREAD = (
    "all trainers of an arm had the same share, so that they show no spread to judge by: score interval as "
    "if clients were independent, too narrow where trainers differ"
)
UNKNOWN = "status at the horizon not known: the records end earlier"


def answer(protocol: Protocol, clients: ClientArrays, status: Floats) -> Answers:
    """Difference in the share retained, by the protocol's primary analysis, in each study.

    Parameters
    ----------
    protocol : Protocol
        With a retention outcome.
    clients : ClientArrays
    status : ndarray, shape (m, clients)
        1 retained, 0 departed, ``nan`` not known.

    Returns
    -------
    Answers
        Compared arm minus reference arm: within trainers where both arms train with a trainer, between them
        where each delivers one arm.
    """
    level = protocol.analysis.confidence_level
    roles, alone = trainer_roles(protocol, clients)
    strata = np.where(np.isin(roles, ("fixed", "random"))[:, None], clients.trainer, 0)
    found = _within_strata(clients, status, strata, confidence_level=level)
    clusters = np.flatnonzero(roles == "clusters")
    if clusters.size:
        between = between_trainers(clients.take(clusters), status[clusters], confidence_level=level)
        spread = between.standard_error != 0.0  # without any, clients are all there is to judge by
        found = found.filled(clusters[spread], between.take(spread))
    labels = clients.arm_labels
    return found.without(alone >= 0, lambda study: alone_in_arm(labels[alone[study]]))


def known_in_arms(clients: ClientArrays, status: Floats) -> Bools:
    """Clients of both arms whose status is known, shape (m, clients)."""
    return np.asarray(np.isin(clients.arm, (0, clients.compared_arm)) & np.isfinite(status))


def counts_in_cells(clients: ClientArrays, status: Floats, strata: Integers) -> tuple[Integers, Integers]:
    """Clients retained, and all, by study, stratum and arm: shape (m, strata, 2)."""
    number, known = int(strata.max(initial=0)) + 1, known_in_arms(clients, status)
    cell = (np.arange(clients.studies)[:, None] * number + strata) * 2 + (clients.arm == clients.compared_arm)
    shape = (clients.studies, number, 2)
    kept, everybody = (
        np.bincount(cell[flags], minlength=int(np.prod(shape))).reshape(shape)
        for flags in (known & (status == 1.0), known)
    )
    return kept, everybody


def _within_strata(
    clients: ClientArrays, status: Floats, strata: Integers, *, confidence_level: float
) -> Answers:
    """Stratified risk difference with the score interval."""
    kept, everybody = counts_in_cells(clients, status, strata)
    found = risk_differences(kept, everybody, confidence_level=confidence_level)
    answers = replace(
        Answers.none(clients.studies),
        value=found.value,
        lower=found.lower,
        upper=found.upper,
        p_value=found.p_value,
    )
    return answers.without(np.isnan(found.value), lambda study: _not_comparable(bool(everybody[study].any())))


def _not_comparable(any_known: bool) -> StudykitError:
    if any_known:
        return FitError(where="risk difference", **UNINFORMATIVE)
    return FitError(
        where="retention",
        expected="clients known to have stayed, or left, by the day that counts (the horizon)",
        got="none",
        todo="Wait until the records reach that day.",
    )


def between_trainers(clients: ClientArrays, status: Floats, *, confidence_level: float = 0.95) -> Answers:
    """Difference in the mean of trainers' shares, where each trainer delivers one arm.

    Parameters
    ----------
    clients : ClientArrays
    status : ndarray, shape (m, clients)
    confidence_level : float

    Notes
    -----
    A two-sample t comparison of cluster proportions with equal variances, every trainer with the same weight
    (Donner & Klar 2000; Hayes & Moulton 2017, who recommend it for few clusters). Where every trainer has the
    same share within each arm, the standard error is zero and the p-value says nothing.
    """
    used, labels = known_in_arms(clients, status), clients.trainer_labels
    means = trainer_means(clients, status, used, clients.compared_arm)
    shares = means[1].reshape(clients.studies, 2, -1)  # whether a trainer has one, by arm
    number = shares.sum(axis=2)
    in_both = shares.sum(axis=1) > 1
    found = unpaired_t(*means, confidence_level=confidence_level)
    found = found.without(
        number.min(axis=1) < 2,
        lambda study: DesignError(
            where="trainer shares",
            expected="at least two trainers in each arm",
            got=f"{number[study, 0]} and {number[study, 1]}",
            todo="Describe the two arms; the effect cannot be told from the trainer.",
        ),
    )
    return found.without(
        in_both.any(axis=1),
        lambda study: DesignError(
            where=f"trainer {labels[int(in_both[study].argmax())]}",
            expected="clients of one arm only",
            got="clients of both arms",
            todo="Compare within trainers: the stratified risk difference.",
        ),
    )


@dataclass(frozen=True, eq=False)
class Comparison:
    """What every analysis of one study shares."""

    protocol: Protocol
    outcome: RetentionOutcome
    spells: RetentionSpells
    trainers: TrainerPlan
    compared_arm: int

    @cached_property
    def clients(self) -> ClientArrays:
        """The clients as a batch of one study."""
        own = (self.trainers.trainer, self.trainers.labels)
        return ClientArrays.of_study(self.spells.clients, compared_arm=self.compared_arm, trainers=own)

    @property
    def rule(self) -> RetentionRule:
        """When a client has departed."""
        return self.outcome.absence_rule()

    def status(self, rule: RetentionRule | None = None) -> Floats:
        """Status at the horizon, shape (clients,): 1 retained, 0 departed, ``nan`` not known."""
        return active_status(self.spells.histories, self.outcome.horizon_day, rule=rule or self.rule)

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
    clients = comparison.clients
    used = known_in_arms(clients, status[None])[0]
    if not used.any():
        raise _not_comparable(any_known=False)
    compared = clients.arm[0, used] == comparison.compared_arm
    if clusters and comparison.trainers.role == "clusters":
        estimate = between_trainers(clients, status[None]).estimate("trainers minus two")
        if estimate.standard_error > 0.0:
            return estimate, "shares of trainers compared, t on trainers minus two"
        return risk_difference(count_by_stratum(status[used], compared)), NO_SPREAD
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


def outcome_estimate(
    comparison: Comparison,
    status: Floats,
    estimate: HasInterval,
    *,
    name: str,
    summary: str,
    method: str,
    role: Role,
    unit: str = "share",
    presentation: Presentation = "difference",
    reason: str = UNKNOWN,
) -> OutcomeEstimate:
    """An estimate from the status at the horizon, with its words."""
    return OutcomeEstimate(
        name=name,
        contrast=comparison.contrast,
        estimand=retention_estimand(comparison.protocol, comparison.outcome, summary),
        unit=unit,
        presentation=presentation,
        estimate=estimate,
        role=role,
        method=method,
        rows=counted_rows(comparison, status, reason=reason),
    )


def primary_estimate(comparison: Comparison, status: Floats) -> OutcomeEstimate:
    """The difference in the share retained."""
    estimate, method = compare_shares(comparison, status, strata=comparison.trainer_strata)
    found = outcome_estimate(
        comparison,
        status,
        estimate,
        name=f"retained on day {comparison.outcome.horizon_day}",
        summary="difference in the share of clients retained",
        method=method,
        role=comparison.outcome.role,
    )
    return replace(found, remarks=comparison.trainers.remarks)
