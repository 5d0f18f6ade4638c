"""Retention by a binary mixed model, trainers random: it supports the comparison of shares.

Status at the horizon on arm and stratifiers, trainers as random intercepts on the log-odds scale.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DesignError, FitError, StudykitError
from studykit.kinds.retention.analysis import Comparison, known_in_arms, outcome_estimate
from studykit.mixed import BinaryFit, RandomEffect, fit_binary_mixed, fit_many_binary_mixed
from studykit.outcomes.answers import Answers
from studykit.outcomes.batch_model import BatchModel, RandomPart
from studykit.outcomes.clients import ClientArrays
from studykit.outcomes.results import OutcomeEstimate

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
POINTS = 9  # of adaptive Gauss-Hermite quadrature
ARM = "arm"
ONE_TRAINER = "A mixed model of retention is not fitted: it needs clients of two trainers or more."
CLUSTERS = (
    "Each trainer delivered one arm: where trainers differ much, intervals of the mixed model are too narrow "
    "(ten trainers: 92 % of them held the truth in place of 95 %)."
)


def retention_model(clients: ClientArrays, status: Floats) -> BatchModel:
    """The model of m studies; its second column is the compared arm.

    Parameters
    ----------
    clients : ClientArrays
        In several studies, trainers in order.
    status : ndarray, shape (m, clients)
        1 retained, 0 departed, ``nan`` not known.
    """
    used = known_in_arms(clients, status)
    facts = replace(clients, covariates=()).facts()
    compared = clients.arm == clients.compared_arm
    blocks = [np.stack([np.ones(used.shape), compared.astype(float)], axis=2), facts.values]

    def random(study: int, rows: Flags) -> RandomPart:
        return (RandomEffect("trainer", clients.trainer[study, rows]),), None

    return BatchModel.of(
        np.where(used, status, np.nan),
        blocks,
        ("mean", ARM, *facts.names),
        adjusting=2,
        random=random,
        trainer=clients.trainer,
    )


def answer_by_model(clients: ClientArrays, status: Floats, *, confidence_level: float) -> Answers:
    """Log odds ratio of being retained in each study: the supporting analysis.

    Parameters
    ----------
    clients : ClientArrays
        With two trainers or more.
    status : ndarray, shape (m, clients)
        1 retained, 0 departed, ``nan`` not known.
    confidence_level : float

    Returns
    -------
    Answers
        Compared arm minus reference arm; ``nan`` where the fit fails.
    """
    if clients.studies > 1:  # the same rows for the same trainer in every study
        order = np.argsort(clients.trainer, axis=1, kind="stable")
        clients, status = clients.reordered(order), np.take_along_axis(status, order, axis=1)
    found = Answers.none(clients.studies, lambda _: _not_fitted())
    for places, group in retention_model(clients, status).groups():
        if not group.kept[1]:
            continue
        try:
            fits = fit_many_binary_mixed(
                group.outcome,
                group.fixed_effects,
                group.random_effects[0],
                contrasts=np.array([name == ARM for name in group.names], dtype=float),
                observed=group.observed,
                quadrature_points=POINTS,
            )
        except (FitError, DesignError):
            continue
        numbers = (fits.value, fits.standard_error, fits.degrees_of_freedom)
        answers = Answers.of_t(
            *(np.where(fits.converged, own[:, 0], np.nan) for own in numbers),
            confidence_level=confidence_level,
            by_model=True,
            at_boundary=np.asarray(fits.at_boundary),
            failure=lambda _: _not_fitted(),
        )
        found = found.filled(places, answers)
    return found


def _not_fitted() -> FitError:
    return FitError(where="retention", expected="a binary mixed model that can be fitted", got="none")


def model_estimates(
    comparison: Comparison, status: Floats
) -> tuple[tuple[OutcomeEstimate, ...], tuple[str, ...]]:
    """Odds ratio, and share retained as a difference and a ratio, by the mixed model; and remarks.

    Parameters
    ----------
    comparison : Comparison
    status : ndarray, shape (clients,)
    """
    if len(comparison.trainers.labels) < 2:
        return (), (ONE_TRAINER,)
    alone = retention_model(comparison.clients, status[None]).alone()
    try:
        if not alone.kept[1]:
            raise _not_fitted()
        fit = fit_binary_mixed(
            alone.outcome[0],
            alone.fixed_effects[0],
            alone.random_effects,
            names=alone.names,
            quadrature_points=POINTS,
        )
        found = _estimates(comparison, status, fit)
    except StudykitError as reason:
        return (), (f"The mixed model of retention could not be fitted: {reason}",)
    return found, (CLUSTERS,) if comparison.trainers.role == "clusters" else ()


def _estimates(comparison: Comparison, status: Floats, fit: BinaryFit) -> tuple[OutcomeEstimate, ...]:
    day = comparison.outcome.horizon_day
    risks = fit.standardised_risks({ARM: 1.0}, {ARM: 0.0})
    method = (
        f"logistic mixed model, trainers random, {POINTS} quadrature points, t with between-within degrees "
        "of freedom"
    )
    odds = outcome_estimate(
        comparison,
        status,
        fit.contrast({ARM: 1.0}),
        name=f"odds ratio of being retained on day {day}",
        summary="odds ratio of being retained, for clients of one trainer",
        method=method,
        role="supporting",
        unit="ratio",
        presentation="ratio",
    )
    spread = float(np.sqrt(fit.covariance("trainer")[0, 0]))
    words = f"Trainers differ by a standard deviation of {spread:.2f} in log odds of retention."
    difference = outcome_estimate(
        comparison,
        status,
        risks.difference,
        name=f"retained on day {day}, by the mixed model",
        summary="difference in the share of clients retained, over trainers such as these",
        method=f"{method}; averaged over trainers and clients",
        role="supporting",
    )
    ratio = replace(
        difference,
        name=f"ratio of shares retained on day {day}, by the mixed model",
        estimand=difference.estimand.replace("difference in the share", "ratio of the shares"),
        estimate=risks.ratio.log,
        unit="ratio",
        presentation="ratio",
    )
    return replace(odds, remarks=(words, *fit.boundary_terms, *fit.cautions)), difference, ratio
