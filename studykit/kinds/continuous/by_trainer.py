"""The contrast within each trainer: shown as description, never generalised."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from studykit.errors import FitError
from studykit.kinds.continuous.analysis import Setting
from studykit.kinds.continuous.regression import RESIDUAL, adjusting_columns, least_squares
from studykit.outcomes.results import OutcomeEstimate
from studykit.results import RowCount

Floats = NDArray[np.float64]
LEAST_PER_ARM = 2  # clients of each arm with a score, for a trainer to be shown


def effects_by_trainer(setting: Setting, primary: OutcomeEstimate) -> tuple[OutcomeEstimate, ...]:
    """Contrast at the primary visit within each trainer with at least two tested clients in both arms.

    Notes
    -----
    One regression of the composite on the baseline composite and stratifiers, with a mean and an arm distance
    for every trainer; one residual variance for all, so that the intervals lean on each other.
    """
    if setting.trainers.role not in {"fixed", "random"}:
        return ()
    arrays, trainers = setting.arrays, setting.trainers
    score, clients = arrays.score_at(setting.primary_visit, setting.exercises), arrays.clients
    compared = clients.arm == setting.compared_arm
    inside = (compared | (clients.arm == 0)) & np.isfinite(score)
    own = clients.of_trainer()
    number = [(own & (inside & side)[..., None]).sum(axis=1)[0] for side in (compared, ~compared)]
    shown = np.flatnonzero(np.minimum(*number) >= LEAST_PER_ARM)
    names, _, blocks = adjusting_columns(arrays.baseline_score(setting.exercises), clients, trainers=False)
    fit = least_squares(
        score,
        np.concatenate([own, own & compared[..., None], *blocks], axis=2),
        (*(f"{label} mean" for label in trainers.labels), *trainers.labels, *names),
        inside,
    )
    try:
        estimates = [(place, fit.coefficient(trainers.labels[place]).estimate(RESIDUAL)) for place in shown]
    except FitError:
        return ()
    return tuple(
        replace(
            primary,
            name=f"{primary.name}, trainer {trainers.labels[place]}",
            estimate=estimate,
            role="exploratory",
            method="regression of the composite, an arm distance for every trainer, one residual variance",
            rows=_rows(inside[0] & (trainers.trainer == place), trainers.trainer == place),
            remarks=("Description only.",),
        )
        for place, estimate in estimates
    )


def _rows(used: NDArray[np.bool_], supplied: NDArray[np.bool_]) -> RowCount:
    number, whole = int(used.sum()), int(supplied.sum())
    left_out = (("no score at the primary visit, or another arm", whole - number),) if whole > number else ()
    return RowCount(whole, number, left_out, "clients")
