"""The matrices of the default model of a continuous outcome, and the weights of its contrasts.

Fixed effects: a mean for every visit and exercise; for every follow-up visit, exercise and further arm its
distance from the reference arm, so that baseline means are equal by design; stratifiers and covariates
by visit; trainers on follow-up visits. Random effects: a client effect that is unstructured over visits
(with one exercise, unstructured residuals over visits say the same), client by exercise, and trainers
on follow-up visits where they are random: one effect for all of them, or, where each trainer delivers one
arm, one unstructured over them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import FitError
from studykit.mixed import RandomEffect, ResidualStructure
from studykit.outcomes.client_facts import FactColumns, fact_columns, independent_columns, label_columns
from studykit.outcomes.trainers import TrainerPlan
from studykit.records.rows import StrengthRows

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class CellLayout:
    """Where the means and arm distances of each cell stand among the columns.

    Parameters
    ----------
    counts : ndarray of int, shape (arms, visits, exercises)
        Scores in each cell.
    mean_column : ndarray of int, shape (visits, exercises)
        Column of the mean of the base arm; -1 where the cell is empty.
    distance_column : ndarray of int, shape (arms, visits, exercises)
        Column of the distance from the base arm; -1 where there is none.
    follow_up : ndarray of bool, shape (visits,)
    columns : int
        All columns of the design, for the length of a weight vector.
    """

    counts: Integers
    mean_column: Integers
    distance_column: Integers
    follow_up: NDArray[np.bool_]
    columns: int

    def effect(self, arm: int, visit: int, exercises: tuple[int, ...]) -> Floats | None:
        """Weights of an arm's distance from the reference arm, exercises alike; None at an empty cell."""
        weights = np.zeros(self.columns)
        for exercise in exercises:
            if not self.follow_up[visit] or self.empty_cells(arm, visit, exercise):
                return None
            weights[self.distance_column[arm, visit, exercise]] += 1.0 / len(exercises)
        return weights

    def mean(self, arm: int, visit: int, exercises: tuple[int, ...]) -> Floats | None:
        """Weights of the adjusted mean of an arm at a visit; None where a cell is empty."""
        weights = np.zeros(self.columns)
        for exercise in exercises:
            seen = self.counts[:, visit, exercise]
            if not (seen[arm] if self.follow_up[visit] else seen.sum()):
                return None
            weights[self.mean_column[visit, exercise]] += 1.0 / len(exercises)
            if self.distance_column[arm, visit, exercise] >= 0:
                weights[self.distance_column[arm, visit, exercise]] += 1.0 / len(exercises)
        return weights

    def empty_cells(self, arm: int, visit: int, exercise: int) -> tuple[int, ...]:
        """Those of the reference arm and ``arm`` without a score in this cell."""
        return tuple(code for code in (0, arm) if self.counts[code, visit, exercise] == 0)


@dataclass(frozen=True, slots=True, eq=False)
class StrengthDesign:
    """A mixed model ready to be fitted.

    Parameters
    ----------
    scores : ndarray, shape (m,)
        On the analysis scale.
    fixed_effects : ndarray, shape (m, p)
    names : tuple of str, length p
    random_effects : tuple of RandomEffect
    residual : ResidualStructure or None
    layout : CellLayout
    visits : tuple of int
        Visits with at least one score.
    left_out : tuple of str
        Columns that repeat others and were left out.
    """

    scores: Floats
    fixed_effects: Floats
    names: tuple[str, ...]
    random_effects: tuple[RandomEffect, ...]
    residual: ResidualStructure | None
    layout: CellLayout
    visits: tuple[int, ...]
    left_out: tuple[str, ...]

    @property
    def needs_no_random_effects(self) -> bool:
        """One score per client and no trainer effect: ordinary regression."""
        return not self.random_effects and self.residual is None


def build_strength_design(
    rows: StrengthRows,
    scores: Floats,
    *,
    trainers: TrainerPlan,
    adjust: bool = True,
) -> StrengthDesign:
    """Matrices of the default model.

    Parameters
    ----------
    rows : StrengthRows
    scores : ndarray, shape (m,)
        Of the rows, on the analysis scale.
    trainers : TrainerPlan
    adjust : bool
        False leaves out stratifiers, covariates and trainers.

    Raises
    ------
    FitError
        Without a single score.
    """
    if scores.size == 0:
        raise FitError(
            where=f"outcome {rows.outcome}",
            expected="at least one score of an allocated client",
            got="none",
            todo="Enter the tests, or analyse later.",
        )
    means, distances, layout, names = _cell_columns(rows)
    blocks, block_names = [means, distances], list(names)
    if adjust:
        facts = fact_columns(rows.clients)
        visit_block, visit_names = _by_visit(facts, rows)
        blocks.append(visit_block)
        block_names += visit_names
        if trainers.role == "fixed":
            columns = label_columns(trainers.trainer, trainers.labels)
            blocks.append(columns.values[rows.client] * _is_follow_up(rows)[:, None])
            block_names += [f"trainer {name} after baseline" for name in columns.names]
    matrix = np.column_stack(blocks)
    kept = independent_columns(matrix)
    layout = _renumbered(layout, kept)
    is_random = adjust and trainers.role in {"random", "clusters"}
    random_effects, residual = random_part(
        rows.client,
        rows.visit,
        rows.exercise,
        visit_labels=rows.visit_labels,
        exercises=len(rows.exercise_labels),
        trainer=trainers.trainer[rows.client] if is_random else None,
        follow_up=_is_follow_up(rows),
        clusters=trainers.role == "clusters",
    )
    return StrengthDesign(
        scores=scores,
        fixed_effects=matrix[:, kept],
        names=tuple(name for name, keep in zip(block_names, kept, strict=True) if keep),
        random_effects=random_effects,
        residual=residual,
        layout=layout,
        visits=tuple(int(visit) for visit in np.unique(rows.visit)),
        left_out=tuple(name for name, keep in zip(block_names, kept, strict=True) if not keep),
    )


def empty_cell_message(rows: StrengthRows, layout: CellLayout, *, arm: int, visit: int) -> str:
    """Which cells are empty, so that an effect cannot be estimated."""
    empty = [
        f"{rows.clients.arm_labels[code]}" + (f" on {label}" if label else "")
        for place, label in enumerate(rows.exercise_labels)
        for code in layout.empty_cells(arm, visit, place)
    ]
    return f"no score at visit {rows.visit_labels[visit]} in " + ", ".join(dict.fromkeys(empty))


def _is_follow_up(rows: StrengthRows) -> Floats:
    return (~np.isin(rows.visit, rows.baseline_visits)).astype(float)


def _cell_columns(rows: StrengthRows) -> tuple[Floats, Floats, CellLayout, list[str]]:
    """Indicator columns of means and of distances between arms, cell by cell."""
    arm = rows.clients.arm[rows.client]
    shape = (len(rows.clients.arm_labels), len(rows.visit_labels), len(rows.exercise_labels))
    counts = np.zeros(shape, dtype=np.int64)
    np.add.at(counts, (arm, rows.visit, rows.exercise), 1)
    follow_up = np.array([visit not in rows.baseline_visits for visit in range(shape[1])])
    filled = counts.sum(axis=0) > 0
    mean_column = np.full(shape[1:], -1)
    mean_column[filled] = np.arange(filled.sum())
    base = np.argmax(counts > 0, axis=0)  # the first arm with a score: the reference arm unless it has none
    has_distance = (counts > 0) & follow_up[None, :, None]
    has_distance &= np.arange(shape[0])[:, None, None] != base[None]
    distance_column = np.full(shape, -1)
    distance_column[has_distance] = np.arange(has_distance.sum()) + filled.sum()
    names = [_cell_name(rows, visit, exercise) for visit, exercise in np.argwhere(filled)]
    names += [
        f"{rows.clients.arm_labels[code]}: {_cell_name(rows, visit, exercise)}"
        for code, visit, exercise in np.argwhere(has_distance)
    ]
    means = _indicator(mean_column[rows.visit, rows.exercise], int(filled.sum()))
    own = distance_column[arm, rows.visit, rows.exercise]
    distances = _indicator(np.where(own >= 0, own - filled.sum(), -1), int(has_distance.sum()))
    columns = int(filled.sum() + has_distance.sum())
    return means, distances, CellLayout(counts, mean_column, distance_column, follow_up, columns), names


def _cell_name(rows: StrengthRows, visit: int, exercise: int) -> str:
    label = rows.exercise_labels[exercise]
    return f"{label} at {rows.visit_labels[visit]}" if label else rows.visit_labels[visit]


def _indicator(codes: Integers, number: int) -> Floats:
    return np.asarray(codes[:, None] == np.arange(number), dtype=float)


def _by_visit(facts: FactColumns, rows: StrengthRows) -> tuple[Floats, list[str]]:
    """Each fact once per visit with scores."""
    visits = np.unique(rows.visit)
    own = facts.values[rows.client]
    blocks = [own * (rows.visit == visit)[:, None] for visit in visits]
    names = [f"{fact} at {rows.visit_labels[visit]}" for visit in visits for fact in facts.names]
    return (np.column_stack(blocks) if facts.names else np.empty((rows.client.size, 0))), names


def _renumbered(layout: CellLayout, kept: NDArray[np.bool_]) -> CellLayout:
    """Column numbers after columns that repeat others were left out (cells are never among them)."""
    assert kept[: layout.columns].all()
    return CellLayout(
        layout.counts, layout.mean_column, layout.distance_column, layout.follow_up, int(kept.sum())
    )


def random_part(
    client: Integers,
    visit: Integers,
    exercise: Integers,
    *,
    visit_labels: tuple[str, ...],
    exercises: int,
    trainer: Integers | None,
    follow_up: Floats,
    clusters: bool = False,
) -> tuple[tuple[RandomEffect, ...], ResidualStructure | None]:
    """Random effects and residual structure of the default model.

    Parameters
    ----------
    client, visit, exercise : ndarray of int, shape (m,)
        Of each row.
    visit_labels : tuple of str
    exercises : int
        How many the outcome has.
    trainer : ndarray of int, shape (m,), or None
        Where trainers are a random effect.
    follow_up : ndarray of float, shape (m,)
        1 for rows after allocation, else 0.
    clusters : bool
        Whether trainers deliver one arm each: their effect is then unstructured over follow-up visits. What
        trainers add to gains grows as gains do, and arms are compared across trainers: one effect for all
        follow-up visits rejected 7 to 9 % of true nulls under a large spread between trainers. Where
        trainers deliver both arms their effect cancels out of the comparison, and one is enough.
    """
    effects: list[RandomEffect] = []
    residual = None
    visits = np.unique(visit)
    if exercises > 1:
        over_visits = (visit[:, None] == visits).astype(float)
        labels = tuple(visit_labels[place] for place in visits)
        effects.append(RandomEffect("client", client, over_visits, columns=labels))
        exercise_of_client = client * exercises + exercise
        if np.bincount(exercise_of_client).max() > 1:  # with one visit it would repeat the residual
            effects.append(RandomEffect("client by exercise", exercise_of_client))
    elif visits.size > 1:
        residual = ResidualStructure("unstructured", client, visit)
    if trainer is not None:
        after = np.unique(visit[follow_up > 0.0])
        if clusters and after.size > 1:
            by_visit = (visit[:, None] == after).astype(float)
            labels = tuple(visit_labels[place] for place in after)
            effects.append(RandomEffect("trainer", trainer, by_visit, columns=labels))
        else:
            effects.append(RandomEffect("trainer", trainer, follow_up[:, None], columns=("follow-up",)))
    return tuple(effects), residual
