"""The contrast within each trainer: shown as description, never generalised."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from studykit.errors import FitError
from studykit.kinds.continuous.analysis import Setting
from studykit.kinds.continuous.regression import RESIDUAL, least_squares
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
    score = setting.score_at(setting.primary_visit, setting.exercises)
    clients, trainers = setting.rows.clients, setting.trainers
    inside = np.isin(clients.arm, (0, setting.compared_arm)) & np.isfinite(score)
    compared = clients.arm == setting.compared_arm
    shown = [
        place
        for place in range(len(trainers.labels))
        if min(
            int((inside & compared & (trainers.trainer == place)).sum()),
            int((inside & ~compared & (trainers.trainer == place)).sum()),
        )
        >= LEAST_PER_ARM
    ]
    names, columns = [], []
    for place, label in enumerate(trainers.labels):
        own = (trainers.trainer == place).astype(float)
        names += [f"{label} mean", label]
        columns += [own, own * compared]
    baseline = setting.baseline_score(setting.exercises)
    if baseline is not None:
        known = np.isfinite(baseline)
        names += ["baseline", "baseline missing"]
        columns += [
            np.where(known, baseline - baseline[known].mean() if known.any() else 0.0, 0.0),
            (~known).astype(float),
        ]
    facts = setting.arrays.clients.facts()
    matrix = np.column_stack([*columns, facts.values[0]])
    fit = least_squares(score[None], matrix[None], (*names, *facts.names), inside[None])
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
            rows=_rows(inside & (trainers.trainer == place), trainers.trainer == place),
            remarks=("Description only.",),
        )
        for place, estimate in estimates
    )


def _rows(used: NDArray[np.bool_], supplied: NDArray[np.bool_]) -> RowCount:
    number, whole = int(used.sum()), int(supplied.sum())
    left_out = (("no score at the primary visit, or another arm", whole - number),) if whole > number else ()
    return RowCount(whole, number, left_out, "clients")
