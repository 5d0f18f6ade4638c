"""The protocol's primary contrast of a continuous outcome in m studies: by the model, or by the fallback."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ConvergenceError, DesignError, FitError
from studykit.kinds.continuous.model import default_model, empty_cell
from studykit.kinds.continuous.regression import Regression, compare_clusters, regress_on_baseline
from studykit.kinds.continuous.scores import ScoreArrays
from studykit.mixed import fit_many_linear_mixed
from studykit.outcomes.answers import Answers
from studykit.outcomes.batch_model import StudiesAlike
from studykit.outcomes.trainers import TrainerRole, alone_in_arm, trainer_roles
from studykit.protocol.types import Protocol

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]


def answer(protocol: Protocol, scores: ScoreArrays) -> Answers:
    """The protocol's primary contrast in each study.

    Parameters
    ----------
    protocol : Protocol
        In which each client gets one arm.
    scores : ScoreArrays
        Of one of its continuous outcomes.

    Returns
    -------
    Answers
        Compared arm minus reference arm on the analysis scale.
    """
    roles, alone = trainer_roles(protocol, scores.clients)
    labels, refused = scores.clients.arm_labels, alone >= 0
    found = Answers.none(scores.clients.studies)
    found = found.without(refused, lambda study: alone_in_arm(labels[alone[study]]))
    for role in np.unique(roles[~refused]):
        places = np.flatnonzero(~refused & (roles == role))
        found = found.filled(places, _of_role(protocol, scores.take(places), role))
    return found


def _of_role(protocol: Protocol, scores: ScoreArrays, role: TrainerRole) -> Answers:
    """Studies in which trainers enter alike."""
    regress = scores.with_primary_score.sum(axis=1) < protocol.analysis.composite_below_clients
    regress |= one_score_each(scores, role) | ~scores.observed.any(axis=(1, 2, 3))
    modelled = np.flatnonzero(~regress)
    found = Answers.none(scores.clients.studies)
    if modelled.size:
        own, converged = _by_model(protocol, scores.take(modelled), role)
        found = found.filled(modelled, own)
        regress[modelled[~converged]] = True
    if regress.any():
        fallback = regressed(
            scores.take(regress),
            role,
            arm=scores.clients.compared_arm,
            visit=scores.primary_visit,
            exercises=scores.exercises,
            confidence_level=protocol.analysis.confidence_level,
        )
        found = found.filled(regress, fallback)
    return found


def one_score_each(scores: ScoreArrays, role: TrainerRole) -> Flags:
    """Where there is nothing for random effects to describe: the regression is the model; shape (m,)."""
    single = scores.observed.any(axis=(1, 3)).sum(axis=1) == 1
    return np.asarray(single & (len(scores.exercises) == 1 and role not in {"random", "clusters"}))


def regressed(
    scores: ScoreArrays,
    role: TrainerRole,
    *,
    arm: int,
    visit: int,
    exercises: tuple[int, ...],
    adjust: bool = True,
    confidence_level: float = 0.95,
) -> Answers:
    """An arm minus the reference arm at a follow-up visit by the fallback.

    Parameters
    ----------
    scores : ScoreArrays
    role : str
        How trainers enter: as clusters their means are compared, and stratifiers stay.
    arm, visit : int
    exercises : tuple of int
    adjust : bool
        False keeps the baseline score only.
    confidence_level : float
    """
    clients = scores.clients
    if role == "clusters":
        after, before = scores.score_at(visit, exercises), scores.baseline_score(exercises)
        return compare_clusters(after, before, clients, arm=arm, confidence_level=confidence_level)
    fit = regression_at(scores, role, visit, exercises, adjust=adjust)
    return fit.coefficient(clients.arm_labels[arm], confidence_level=confidence_level)


def regression_at(
    scores: ScoreArrays, role: TrainerRole, visit: int, exercises: tuple[int, ...], *, adjust: bool = True
) -> Regression:
    """The regression of the composite at one visit on the composite before allocation."""
    return regress_on_baseline(
        scores.score_at(visit, exercises),
        scores.baseline_score(exercises),
        scores.clients,
        trainers=role in {"fixed", "random"},
        adjust=adjust,
    )


def _by_model(protocol: Protocol, scores: ScoreArrays, role: TrainerRole) -> tuple[Answers, Flags]:
    """Answers by the model, and where it could be fitted."""
    model, layout = default_model(scores, role)
    visit, arm = scores.primary_visit, scores.clients.compared_arm
    weights, possible = layout.effect(arm, visit, scores.exercises)
    found = Answers.none(scores.clients.studies)
    converged = np.zeros(scores.clients.studies, dtype=bool)
    for places, group in model.groups():
        own = fit_contrast(protocol, group, weights if possible[places[0]] else _any_mean(group))
        if own is not None:
            answers, converged[places] = own
            found = found.filled(places, answers)
    empty = converged & ~possible
    return found.without(
        empty, lambda study: empty_cell(scores, layout, arm=arm, visit=visit, study=study)
    ), converged


def _any_mean(group: StudiesAlike) -> Floats:
    """Something to estimate where the contrast itself cannot be: whether the model can be fitted."""
    return np.asarray(np.arange(group.kept.size) == group.kept.argmax(), dtype=float)


def fit_contrast(protocol: Protocol, group: StudiesAlike, weights: Floats) -> tuple[Answers, Flags] | None:
    """One contrast of studies that are fitted together, and where the fit converged; None where none can."""
    try:
        with np.errstate(divide="ignore", invalid="ignore"):  # at the edge a search meets the log of zero
            fits = fit_many_linear_mixed(
                group.outcome,
                group.fixed_effects,
                group.random_effects,
                contrasts=weights[group.kept],
                observed=group.observed,
                residual=group.residual,
                degrees_of_freedom=protocol.analysis.degrees_of_freedom,
            )
    except (FitError, DesignError):
        return None
    answers = Answers.of_t(
        fits.value[:, 0],
        fits.standard_error[:, 0],
        fits.degrees_of_freedom[:, 0],
        confidence_level=protocol.analysis.confidence_level,
        by_model=True,
        at_boundary=np.asarray(fits.at_boundary),
        failure=lambda _: not_converged(),
    )
    return answers, np.asarray(fits.converged)


def not_converged() -> ConvergenceError:
    """The search for the variances did not end."""
    return ConvergenceError(where="mixed model", expected="a search that converges", got="one that did not")
