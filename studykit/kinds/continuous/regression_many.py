"""The fallback of many studies at once: `strength_regression` with the studies along the first axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.kinds.continuous.regression import LEAST_DEGREES_OF_FREEDOM
from studykit.kinds.continuous.scores import composite_scores
from studykit.outcomes.client_facts import orthonormal_columns
from studykit.outcomes.many import ManyAnswers, ManyClients, ManyScores

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def regress_many(scores: ManyScores, *, trainers: bool, confidence_level: float) -> ManyAnswers:
    """Composite at the primary visit on arm, composite before allocation, stratifiers and trainers, with t.

    Parameters
    ----------
    scores : ManyScores
    trainers : bool
        Whether trainers are fixed effects.
    confidence_level : float

    Returns
    -------
    ManyAnswers
        ``nan`` where an arm has no score, or fewer than two degrees of freedom remain.
    """
    outcome, used = _outcome(scores)
    clients = scores.clients
    arms = _arm_columns(clients)
    further = [clients.trainer_columns()] if trainers and clients.trainers > 1 else []
    columns = [np.ones((*outcome.shape, 1)), arms, _baseline(scores), clients.fact_columns(), *further]
    matrix = np.concatenate(columns, axis=2) * used[..., None]
    basis, kept = orthonormal_columns(matrix)
    place = clients.compared_arm  # after the column of ones: arms from 1 on
    others = np.delete(matrix * kept[:, None, :], place, axis=2)
    own = _left_over(matrix[..., place], orthonormal_columns(others)[0])
    residual = _left_over(outcome, basis)
    freedom = used.sum(axis=1) - kept.sum(axis=1)
    seen = all_arms_seen(scores, used)
    possible = seen & (freedom >= LEAST_DEGREES_OF_FREEDOM) & kept[:, place]
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = (own**2).sum(axis=1)
        value = np.where(possible, (own * outcome).sum(axis=1) / weight, np.nan)
        error = np.sqrt((residual**2).sum(axis=1) / freedom / weight)
    return ManyAnswers.of_t(
        value,
        np.where(possible, error, np.nan),
        np.where(possible, freedom, np.nan).astype(float),
        confidence_level=confidence_level,
        by_model=False,
    )


def compare_many_clusters(scores: ManyScores, *, confidence_level: float) -> ManyAnswers:
    """Trainers' mean residuals, arm against arm, t on trainers minus two: `compare_clusters` of many studies.

    Parameters
    ----------
    scores : ManyScores
        Each trainer in one arm.
    confidence_level : float
    """
    outcome, used = _outcome(scores)
    clients = scores.clients
    columns = [np.ones((*outcome.shape, 1)), _baseline(scores), clients.fact_columns()]
    basis, kept = orthonormal_columns(np.concatenate(columns, axis=2) * used[..., None])
    residual = _left_over(outcome, basis)
    fitted = used.sum(axis=1) - kept.sum(axis=1) >= LEAST_DEGREES_OF_FREEDOM
    mean, weight, compared = trainer_means(clients, residual, used)
    answer = unpaired_many(mean, weight, compared, confidence_level=confidence_level)
    failed = ManyAnswers.of_t(*(np.full(len(outcome), np.nan),) * 3, confidence_level=0.95, by_model=False)
    return answer.combined(failed, lambda own, other: np.where(fitted, own, other))


def trainer_means(clients: ManyClients, values: Floats, used: Flags) -> tuple[Floats, Flags, Flags]:
    """Mean of each trainer's used clients, whether there are any, and whether they are in the compared arm.

    Returns
    -------
    (mean, known, compared)
        Shape (m, trainers); trainers of a third arm are not known.
    """
    own = clients.trainer[..., None] == np.arange(clients.trainers)
    counted = own & used[..., None]
    number = counted.sum(axis=1)
    mean = (counted * values[..., None]).sum(axis=1) / np.maximum(number, 1)
    of_trainer = (own * clients.arm[..., None]).max(axis=1)
    compared = of_trainer == clients.compared_arm
    return np.asarray(mean), np.asarray((number > 0) & (compared | (of_trainer == 0))), np.asarray(compared)


def unpaired_many(mean: Floats, known: Flags, compared: Flags, *, confidence_level: float) -> ManyAnswers:
    """`trainers.unpaired_t` of many studies; arrays of shape (m, trainers)."""
    sides = [known & ~compared, known & compared]
    number = [side.sum(axis=1) for side in sides]
    with np.errstate(invalid="ignore", divide="ignore"):
        centre = [(mean * side).sum(axis=1) / count for side, count in zip(sides, number, strict=True)]
        squares = sum(
            (side * (mean - middle[:, None]) ** 2).sum(axis=1)
            for side, middle in zip(sides, centre, strict=True)
        )
        freedom = number[0] + number[1] - 2.0
        possible = (np.minimum(*number) >= 1) & (freedom >= 1.0)
        error = np.sqrt(squares / freedom * (1.0 / number[0] + 1.0 / number[1]))
    return ManyAnswers.of_t(
        np.where(possible, centre[1] - centre[0], np.nan),
        np.where(possible, error, np.nan),
        np.where(possible, freedom, np.nan),
        confidence_level=confidence_level,
        by_model=False,
    )


def all_arms_seen(scores: ManyScores, used: Flags) -> Flags:
    """Whether every arm has a used client, shape (m,)."""
    arms = scores.clients.arm[..., None] == np.arange(scores.clients.arms)
    return np.asarray((arms & used[..., None]).any(axis=1).all(axis=1))


def _outcome(scores: ManyScores) -> tuple[Floats, Flags]:
    """Composite at the primary visit, 0 where missing, and who has one."""
    found = composite_scores(scores.score[:, :, [scores.primary_visit]])[..., 0]
    used = np.isfinite(found)
    return np.where(used, found, 0.0), used


def _arm_columns(clients: ManyClients) -> Floats:
    return np.asarray(clients.arm[..., None] == np.arange(1, clients.arms), dtype=float)


def _baseline(scores: ManyScores) -> Floats:
    """Composite over the visits before allocation, centred, and whether it is missing: (m, clients, 2)."""
    own = scores.score[:, :, list(scores.baseline_visits)]
    studies, clients = own.shape[:2]
    if not scores.baseline_visits:
        return np.empty((studies, clients, 0))
    composite = composite_scores(own.reshape(studies, clients, 1, -1))[..., 0]
    known = np.isfinite(composite)
    filled = np.where(known, composite, 0.0)
    mean = filled.sum(axis=1, keepdims=True) / np.maximum(known.sum(axis=1, keepdims=True), 1)
    missing = ~known - (~known).mean(axis=1, keepdims=True)
    return np.stack([np.where(known, composite - mean, 0.0), missing], axis=2)


def _left_over(values: Floats, basis: Floats) -> Floats:
    """What a basis (m, clients, p) leaves of values (m, clients)."""
    return np.asarray(values - (basis @ (basis.swapaxes(1, 2) @ values[..., None]))[..., 0])
