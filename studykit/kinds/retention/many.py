"""The share retained in many studies at once: the primary comparison of `retention_comparison`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from studykit.errors import FitError
from studykit.mixed import RandomEffect, fit_many_binary_mixed
from studykit.outcomes.answers import Answers
from studykit.outcomes.clients import ClientArrays
from studykit.outcomes.trainers import alone_in_arm, trainer_means, trainer_roles, unpaired_t
from studykit.protocol.types import Protocol
from studykit.retention.risk_difference import risk_differences

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def compare_many_shares(protocol: Protocol, clients: ClientArrays, retained: Flags) -> Answers:
    """Difference in the share retained, by the protocol's primary analysis, in each study.

    Parameters
    ----------
    protocol : Protocol
        With a retention outcome.
    clients : ClientArrays
    retained : ndarray of bool, shape (m, clients)
        The status of every client at the horizon is known.

    Returns
    -------
    Answers
        Compared arm minus reference arm; open where no trainer has clients of both arms, or where trainers
        who deliver one arm each are too few for a comparison.
    """
    level = protocol.analysis.confidence_level
    inside = (clients.arm == 0) | (clients.arm == clients.compared_arm)
    roles, alone = trainer_roles(protocol, clients)
    clusters = roles == "clusters"
    strata = np.where(np.isin(roles, ("fixed", "random"))[:, None], clients.trainer, 0)
    found = _by_counts(clients, retained, inside, strata=strata, confidence_level=level)
    if clusters.any():
        own = clients.take(clusters)
        means = trainer_means(own, retained[clusters].astype(float), inside[clusters], own.compared_arm)
        by_trainer = unpaired_t(*means, confidence_level=level)
        spread = ~(by_trainer.standard_error == 0.0)
        found = found.filled(np.flatnonzero(clusters)[spread], by_trainer.take(spread))
    labels = clients.arm_labels
    return found.without(alone >= 0, lambda study: alone_in_arm(labels[alone[study]]))


def compare_many_odds(
    clients: ClientArrays, retained: Flags, *, confidence_level: float, quadrature_points: int = 7
) -> Answers:
    """Log odds ratio of being retained by a binary mixed model, trainers random: the supporting analysis.

    Parameters
    ----------
    clients : ClientArrays
        With two trainers or more.
    retained : ndarray of bool, shape (m, clients)
    confidence_level : float
    quadrature_points : int
        1 is Laplace's approximation.

    Returns
    -------
    Answers
        Compared arm minus reference arm; ``nan`` where the fit fails.
    """
    inside = (clients.arm == 0) | (clients.arm == clients.compared_arm)
    trainers = len(clients.trainer_labels)
    everybody, kept = _counts(clients, retained, inside, clients.trainer, trainers)
    studies = clients.studies
    arm = np.tile([0.0, 1.0], trainers)
    number = everybody.reshape(studies, -1)
    found = fit_many_binary_mixed(
        kept.reshape(studies, -1),
        np.column_stack([np.ones(arm.size), arm]),
        RandomEffect("trainer", np.repeat(np.arange(trainers), 2)),
        contrasts=[0.0, 1.0],
        trials=np.maximum(number, 1),
        observed=number > 0,
        quadrature_points=quadrature_points,
    )
    fine = found.converged
    return Answers.of_t(
        np.where(fine, found.value[:, 0], np.nan),
        np.where(fine, found.standard_error[:, 0], np.nan),
        np.where(fine, found.degrees_of_freedom[:, 0], np.nan),
        confidence_level=confidence_level,
        by_model=True,
        at_boundary=np.asarray(found.at_boundary),
        failure=lambda _: FitError(
            where="retention", expected="a binary mixed model that can be fitted", got="none"
        ),
    )


def _counts(
    clients: ClientArrays, retained: Flags, inside: Flags, strata: NDArray[np.int64], number: int
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
    clients: ClientArrays,
    retained: Flags,
    inside: Flags,
    *,
    strata: NDArray[np.int64],
    confidence_level: float,
) -> Answers:
    """Stratified risk difference with the score interval."""
    everybody, kept = _counts(clients, retained, inside, strata, int(strata.max()) + 1)
    found = risk_differences(kept, everybody, confidence_level=confidence_level)
    answers = replace(
        Answers.none(clients.studies),
        value=found.value,
        lower=found.lower,
        upper=found.upper,
        p_value=found.p_value,
    )
    return answers.without(
        ~np.isfinite(found.value),
        lambda _: FitError(
            where="risk difference", expected="a stratum with clients in both arms", got="none"
        ),
    )
