"""Scores that were not obtained, completed under several beliefs on the model of the primary analysis.

A client's scores after the last one seen are taken to go on as in the own arm (missing at random, which is
the primary result itself), as in the reference arm from then on (jump to reference), as in the reference arm
all along (copy reference), or to change as in the reference arm (copy increments in reference). A score that
is missing between others is always taken as missing at random.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DesignError, FitError
from studykit.kinds.continuous.analysis import ModelAnalysis, Setting
from studykit.kinds.continuous.model import model_columns
from studykit.kinds.continuous.results import Completed
from studykit.mixed.completion import Completion, Grid, complete, jackknife_errors
from studykit.outcomes.results import OutcomeEstimate
from studykit.results import Estimate

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
MOST_CLIENTS = 400  # above it, fitting again without each of them takes too long

BELIEFS = (
    ("jump to reference", "as if the client had been in {reference} from the last test on"),
    ("copy reference", "as if the client had been in {reference} all along"),
    ("copy increments in reference", "changing from the last test on as in {reference}"),
)


@dataclass(frozen=True, eq=False)
class ScoreGrid:
    """The rows a complete study would have, and the means of each belief.

    Parameters
    ----------
    grid : Grid
    client, visit : ndarray of int, shape (n,)
        Of every row.
    units : ndarray of int, shape (n,)
        What the jackknife leaves out.
    means : tuple of ndarray, shape (n, p)
        Own arm, then in the order of ``BELIEFS``.
    weights : ndarray, shape (p,)
        Of the primary contrast.
    """

    grid: Grid
    client: Integers
    visit: Integers
    units: Integers
    means: tuple[Floats, ...]
    weights: Floats


def score_grid(setting: Setting, analysis: ModelAnalysis) -> ScoreGrid:
    """Clients by visits and exercises, without cells of which an arm has no score."""
    scores, role = setting.arrays, setting.trainers.role
    blocks, _, cells = model_columns(scores, role)
    X = np.concatenate(blocks, axis=2)[0]
    client, visit, exercise = (place.ravel() for place in np.indices(scores.score.shape[1:]))
    counts = analysis.layout.counts[0]
    told = np.where(scores.follow_up[:, None], counts.min(axis=0), counts.sum(axis=0)) > 0
    rows = told[visit, exercise]
    client, visit, exercise, X = client[rows], visit[rows], exercise[rows], X[rows]
    observed = scores.observed[0].ravel()[rows]
    effects, residual = analysis.batch.random(0, rows)
    block = setting.trainers.trainer[client] if role in {"random", "clusters"} else client
    weights, _ = analysis.layout.effect(setting.compared_arm, setting.primary_visit, setting.exercises)
    kept = analysis.alone.kept
    first = scores.score.shape[2] * scores.score.shape[3]  # the distances of arms stand behind the means
    means = tuple(mean[:, kept] for mean in _means(X, slice(first, cells), client, visit, exercise, observed))
    grid = Grid(scores.score[0].ravel()[rows], observed, X[:, kept], effects, residual, block)
    units = block if role == "clusters" else client
    return ScoreGrid(grid, client, visit, units, means, weights[kept])


def _means(
    X: Floats, distances: slice, client: Integers, visit: Integers, exercise: Integers,
    observed: NDArray[np.bool_],
) -> tuple[Floats, ...]:  # fmt: skip
    """Columns whose means the missing scores are completed around, for each belief."""
    last = np.full(int(client.max()) + 1, -1)
    np.maximum.at(last, client[observed], visit[observed])
    after = visit > last[client]
    reference = X.copy()
    reference[:, distances] = 0.0
    jump = np.where(after[:, None], reference, X)
    increments = jump.copy()
    row = {place: number for number, place in enumerate(zip(client, visit, exercise, strict=True))}
    for number in np.flatnonzero(after):
        seen = row.get((client[number], last[client[number]], exercise[number]))
        if seen is not None:
            increments[number, distances] += X[seen, distances]
    return X, jump, reference, increments


def completion_of(analysis: ModelAnalysis, own: ScoreGrid) -> Completion:
    """The primary contrast under every belief, by the fit of the primary analysis."""
    fit = analysis.fit
    return complete(own.grid, fit.values, fit.covariance_parameters, means=own.means, weights=own.weights)


def slope(own: ScoreGrid, completion: Completion, setting: Setting, arm: int) -> float:
    """By how much the contrast moves where the missing scores of an arm at the primary visit move by one."""
    late = (own.visit == setting.primary_visit) & (setting.rows.clients.arm[own.client] == arm)
    return float(completion.row_weights[late & ~own.grid.observed].sum())


def reference_based(
    setting: Setting, own: ScoreGrid, completion: Completion, primary: OutcomeEstimate
) -> tuple[tuple[OutcomeEstimate, ...], tuple[Completed, ...]]:
    """Rows with the information-anchored error, and beside each the jackknife.

    Notes
    -----
    Scores taken from the reference arm carry no news, yet a frequentist error counts them as if they did and
    shrinks with the share imputed. The interval of the rows keeps the error of the primary analysis, so that
    what is lost by missing scores stays lost (Cro, Carpenter & Kenward 2019); the jackknife stands beside it.
    """
    estimate = primary.estimate
    assert isinstance(estimate, Estimate)
    labels = setting.rows.clients.arm_labels
    follow_ups = np.unique(own.visit[setting.arrays.follow_up[own.visit]]).size
    beliefs = BELIEFS if follow_ups > 1 else BELIEFS[:1]  # with one visit they are the same
    errors, left_out = _jackknife(setting, own)
    who = "trainers" if setting.trainers.role == "clusters" else "clients"
    names = " and ".join(label for label in labels[1:])
    rows = tuple(
        replace(
            primary,
            name=f"missing scores in {names} {words.format(reference=labels[0])}",
            estimate=replace(estimate, value=float(value)),
            method=f"{belief}, conditional mean imputation on the primary model; the standard error is kept "
            "at that of the primary analysis (information-anchored; Cro, Carpenter & Kenward 2019)",
            role="sensitivity",
            remarks=(),
        )
        for (belief, words), value in zip(beliefs, completion.values[1:], strict=False)
    )
    told = ("missing at random", *(belief for belief, _ in beliefs))
    beside = tuple(
        Completed(
            belief,
            primary.presentation,
            replace(estimate, value=float(value)),
            replace(estimate, value=float(value), standard_error=float(error)) if left_out > 1 else None,
            f"{left_out} {who} left out in turn",
        )
        for belief, value, error in zip(told, completion.values, errors, strict=False)
    )
    return rows, beside


def _jackknife(setting: Setting, own: ScoreGrid) -> tuple[Floats, int]:
    nothing = np.full(len(own.means), np.nan), 0
    if setting.rows.clients.number > MOST_CLIENTS:
        return nothing
    try:
        return jackknife_errors(own.grid, own.units, means=own.means, weights=own.weights)
    except (FitError, DesignError):
        return nothing
