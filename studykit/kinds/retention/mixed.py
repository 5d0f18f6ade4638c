"""Retention by a binary mixed model, trainers random: it supports the comparison of shares."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.errors import FitError
from studykit.kinds.retention.analysis import counts_in_cells
from studykit.mixed import RandomEffect, fit_many_binary_mixed
from studykit.outcomes.answers import Answers
from studykit.outcomes.clients import ClientArrays

Floats = NDArray[np.float64]


def answer_by_model(
    clients: ClientArrays, status: Floats, *, confidence_level: float, quadrature_points: int = 7
) -> Answers:
    """Log odds ratio of being retained by a binary mixed model, trainers random: the supporting analysis.

    Parameters
    ----------
    clients : ClientArrays
        With two trainers or more.
    status : ndarray, shape (m, clients)
        1 retained, 0 departed, ``nan`` not known.
    confidence_level : float
    quadrature_points : int
        1 is Laplace's approximation.

    Returns
    -------
    Answers
        Compared arm minus reference arm; ``nan`` where the fit fails.
    """
    kept, everybody = counts_in_cells(clients, status, clients.trainer)
    trainers = everybody.shape[1]
    arm = np.tile([0.0, 1.0], trainers)
    number = everybody.reshape(clients.studies, -1)
    found = fit_many_binary_mixed(
        kept.reshape(clients.studies, -1),
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
