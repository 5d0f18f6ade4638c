"""Scores on the scale of the analysis, laid out by client, visit and exercise, and their composite."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.outcomes.clients import ClientArrays
from studykit.records.rows import Scores
from studykit.results import frozen_array

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class ScoreArrays:
    """One continuous outcome of m studies; a single study is a batch of one.

    Parameters
    ----------
    outcome : str
        Its code.
    clients : ClientArrays
    score : ndarray of float, shape (m, clients, visits, exercises)
        On the analysis scale, ``nan`` where missing.
    visit_labels, exercise_labels : tuple of str
        One empty label where the outcome has no exercises.
    primary_visit : int
    baseline_visits : tuple of int
    """

    outcome: str
    clients: ClientArrays
    score: Floats
    visit_labels: tuple[str, ...]
    exercise_labels: tuple[str, ...]
    primary_visit: int
    baseline_visits: tuple[int, ...]

    @property
    def observed(self) -> Flags:
        """Scores that were obtained, in the shape of ``score``."""
        return np.isfinite(self.score)

    @property
    def follow_up(self) -> Flags:
        """Visits after allocation, shape (visits,)."""
        return ~np.isin(np.arange(len(self.visit_labels)), self.baseline_visits)

    @property
    def exercises(self) -> tuple[int, ...]:
        """All exercises of the outcome."""
        return tuple(range(len(self.exercise_labels)))

    @property
    def with_primary_score(self) -> Flags:
        """Clients with any score at the primary visit, shape (m, clients)."""
        return np.asarray(self.observed[:, :, self.primary_visit].any(axis=-1), dtype=bool)

    def score_at(self, visit: int, exercises: tuple[int, ...]) -> Floats:
        """Composite over the exercises at one visit, shape (m, clients)."""
        return composite_scores(self.score[:, :, [visit]][..., list(exercises)])[..., 0]

    def baseline_score(self, exercises: tuple[int, ...]) -> Floats | None:
        """Composite over exercises and visits before allocation; None where there is no such visit."""
        if not self.baseline_visits:
            return None
        own = self.score[:, :, list(self.baseline_visits)][..., list(exercises)]
        return composite_scores(own.reshape(*own.shape[:2], 1, -1))[..., 0]

    def take(self, which: Any) -> ScoreArrays:
        """Some of the studies, by index or flag."""
        return replace(self, clients=self.clients.take(which), score=self.score[which])

    def by_trainer(self) -> ScoreArrays:
        """The same with clients in the order of their trainers."""
        order = np.argsort(self.clients.trainer, axis=1, kind="stable")
        score = np.take_along_axis(self.score, order[..., None, None], axis=1)
        return replace(self, clients=self.clients.reordered(order), score=score)

    def cell_name(self, visit: int, exercise: int) -> str:
        """What a mean of the model is called."""
        label = self.exercise_labels[exercise]
        return f"{label} at {self.visit_labels[visit]}" if label else self.visit_labels[visit]


def analysis_scores(rows: Scores, scale: str) -> Floats:
    """Scores on the analysis scale, in the order of ``rows``; shape (m,).

    Parameters
    ----------
    rows : Scores
    scale : {"log", "as_measured"}

    Raises
    ------
    ArgumentError
        If a score that is to be logged is zero or negative, or a score is not finite.
    """
    wrong = ~np.isfinite(rows.score) | ((rows.score <= 0.0) if scale == "log" else False)
    if wrong.any():
        place = int(np.flatnonzero(wrong)[0])
        raise ArgumentError(
            where=f"outcome {rows.outcome}, client {rows.clients.labels[rows.client[place]]}, "
            f"visit {rows.visit_labels[rows.visit[place]]}",
            expected="a score above 0" if scale == "log" else "a finite score",
            got=f"{rows.score[place]:g}",
            todo="Apply the protocol's rule for zero or assisted loads.",
        )
    return np.log(rows.score) if scale == "log" else np.array(rows.score, dtype=float)


def score_cube(rows: Scores, scores: Floats) -> Floats:
    """Scores by client, visit and exercise; shape (clients, visits, exercises), ``nan`` where missing."""
    shape = (rows.clients.number, len(rows.visit_labels), len(rows.exercise_labels))
    cube = np.full(shape, np.nan)
    cube[rows.client, rows.visit, rows.exercise] = scores
    return cube


def composite_scores(cube: Floats) -> Floats:
    """Mean score over the exercises, per client and visit; shape (..., clients, visits).

    Parameters
    ----------
    cube : ndarray, shape (..., clients, visits, exercises)
        ``nan`` where missing; any number of studies in front.

    Returns
    -------
    ndarray, shape (..., clients, visits)
        ``nan`` where a client has no score of the visit at all.

    Notes
    -----
    Exercises differ in level, so a plain mean of the exercises that happen to be there would move with
    what is missing. Each score is therefore taken as its distance from the mean of that exercise at
    that visit over all clients, arms together; the distances that are there are averaged, and the mean
    of the exercise means is added. With nothing missing this is the plain mean over exercises.

    Examples
    --------
    >>> cube = np.array([[[1.0, 5.0]], [[3.0, 7.0]], [[2.0, np.nan]]])
    >>> composite_scores(cube).ravel().tolist()
    [3.0, 5.0, 4.0]
    """
    seen = np.isfinite(cube)
    numbers = seen.sum(axis=-3, keepdims=True)
    filled = np.where(seen, cube, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        exercise_means = filled.sum(axis=-3, keepdims=True) / numbers
        present = numbers > 0
        level = np.where(present, exercise_means, 0.0).sum(axis=-1) / present.sum(axis=-1)
        distances = np.where(seen, cube - exercise_means, 0.0).sum(axis=-1) / seen.sum(axis=-1)
    return np.asarray(distances + level, dtype=float)


def observed_days(rows: Scores, planned: tuple[float, ...]) -> Floats:
    """Day of the test, the planned day where it is not known; shape (clients, visits)."""
    shape = (rows.clients.number, len(rows.visit_labels))
    days = np.tile(np.asarray(planned, dtype=float), (shape[0], 1))
    known = np.isfinite(rows.day)
    days[rows.client[known], rows.visit[known]] = rows.day[known]
    return frozen_array(days)


def pooled_standard_deviation(values: Floats, arm: NDArray[np.int64]) -> tuple[float, int]:
    """Standard deviation within arms, pooled, and its degrees of freedom; missing values are passed over.

    Examples
    --------
    >>> pooled_standard_deviation(np.array([1.0, 3.0, 10.0, 12.0]), np.array([0, 0, 1, 1]))
    (1.4142135623730951, 2)
    """
    squares, freedom = 0.0, 0
    for code in np.unique(arm):
        own = values[(arm == code) & np.isfinite(values)]
        if own.size:
            squares += float(((own - own.mean()) ** 2).sum())
            freedom += own.size - 1
    return (float(np.sqrt(squares / freedom)), freedom) if freedom > 0 else (float("nan"), 0)
