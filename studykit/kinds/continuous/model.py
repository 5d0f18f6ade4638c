"""The mixed model of a continuous outcome in m studies at once, and the default one of its designs.

Fixed effects of the default: a mean for every visit and exercise; for every follow-up visit, exercise and
further arm its distance from the reference arm, so that baseline means are equal by design; stratifiers and
covariates by visit; trainers on follow-up visits. Random effects: a client effect that is unstructured over
visits (with one exercise, unstructured residuals over visits say the same), client by exercise, and trainers
on follow-up visits where they are random: one effect for all of them, or, where each trainer delivers one
arm, one unstructured over them. The rows are the grid of clients, visits and exercises.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import FitError
from studykit.kinds.continuous.scores import ScoreArrays
from studykit.mixed import MixedModel, RandomEffect, ResidualStructure
from studykit.outcomes.batch_model import BatchModel, RandomPart, StudiesAlike
from studykit.outcomes.trainers import TrainerRole

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class CellLayout:
    """Which cells have scores, and the weights of effects and means over the columns of the default model.

    Parameters
    ----------
    counts : ndarray of int, shape (m, arms, visits, exercises)
        Scores in each cell.
    follow_up : ndarray of bool, shape (visits,)
    columns : int
        All columns of the model, for the length of a weight vector.
    """

    counts: Integers
    follow_up: Flags
    columns: int

    def effect(self, arm: int, visit: int, exercises: tuple[int, ...]) -> tuple[Floats, Flags]:
        """Weights of an arm's distance from the reference arm, exercises alike; where they can be used, (m,).

        There is no effect before allocation, nor where a cell of either arm is empty.
        """
        weights = np.zeros(self.columns)
        if not self.follow_up[visit]:
            return weights, np.zeros(len(self.counts), dtype=bool)
        weights[self._distances(arm, visit, exercises)] = 1.0 / len(exercises)
        own = self.counts[:, [0, arm], visit][:, :, list(exercises)]
        return weights, np.asarray((own > 0).all(axis=(1, 2)))

    def mean(self, arm: int, visit: int, exercises: tuple[int, ...]) -> tuple[Floats, Flags]:
        """Weights of the adjusted mean of an arm at a visit; where they can be used, (m,).

        Where the reference arm has no score, the mean's column is of the others, and one distance goes.
        """
        weights = np.zeros(self.columns)
        exercise = np.array(exercises)
        weights[visit * self.counts.shape[3] + exercise] = 1.0 / len(exercises)
        own = self.counts[:, :, visit][:, :, exercise]
        if not self.follow_up[visit]:
            return weights, np.asarray((own.sum(axis=1) > 0).all(axis=1))
        if arm:
            weights[self._distances(arm, visit, exercises)] = 1.0 / len(exercises)
        return weights, np.asarray((own[:, arm] > 0).all(axis=1))

    def _distances(self, arm: int, visit: int, exercises: tuple[int, ...]) -> list[int]:
        """Columns of an arm's distances: behind the means, by arm, follow-up visit and exercise."""
        number = self.counts.shape[3]
        later = int(self.follow_up.sum())
        place = (arm - 1) * later + int(self.follow_up[:visit].sum())
        return [(len(self.follow_up) + place) * number + exercise for exercise in exercises]


def default_model(
    scores: ScoreArrays, role: TrainerRole, *, adjust: bool = True
) -> tuple[BatchModel, CellLayout]:
    """The default model of studies in which trainers enter alike.

    Parameters
    ----------
    scores : ScoreArrays
    role : str
        How trainers enter.
    adjust : bool
        False leaves out stratifiers, covariates and trainers.

    Raises
    ------
    FitError
        Without a single score.
    """
    if not scores.observed.any():
        raise FitError(
            where=f"outcome {scores.outcome}",
            expected="at least one score of an allocated client",
            got="none",
            todo="Enter the tests, or analyse later.",
        )
    is_random = adjust and role in {"random", "clusters"}
    if is_random and scores.clients.studies > 1:  # the same rows for the same trainer in every study
        scores = scores.by_trainer()
    clients = scores.clients
    client, visit, exercise = (place.ravel() for place in np.indices(scores.score.shape[1:]))
    blocks, names, cells = model_columns(scores, role, adjust=adjust)

    def random(study: int, rows: Flags) -> RandomPart:
        return _random_part(
            client[rows],
            visit[rows],
            exercise[rows],
            scores=scores,
            trainer=clients.trainer[study, client[rows]] if is_random else None,
            clusters=role == "clusters",
        )

    model = BatchModel.of(
        scores.score.reshape(clients.studies, -1),
        blocks,
        names,
        adjusting=cells,
        random=random,
        trainer=clients.trainer if is_random else None,
    )
    counts = np.einsum("mca,mcve->mave", clients.in_arm().astype(float), scores.observed.astype(float))
    return model, CellLayout(counts.astype(np.int64), scores.follow_up, len(names))


def model_columns(
    scores: ScoreArrays, role: TrainerRole, *, adjust: bool = True
) -> tuple[list[Floats], list[str], int]:
    """Columns of the fixed effects over the whole grid, in blocks (m, n, k); how many are of cells."""
    client, visit, exercise = (place.ravel() for place in np.indices(scores.score.shape[1:]))
    blocks, names = _cell_columns(scores, client, visit, exercise)
    cells = len(names)
    if adjust:
        more, further = _adjusting_columns(scores, role, client, visit)
        blocks, names = [*blocks, *more], [*names, *further]
    return blocks, names, cells


def single_model(alone: StudiesAlike) -> MixedModel:
    """The model of the only study, for its fit, profiles and influence.

    Raises
    ------
    FitError
        With one score per client and no trainer effect: that is ordinary regression.
    """
    if not alone.random_effects and alone.residual is None:
        raise FitError(
            where="mixed model",
            expected="more than one score per client, or trainers as a random effect",
            got="one score per client",
            todo="Use the regression.",
        )
    return MixedModel(
        alone.outcome[0],
        alone.fixed_effects[0],
        alone.random_effects,
        names=alone.names,
        residual=alone.residual,
    )


def empty_cell(scores: ScoreArrays, layout: CellLayout, *, arm: int, visit: int, study: int = 0) -> FitError:
    """A cell of a contrast has no score: which."""
    empty = [
        f"{scores.clients.arm_labels[code]}" + (f" on {label}" if label else "")
        for place, label in enumerate(scores.exercise_labels)
        for code in (0, arm)
        if layout.counts[study, code, visit, place] == 0
    ]
    return FitError(
        where=f"outcome {scores.outcome}",
        expected="scores of both arms",
        got=f"no score at visit {scores.visit_labels[visit]} in {', '.join(dict.fromkeys(empty))}",
        todo="Enter the tests, or analyse later.",
    )


def _cell_columns(
    scores: ScoreArrays, client: Integers, visit: Integers, exercise: Integers
) -> tuple[list[Floats], list[str]]:
    """Indicator columns of means and of distances between arms, cell by cell."""
    studies, _, visits, exercises = scores.score.shape
    cell = visit * exercises + exercise
    means = (cell[:, None] == np.arange(visits * exercises)).astype(float)
    after = np.flatnonzero(np.repeat(scores.follow_up, exercises))
    further = scores.clients.in_arm()[:, client, 1:].astype(float)
    distances = (further[..., None] * means[:, None, after]).reshape(studies, client.size, -1)
    names = [scores.cell_name(*divmod(place, exercises)) for place in range(visits * exercises)]
    names += [f"{arm}: {names[place]}" for arm in scores.clients.arm_labels[1:] for place in after]
    return [np.broadcast_to(means, (studies, *means.shape)), distances], names


def _adjusting_columns(
    scores: ScoreArrays, role: TrainerRole, client: Integers, visit: Integers
) -> tuple[list[Floats], list[str]]:
    """Facts by visit with scores, and trainers on follow-up visits where they are fixed."""
    facts = scores.clients.facts()
    blocks: list[Floats] = []
    names: list[str] = []
    for place in np.flatnonzero(scores.observed.any(axis=(0, 1, 3))):
        blocks.append(facts.values[:, client] * (visit == place)[:, None])
        names += [f"{fact} at {scores.visit_labels[place]}" for fact in facts.names]
    if role == "fixed":
        own = scores.clients.trainer_columns()
        blocks.append(own.values[:, client] * scores.follow_up[visit].astype(float)[:, None])
        names += [f"trainer {name} after baseline" for name in own.names]
    return blocks, names


def _random_part(
    client: Integers,
    visit: Integers,
    exercise: Integers,
    *,
    scores: ScoreArrays,
    trainer: Integers | None,
    clusters: bool,
) -> RandomPart:
    """Random effects and residual structure of the default model for the rows of one study.

    Notes
    -----
    Trainers who deliver one arm each (``clusters``) have an effect unstructured over follow-up visits.
    What trainers add to gains grows as gains do, and arms are compared across trainers: one effect for all
    follow-up visits rejected 7 to 9 % of true nulls under a large spread between trainers. Where trainers
    deliver both arms their effect cancels out of the comparison, and one is enough.
    """
    effects: list[RandomEffect] = []
    residual = None
    exercises, visits = len(scores.exercise_labels), np.unique(visit)
    if exercises > 1:
        effects.append(_by_visit("client", client, visit, visits, scores))
        exercise_of_client = client * exercises + exercise
        if np.bincount(exercise_of_client).max() > 1:  # with one visit it would repeat the residual
            effects.append(RandomEffect("client by exercise", exercise_of_client))
    elif visits.size > 1:
        residual = ResidualStructure("unstructured", client, visit)
    if trainer is not None:
        later = scores.follow_up[visit]
        after = np.unique(visit[later])
        if clusters and after.size > 1:
            effects.append(_by_visit("trainer", trainer, visit, after, scores))
        else:
            column = later.astype(float)[:, None]
            effects.append(RandomEffect("trainer", trainer, column, columns=("follow-up",)))
    return tuple(effects), residual


def _by_visit(
    name: str, groups: Integers, visit: Integers, visits: Integers, scores: ScoreArrays
) -> RandomEffect:
    labels = tuple(scores.visit_labels[place] for place in visits)
    return RandomEffect(name, groups, (visit[:, None] == visits).astype(float), columns=labels)
