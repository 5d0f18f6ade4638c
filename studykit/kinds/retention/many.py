"""The share retained in many studies at once: the primary comparison of `retention_comparison`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.kinds.continuous.many import role_of_trainers
from studykit.kinds.continuous.regression_many import trainer_means, unpaired_many
from studykit.mixed import RandomEffect, fit_many_binary_mixed
from studykit.outcomes.many import ManyAnswers, ManyClients
from studykit.protocol.types import Protocol
from studykit.retention.risk_difference import risk_differences

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def compare_many_shares(protocol: Protocol, clients: ManyClients, retained: Flags) -> ManyAnswers:
    """Difference in the share retained, by the protocol's primary analysis, in each study.

    Parameters
    ----------
    protocol : Protocol
        With a retention outcome.
    clients : ManyClients
    retained : ndarray of bool, shape (m, clients)
        The status of every client at the horizon is known.

    Returns
    -------
    ManyAnswers
        Compared arm minus reference arm; open where no trainer has clients of both arms, or where trainers
        who deliver one arm each are too few for a comparison.
    """
    level = protocol.analysis.confidence_level
    inside = (clients.arm == 0) | (clients.arm == clients.compared_arm)
    if role_of_trainers(protocol, clients.trainers) != "clusters":
        return _by_counts(clients, retained, inside, strata=clients.trainer, confidence_level=level)
    mean, known, compared = trainer_means(clients, retained.astype(float), inside)
    answers = unpaired_many(mean, known, compared, confidence_level=level)
    whole = np.zeros_like(clients.trainer)
    pooled = _by_counts(clients, retained, inside, strata=whole, confidence_level=level)
    spread = answers.standard_error > 0.0
    few = np.minimum((known & compared).sum(axis=1), (known & ~compared).sum(axis=1)) < 2
    answers = answers.combined(pooled, lambda own, other: np.where(spread, own, other))
    unanswered = ManyAnswers.empty(clients.studies)
    return answers.combined(unanswered, lambda own, other: np.where(few, other, own))


def compare_many_odds(
    clients: ManyClients, retained: Flags, *, confidence_level: float, quadrature_points: int = 7
) -> ManyAnswers:
    """Log odds ratio of being retained by a binary mixed model, trainers random: the supporting analysis.

    Parameters
    ----------
    clients : ManyClients
        With two trainers or more.
    retained : ndarray of bool, shape (m, clients)
    confidence_level : float
    quadrature_points : int
        1 is Laplace's approximation.

    Returns
    -------
    ManyAnswers
        Compared arm minus reference arm; ``nan`` where the fit fails.
    """
    inside = (clients.arm == 0) | (clients.arm == clients.compared_arm)
    everybody, kept = _counts(clients, retained, inside, clients.trainer, clients.trainers)
    studies = clients.studies
    arm = np.tile([0.0, 1.0], clients.trainers)
    number = everybody.reshape(studies, -1)
    found = fit_many_binary_mixed(
        kept.reshape(studies, -1),
        np.column_stack([np.ones(arm.size), arm]),
        RandomEffect("trainer", np.repeat(np.arange(clients.trainers), 2)),
        contrasts=[0.0, 1.0],
        trials=np.maximum(number, 1),
        observed=number > 0,
        quadrature_points=quadrature_points,
    )
    fine = found.converged
    return ManyAnswers.of_t(
        np.where(fine, found.value[:, 0], np.nan),
        np.where(fine, found.standard_error[:, 0], np.nan),
        np.where(fine, found.degrees_of_freedom[:, 0], np.nan),
        confidence_level=confidence_level,
        by_model=True,
        at_boundary=np.asarray(found.at_boundary),
    )


def _counts(
    clients: ManyClients, retained: Flags, inside: Flags, strata: NDArray[np.int64], number: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Clients, and those retained, by study, stratum and arm: shape (m, strata, 2)."""
    studies = np.arange(clients.studies)[:, None]
    cell = (studies * number + strata) * 2 + (clients.arm == clients.compared_arm)
    shape = (clients.studies, number, 2)
    everybody, kept = (
        np.bincount(cell[flags], minlength=int(np.prod(shape))).reshape(shape)
        for flags in (inside, inside & retained)
    )
    return everybody, kept


def _by_counts(
    clients: ManyClients,
    retained: Flags,
    inside: Flags,
    *,
    strata: NDArray[np.int64],
    confidence_level: float,
) -> ManyAnswers:
    """Stratified risk difference with the score interval."""
    everybody, kept = _counts(clients, retained, inside, strata, int(strata.max()) + 1)
    found = risk_differences(kept, everybody, confidence_level=confidence_level)
    unknown = np.full(clients.studies, np.nan)
    nothing = np.zeros(clients.studies, dtype=bool)
    silent = ~np.isfinite(found.value)
    p_value = np.where(silent, np.nan, found.p_value)
    return ManyAnswers(
        found.value, found.lower, found.upper, p_value, unknown, unknown, nothing, nothing, silent
    )
