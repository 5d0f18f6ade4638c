"""The primary contrast of a continuous outcome in many studies at once: model, or fallback by the same rule.

The matrices are those of `strength_design` on the full grid of clients, visits and exercises, with missing
scores masked. A study that the grid does not fit (an empty cell, a column that repeats others, a search that
did not converge) is left open, to be analysed one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.kinds.continuous.model import random_part
from studykit.kinds.continuous.regression_many import compare_many_clusters, regress_many
from studykit.mixed import RandomEffect, ResidualStructure, fit_many_linear_mixed
from studykit.outcomes.many import ManyAnswers, ManyScores
from studykit.outcomes.trainers import TrainerRole
from studykit.protocol.types import Protocol

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class ManyDesign:
    """The default model of many studies, ready for `fit_many_linear_mixed`.

    Parameters
    ----------
    outcomes : ndarray, shape (m, n)
        ``n`` rows: clients by visits by exercises.
    fixed_effects : ndarray, shape (m, n, p)
    observed : ndarray of bool, shape (m, n)
    random_effects : tuple of RandomEffect
    residual : ResidualStructure or None
    contrast : ndarray, shape (p,)
        The compared arm minus the reference arm at the primary visit, exercises alike.
    """

    outcomes: Floats
    fixed_effects: Floats
    observed: Flags
    random_effects: tuple[RandomEffect, ...]
    residual: ResidualStructure | None
    contrast: Floats


def role_of_trainers(protocol: Protocol, trainers: int) -> TrainerRole:
    """How trainers enter, by the protocol's rule alone; `trainers.plan_trainers` looks at clients too."""
    if trainers == 1:
        return "one"
    if protocol.trainers.deliver == "one arm":
        return "clusters"
    return "fixed" if trainers < protocol.analysis.trainer_random_from else "random"


def answer_many(protocol: Protocol, scores: ManyScores) -> ManyAnswers:
    """The protocol's primary contrast in each study.

    Parameters
    ----------
    protocol : Protocol
    scores : ManyScores
        Of one of its continuous outcomes.

    Returns
    -------
    ManyAnswers
        Compared arm minus reference arm on the analysis scale.
    """
    level = protocol.analysis.confidence_level
    role = role_of_trainers(protocol, scores.clients.trainers)
    found = ManyAnswers.empty(scores.clients.studies)
    regular = _is_regular(scores, role)
    number = scores.with_primary_score.sum(axis=1)
    one_score = scores.score[0, 0].size == 1 and role not in {"random", "clusters"}
    few = regular & ((number < protocol.analysis.composite_below_clients) | one_score)
    if few.any():
        own = scores.take(few)
        found = found.filled(
            few,
            compare_many_clusters(own, confidence_level=level)
            if role == "clusters"
            else regress_many(own, trainers=role in {"fixed", "random"}, confidence_level=level),
        )
    many = np.flatnonzero(regular & ~few & _cells_filled(scores))
    for places in _alike(scores, role, many):
        found = found.filled(places, _by_model(protocol, scores.take(places), role))
    return found


def _is_regular(scores: ManyScores, role: TrainerRole) -> Flags:
    """Studies in which who in fact trained whom agrees with the rule of the protocol."""
    clients = scores.clients
    arms = clients.trainer[..., None] == np.arange(clients.trainers)
    present = arms.any(axis=1).all(axis=1)
    if role == "one":
        return np.asarray(present)
    low = np.where(arms, clients.arm[..., None], clients.arms).min(axis=1)
    high = np.where(arms, clients.arm[..., None], -1).max(axis=1)
    if role != "clusters":
        return np.asarray(present & (low < high).any(axis=1))
    several = [((high == arm) & (low == arm)).sum(axis=1) != 1 for arm in range(clients.arms)]
    return np.asarray(present & np.logical_and.reduce(several))


def _cells_filled(scores: ManyScores) -> Flags:
    """Studies with a score of every arm at every follow-up visit and exercise, and any score before."""
    arms = scores.clients.arm[..., None] == np.arange(scores.clients.arms)
    counts = np.einsum("mca,mcve->mave", arms.astype(float), scores.observed.astype(float))
    counts[:, :, ~scores.follow_up] = counts[:, :, ~scores.follow_up].sum(axis=1, keepdims=True)
    return np.asarray((counts > 0.0).all(axis=(1, 2, 3)))


def _alike(scores: ManyScores, role: TrainerRole, places: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Studies that share their random effects: all, or those whose trainers have as many clients each."""
    if not places.size:
        return []
    if role not in {"random", "clusters"}:
        return [places]
    each = (scores.clients.trainer[places][..., None] == np.arange(scores.clients.trainers)).sum(axis=1)
    kinds, kind = np.unique(each, axis=0, return_inverse=True)
    return [places[kind.ravel() == code] for code in range(len(kinds))]


def _by_model(protocol: Protocol, scores: ManyScores, role: TrainerRole) -> ManyAnswers:
    design = many_design(scores, role)
    fits = fit_many_linear_mixed(
        design.outcomes,
        design.fixed_effects,
        design.random_effects,
        contrasts=design.contrast,
        observed=design.observed,
        residual=design.residual,
        degrees_of_freedom=protocol.analysis.degrees_of_freedom,
    )
    answers = ManyAnswers.of_t(
        fits.value[:, 0],
        fits.standard_error[:, 0],
        fits.degrees_of_freedom[:, 0],
        confidence_level=protocol.analysis.confidence_level,
        by_model=True,
        at_boundary=np.asarray(fits.at_boundary),
    )
    unanswered = ManyAnswers.empty(scores.clients.studies)
    return answers.combined(unanswered, lambda own, other: np.where(fits.converged, own, other))


def many_design(scores: ManyScores, role: TrainerRole) -> ManyDesign:
    """Matrices of the default model on the full grid.

    Parameters
    ----------
    scores : ManyScores
        Where trainers are random, they have as many clients each in every study.
    role : str
        How trainers enter.
    """
    is_random = role in {"random", "clusters"}
    if is_random:  # the same rows for the same trainer in every study
        scores = scores.reordered(np.argsort(scores.clients.trainer, axis=1, kind="stable"))
    clients = scores.clients
    studies, number, visits, exercises = scores.score.shape
    client, visit, exercise = (place.ravel() for place in np.indices((number, visits, exercises)))
    follow_up = scores.follow_up[visit].astype(float)
    cell = visit * exercises + exercise
    means = (cell[:, None] == np.arange(visits * exercises)).astype(float)
    after = np.flatnonzero(np.repeat(scores.follow_up, exercises))
    arms = clients.arm[..., None] == np.arange(1, clients.arms)
    in_arm = arms[:, client].astype(float)  # (m, n, arms - 1)
    distances = (in_arm[..., None] * means[:, None, after]).reshape(studies, client.size, -1)
    blocks = [np.broadcast_to(means, (studies, *means.shape)), distances]
    facts = clients.fact_columns()[:, client]
    blocks += [facts * (visit == place)[:, None] for place in range(visits)]
    if role == "fixed":
        blocks.append(clients.trainer_columns()[:, client] * follow_up[:, None])
    matrix = np.concatenate(blocks, axis=2)
    contrast = np.zeros(matrix.shape[2])
    at_primary = np.flatnonzero(after // exercises == scores.primary_visit)
    contrast[means.shape[1] + (clients.compared_arm - 1) * after.size + at_primary] = 1.0 / exercises
    random_effects, residual = random_part(
        client,
        visit,
        exercise,
        visit_labels=tuple(f"visit {place}" for place in range(visits)),
        exercises=exercises,
        trainer=clients.trainer[0, client] if is_random else None,
        follow_up=follow_up,
        clusters=role == "clusters",
    )
    observed = scores.observed.reshape(studies, -1)
    outcomes = np.where(observed, scores.score.reshape(studies, -1), 0.0)
    return ManyDesign(outcomes, matrix, observed, random_effects, residual, contrast)
