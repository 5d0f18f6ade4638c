r"""The mixed model where one client gets both arms: crossover, two sides of a client, stepped roll-out.

Scores :math:`y` of client :math:`i` on exercise :math:`e` at occasion :math:`t` (the period; for sides, the
one visit after training):

.. math:: y_{iet} = \mu_{et} + \tau_e a_{iet} + x_i'\beta + u_i + v_{ie} + q_{it} (+ w_j + z_{jt})
    + \varepsilon_{iet}

:math:`a` is 1 in the compared arm; the contrast is the mean of :math:`\tau_e` over the exercises. Periods are
fixed, so that what happens to everybody with time is no effect of the arms. With several exercises a
client's period (or side) is random too: it, and not the exercise, is what gets an arm. Of sides, whether
it is the dominant one, and the score of the same side before, are in :math:`x`. Where trainers are drawn, a
trainer :math:`j` and the trainer's period are random; where everybody begins in the first arm, tests before
the first period count as a period of their own in that arm (Hussey & Hughes 2007; Hooper and others 2016).
With two periods, one exercise and complete scores this is the two-sample t of the differences (Senn 2002,
chapter 3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ConvergenceError, FitError
from studykit.kinds.continuous.analysis import Setting, boundary_remarks, left_out_remarks
from studykit.kinds.continuous.scores import analysis_scores
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.mixed import MixedFit, RandomEffect, fit_linear_mixed
from studykit.mixed.result import METHODS
from studykit.outcomes.client_facts import fact_columns, independent_columns
from studykit.outcomes.client_periods import arms_of_scores, is_dominant, periods_of_scores
from studykit.outcomes.estimands import contrast_text, within_estimand
from studykit.outcomes.results import OutcomeEstimate
from studykit.outcomes.trainers import TrainerPlan
from studykit.protocol.types import Protocol
from studykit.records.rows import StrengthRows
from studykit.results import Estimate, RowCount

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
LEAST_CLIENTS = 4  # with scores in both arms; judgement: below, the spread of differences is not known


@dataclass(frozen=True, slots=True, eq=False)
class WithinRows:
    """The scores that the model uses.

    Parameters
    ----------
    score : ndarray, shape (m,)
        On the analysis scale.
    client, exercise, occasion, arm : ndarray of int, shape (m,)
        ``exercise`` is the pair where sides are compared; ``arm`` 1 is the compared arm.
    before, dominant : ndarray, shape (m,)
        Score of the same side before, and whether it is the dominant side, both centred; zero elsewhere.
    exercises : tuple of str
    occasions : tuple of str
    """

    score: Floats
    client: Integers
    exercise: Integers
    occasion: Integers
    arm: Integers
    before: Floats
    dominant: Floats
    exercises: tuple[str, ...]
    occasions: tuple[str, ...]

    @property
    def in_both(self) -> NDArray[np.int64]:
        """Clients with scores in both arms."""
        return np.intersect1d(self.client[self.arm == 0], self.client[self.arm == 1])


def within_rows(setting: Setting) -> WithinRows:
    """Scores with their arm and occasion; tests that belong to neither arm are left out."""
    rows, protocol = setting.rows, setting.protocol
    arm = arms_of_scores(protocol, rows)
    if protocol.plan.within == "sides":
        return _sides(setting, arm)
    period = periods_of_scores(protocol, rows)
    occasions = tuple(period.visit for period in protocol.periods)
    if protocol.plan.begins_in_reference:
        before = np.isin(rows.visit, rows.baseline_visits)
        period, arm = np.where(before, len(occasions), period), np.where(before, 0, arm)
        occasions = (*occasions, "before")
    kept = arm >= 0
    nothing = np.zeros(int(kept.sum()))
    return WithinRows(
        setting.scores[kept], rows.client[kept], rows.exercise[kept], period[kept], arm[kept], nothing,
        nothing, rows.exercise_labels, occasions,
    )  # fmt: skip


def _sides(setting: Setting, arm: Integers) -> WithinRows:
    """Both sides at the primary visit, beside the same side before."""
    rows, protocol = setting.rows, setting.protocol
    exercises = [protocol.exercise(label) for label in rows.exercise_labels]
    pairs = tuple(dict.fromkeys(exercise.pair for exercise in exercises))
    pair = np.array([pairs.index(exercise.pair) for exercise in exercises], dtype=np.int64)
    kept = (rows.visit == setting.primary_visit) & (arm >= 0)
    before = np.array([_before(setting, place) for place in range(len(exercises))]).T  # (clients, exercises)
    own = before[rows.client[kept], rows.exercise[kept]]
    known = np.isfinite(own)
    middle = own[known].mean() if known.any() else 0.0
    return WithinRows(
        setting.scores[kept],
        rows.client[kept],
        pair[rows.exercise[kept]],
        np.zeros(int(kept.sum()), dtype=np.int64),
        arm[kept],
        np.where(known, own - middle, 0.0),
        _is_dominant(setting)[kept] - 0.5,
        pairs,
        (rows.visit_labels[setting.primary_visit],),
    )


def _before(setting: Setting, exercise: int) -> Floats:
    score = setting.baseline_score((exercise,))
    return np.full(setting.rows.clients.number, np.nan) if score is None else score


def _is_dominant(setting: Setting) -> Floats:
    """1 where a score is of the client's dominant side, shape (m,)."""
    rows = setting.rows
    exercises = [rows.exercise_labels[place] for place in rows.exercise]
    found = is_dominant(setting.protocol, rows.clients, rows.client, exercises)
    return np.asarray(found == 1, dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class WithinFit:
    """The fitted model and the weights of what is asked of it."""

    rows: WithinRows
    fit: MixedFit
    effect_weights: Floats
    mean_weights: Floats  # of the reference arm at the last occasion
    left_out: tuple[str, ...]
    degrees_of_freedom: str

    def effect(self) -> Estimate:
        """Compared arm minus reference arm, exercises alike."""
        return self.fit.contrast(self.effect_weights, degrees_of_freedom=self.degrees_of_freedom)  # type: ignore[arg-type]

    def effect_on(self, exercise: int) -> Estimate:
        """The same on one exercise."""
        own = np.zeros_like(self.effect_weights)
        place = np.flatnonzero(self.effect_weights)[exercise]
        own[place] = 1.0
        return self.fit.contrast(own, degrees_of_freedom=self.degrees_of_freedom)  # type: ignore[arg-type]

    def mean(self, arm: int) -> Estimate:
        """Adjusted mean of an arm at the last occasion."""
        weights = self.mean_weights + (self.effect_weights if arm else 0.0)
        return self.fit.contrast(weights, degrees_of_freedom=self.degrees_of_freedom)  # type: ignore[arg-type]


def fit_within(setting: Setting, *, rows: WithinRows | None = None) -> WithinFit:
    """Fit the model.

    Raises
    ------
    FitError
        If too few clients have scores in both arms, or the arms cannot be told from time
        (`ConvergenceError` if the search did not converge).
    """
    data = within_rows(setting) if rows is None else rows
    if data.in_both.size < LEAST_CLIENTS and setting.protocol.plan.unit == "client":
        raise FitError(
            where=f"outcome {setting.outcome.code}", expected=f"{LEAST_CLIENTS} clients tested in both arms",
            got=str(data.in_both.size), todo="Enter the tests, or analyse later.",
        )  # fmt: skip
    matrix, names, number = _matrix(setting, data)
    kept = independent_columns(matrix)
    means = matrix.shape[1] - number  # columns of the arms stand right behind those of the means
    arms = np.arange(means, means + len(data.exercises))
    if not kept[arms].all():
        raise FitError(
            where=f"outcome {setting.outcome.code}", expected="scores of both arms on every exercise",
            got=f"too few on {data.exercises[int(np.flatnonzero(~kept[arms])[0])] or 'the outcome'}",
            todo="Enter the tests, or analyse later.",
        )  # fmt: skip
    fit = fit_linear_mixed(
        data.score,
        matrix[:, kept],
        _random_effects(setting, data),
        names=[name for name, keep in zip(names, kept, strict=True) if keep],
    )
    if not fit.converged:
        raise ConvergenceError(
            where="mixed model", expected="a search that converges", got="one that did not"
        )
    effect, mean = np.zeros(matrix.shape[1]), np.zeros(matrix.shape[1])
    effect[arms] = 1.0 / len(data.exercises)
    last = [names.index(_cell(data, exercise, _last(setting))) for exercise in range(len(data.exercises))]
    mean[last] = 1.0 / len(data.exercises)
    return WithinFit(
        data, fit, effect[kept], mean[kept],
        tuple(name for name, keep in zip(names, kept, strict=True) if not keep),
        setting.protocol.analysis.degrees_of_freedom,
    )  # fmt: skip


def _last(setting: Setting) -> int:
    return max(len(setting.protocol.periods) - 1, 0)


def _cell(data: WithinRows, exercise: int, occasion: int) -> str:
    label = data.exercises[exercise]
    return f"{label} at {data.occasions[occasion]}" if label else data.occasions[occasion]


def _matrix(setting: Setting, data: WithinRows) -> tuple[Floats, list[str], int]:
    """Columns, their names, and how many stand behind the means: arms by exercise, then what adjusts."""
    cells = len(data.exercises) * len(data.occasions)
    cell = data.exercise * len(data.occasions) + data.occasion
    filled = np.flatnonzero(np.bincount(cell, minlength=cells))
    means = (cell[:, None] == filled).astype(float)
    names = [
        _cell(data, int(place) // len(data.occasions), int(place) % len(data.occasions)) for place in filled
    ]
    exercises = np.arange(len(data.exercises))
    arms = (data.arm[:, None] == 1) & (data.exercise[:, None] == exercises)
    compared = setting.protocol.comparison_arm.code
    names += [f"{compared}: {label}" if label else compared for label in data.exercises]
    facts = fact_columns(setting.rows.clients)
    further = [facts.values[data.client]]
    names += list(facts.names)
    if setting.protocol.plan.within == "sides":
        further.append(np.column_stack([data.before, data.dominant]))
        names += ["the same side before", "dominant side"]
    matrix = np.column_stack([means, arms.astype(float), *further])
    return matrix, names, matrix.shape[1] - means.shape[1]


def _random_effects(setting: Setting, data: WithinRows) -> tuple[RandomEffect, ...]:
    effects = [RandomEffect("client", data.client)]
    own = data.client * len(data.exercises) + data.exercise
    if len(data.exercises) > 1 and np.bincount(own).max() > 1:
        effects.append(RandomEffect("client by exercise", own))
    if len(data.exercises) > 1:
        # An arm is given to a whole period, or a whole side: all its exercises share what else is of it.
        sides = setting.protocol.plan.within == "sides"
        given = data.client * (len(data.occasions) + 2) + (data.arm if sides else data.occasion)
        effects.append(RandomEffect("client by side" if sides else "client by period", given))
    if setting.protocol.plan.unit == "trainer":
        trainer = setting.rows.clients.trainer[data.client]
        effects.append(RandomEffect("trainer", trainer))
        effects.append(RandomEffect("trainer by period", trainer * len(data.occasions) + data.occasion))
    return tuple(effects)


def difference_by_group(setting: Setting, data: WithinRows) -> Estimate:
    """Mean difference between the arms within clients, each order (or side) with the same weight, by t.

    Notes
    -----
    For a crossover the period's effect cancels (Senn 2002, chapter 3); for sides, dominance does.

    Raises
    ------
    FitError
        If a group has no client with scores in both arms, or there are fewer than three in all.
    """
    groups: list[list[float]] = [[], []]
    for client in data.in_both:
        mine = data.client == client
        shared = np.intersect1d(data.exercise[mine & (data.arm == 0)], data.exercise[mine & (data.arm == 1)])
        if shared.size == 0:
            continue
        own = mine & np.isin(data.exercise, shared)
        value = float(data.score[own & (data.arm == 1)].mean() - data.score[own & (data.arm == 0)].mean())
        groups[int(setting.rows.clients.arm[client])].append(value)
    first, second = (np.asarray(group) for group in groups)
    freedom = first.size + second.size - 2
    if min(first.size, second.size) < 1 or freedom < 1:
        raise FitError(
            where="differences within clients", expected="clients of both groups, three or more in all",
            got=f"{first.size} and {second.size}",
        )  # fmt: skip
    squares = float(((first - first.mean()) ** 2).sum() + ((second - second.mean()) ** 2).sum())
    error = np.sqrt(squares / freedom * (1.0 / first.size + 1.0 / second.size)) / 2.0
    value = float(first.mean() + second.mean()) / 2.0
    return Estimate(value, float(error), float(freedom), "differences within clients")


def within_setting(protocol: Protocol, outcome: ContinuousOutcome, rows: StrengthRows) -> Setting:
    """Rows and protocol together; arms belong to scores here, and not to clients."""
    absent = TrainerPlan("absent", np.zeros(rows.clients.number, dtype=np.int64), (), ())
    visit = rows.visit_labels.index(outcome.primary_visit)
    return Setting(protocol, outcome, rows, analysis_scores(rows, outcome.scale), absent, visit, 1)


def primary_of_fit(setting: Setting, fitted: WithinFit) -> OutcomeEstimate:
    """The contrast over all exercises, with its words."""
    protocol, outcome = setting.protocol, setting.outcome
    name = METHODS[fitted.degrees_of_freedom]
    number, used = setting.rows.clients.number, np.unique(fitted.rows.client).size
    left_out = (("no score in either arm", number - used),) if number > used else ()
    return OutcomeEstimate(
        name=f"{outcome.name}, both arms within clients",
        contrast=contrast_text(protocol.comparison_arm.code, protocol.reference_arm.code),
        estimand=within_estimand(protocol, outcome),
        unit="ratio" if outcome.scale == "log" else outcome.unit,
        presentation="ratio" if outcome.scale == "log" else "difference",
        estimate=fitted.effect(),
        role=outcome.role,
        method=f"linear mixed model within clients, restricted maximum likelihood, t with {name} degrees of "
        "freedom",
        rows=RowCount(number, used, left_out, "clients"),
        remarks=(
            f"{fitted.rows.in_both.size} clients have scores in both arms.",
            protocol.plan.words.remark,
            *boundary_remarks(fitted.fit),
            *left_out_remarks(fitted.left_out),
        ),
    )


def primary_within(protocol: Protocol, outcome: ContinuousOutcome, rows: StrengthRows) -> OutcomeEstimate:
    """The contrast alone; for simulation."""
    setting = within_setting(protocol, outcome, rows)
    return primary_of_fit(setting, fit_within(setting))
