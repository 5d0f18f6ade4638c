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

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.errors import FitError
from studykit.kinds.continuous.analysis import Setting, boundary_remarks, left_out_remarks
from studykit.kinds.continuous.model import single_model
from studykit.kinds.continuous.primary import fit_contrast, not_converged
from studykit.kinds.continuous.scores import ScoreArrays, analysis_scores
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.mixed import MixedFit, RandomEffect
from studykit.mixed.result import METHODS
from studykit.outcomes.answers import Answers
from studykit.outcomes.batch_model import BatchModel, RandomPart
from studykit.outcomes.clients import ClientArrays
from studykit.outcomes.estimands import contrast_text, within_estimand
from studykit.outcomes.results import OutcomeEstimate
from studykit.outcomes.trainers import TrainerPlan, unpaired_t
from studykit.protocol.types import Protocol
from studykit.records.rows import Scores
from studykit.results import Estimate, RowCount

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
LEAST_CLIENTS = 4  # with scores in both arms; judgement: below, the spread of differences is not known


@dataclass(frozen=True, slots=True, eq=False)
class WithinRows:
    """The tests that the model uses, in m studies.

    Parameters
    ----------
    score : ndarray, shape (m, n)
        On the analysis scale, 0 where missing.
    observed : ndarray of bool, shape (m, n)
    client, exercise, occasion : ndarray of int, shape (n,)
        ``exercise`` is the pair where sides are compared.
    side : ndarray of int, shape (n,)
        Which of a client's sides; 0 elsewhere.
    arm : ndarray of int, shape (m, n)
        1 is the compared arm.
    before, dominant : ndarray, shape (m, n)
        Score of the same side before, and whether it is the dominant side, both centred; zero elsewhere.
    exercises : tuple of str
    occasions : tuple of str
    clients : ClientArrays
    """

    score: Floats
    observed: Flags
    client: Integers
    exercise: Integers
    occasion: Integers
    side: Integers
    arm: Integers
    before: Floats
    dominant: Floats
    exercises: tuple[str, ...]
    occasions: tuple[str, ...]
    clients: ClientArrays

    @property
    def in_both(self) -> Flags:
        """Clients with scores in both arms, shape (m, clients)."""
        return np.asarray(self.in_arm(0) & self.in_arm(1))

    def in_arm(self, arm: int) -> Flags:
        """Clients with a score in an arm, shape (m, clients)."""
        own = self.client == np.arange(self.clients.arm.shape[1])[:, None]
        return np.asarray((self.observed & (self.arm == arm)) @ own.T)

    def cell(self, exercise: int, occasion: int) -> str:
        """What a mean of the model is called."""
        label = self.exercises[exercise]
        return f"{label} at {self.occasions[occasion]}" if label else self.occasions[occasion]


def arms_of_tests(protocol: Protocol, scores: ScoreArrays) -> Integers:
    """Arm of every test, an index into the protocol's arm codes; -1 for those that belong to neither arm.

    Returns
    -------
    ndarray of int, shape (m, clients, visits, exercises)
    """
    codes, clients = protocol.allocated_codes, scores.clients
    schedule = protocol.plan.schedule(len(codes), len(protocol.periods))
    given = schedule[[codes.index(label) for label in clients.arm_labels]][clients.arm]
    if protocol.plan.within == "sides":
        dominant = _dominant(protocol, scores)
        arm = np.take_along_axis(given[:, :, 0], 1 - np.maximum(dominant, 0), axis=2)
        return np.where(scores.follow_up[:, None] & (dominant >= 0)[:, :, None], arm[:, :, None], -1)
    period = _periods(protocol, scores)
    arm = np.where(period >= 0, given[:, :, np.maximum(period, 0), 0], -1)
    if protocol.plan.begins_in_reference:
        arm[..., list(scores.baseline_visits)] = 0
    return np.broadcast_to(arm[..., None], scores.score.shape)


def _periods(protocol: Protocol, scores: ScoreArrays) -> Integers:
    """Period that each visit ends, from 0; -1 where it ends none."""
    ends = {period.visit: number for number, period in enumerate(protocol.periods)}
    return np.array([ends.get(label, -1) for label in scores.visit_labels], dtype=np.int64)


def _dominant(protocol: Protocol, scores: ScoreArrays) -> Integers:
    """Whether an exercise is of the client's dominant side: 1, 0, or -1 where that is not known.

    Returns
    -------
    ndarray of int, shape (m, clients, exercises)
    """
    side = {exercise.code: exercise.side for exercise in protocol.exercises}
    own = np.array([side.get(label, "") for label in scores.exercise_labels])
    clients = scores.clients
    unknown = ("dominant", np.full(clients.arm.shape, -1), ())
    _, codes, levels = next((factor for factor in clients.factors if factor[0] == "dominant"), unknown)
    found = own == np.array([*levels, ""])[codes][..., None]
    return np.where((codes >= 0)[..., None] & (own != ""), found, -1)


def within_rows(protocol: Protocol, scores: ScoreArrays) -> WithinRows:
    """Tests with their arm and occasion; those that belong to neither arm are left out."""
    studies = scores.clients.studies
    client, visit, exercise = (place.ravel() for place in np.indices(scores.score.shape[1:]))
    arm = arms_of_tests(protocol, scores).reshape(studies, -1)
    observed = scores.observed.reshape(studies, -1) & (arm >= 0)
    sides = protocol.plan.within == "sides"
    if sides:
        observed &= visit == scores.primary_visit
    rows = observed.any(axis=0)
    client, visit, exercise = client[rows], visit[rows], exercise[rows]
    score, arm, observed = scores.score.reshape(studies, -1)[:, rows], arm[:, rows], observed[:, rows]
    before = dominant = np.zeros(score.shape)
    side, exercises = np.zeros_like(exercise), scores.exercise_labels
    occasions: tuple[str, ...] = tuple(period.visit for period in protocol.periods)
    occasion = _periods(protocol, scores)[visit]
    if sides:
        before, dominant = _of_sides(protocol, scores, client, exercise, observed)
        known = [protocol.exercise(label) for label in scores.exercise_labels]
        exercises = tuple(dict.fromkeys(own.pair for own in known))
        words = sorted({own.side for own in known})
        side = np.array([words.index(own.side) for own in known])[exercise]
        exercise = np.array([exercises.index(own.pair) for own in known])[exercise]
        occasions, occasion = (scores.visit_labels[scores.primary_visit],), np.zeros_like(visit)
    elif protocol.plan.begins_in_reference:
        occasion = np.where(scores.follow_up[visit], occasion, len(occasions))
        occasions = (*occasions, "before")
    return WithinRows(
        np.where(observed, score, 0.0), observed, client, exercise, occasion, side, arm, before, dominant,
        exercises, occasions, scores.clients,
    )  # fmt: skip


def _of_sides(
    protocol: Protocol, scores: ScoreArrays, client: Integers, exercise: Integers, observed: Flags
) -> tuple[Floats, Floats]:
    """Score of the same side before, and whether it is the dominant one: centred, for every row."""
    dominant = np.asarray(_dominant(protocol, scores)[:, client, exercise] - 0.5)
    single = [scores.baseline_score((place,)) for place in scores.exercises]
    if single[0] is None:
        return np.zeros(observed.shape), dominant
    own = np.stack([score for score in single if score is not None], axis=2)[:, client, exercise]
    known = np.isfinite(own) & observed
    filled = np.where(known, own, 0.0)
    middle = filled.sum(axis=1, keepdims=True) / np.maximum(known.sum(axis=1, keepdims=True), 1)
    return np.asarray(np.where(known, filled - middle, 0.0)), dominant


def within_model(protocol: Protocol, rows: WithinRows) -> tuple[BatchModel, Floats]:
    """The model of m studies, and the weights of the compared arm minus the reference arm."""
    cell = rows.exercise * len(rows.occasions) + rows.occasion
    means = (cell[:, None] == np.arange(len(rows.exercises) * len(rows.occasions))).astype(float)
    names = [rows.cell(*divmod(place, len(rows.occasions))) for place in range(means.shape[1])]
    own = rows.exercise[:, None] == np.arange(len(rows.exercises))
    arms = ((rows.arm == 1)[..., None] & own).astype(float)
    compared = protocol.comparison_arm.code
    names += [f"{compared}: {label}" if label else compared for label in rows.exercises]
    facts = rows.clients.facts()
    blocks = [np.broadcast_to(means, (len(arms), *means.shape)), arms, facts.values[:, rows.client]]
    adjusting = len(names)
    names += facts.names
    if protocol.plan.within == "sides":
        blocks.append(np.stack([rows.before, rows.dominant], axis=2))
        names += ["the same side before", "dominant side"]
    trainer = rows.clients.trainer
    trainers = protocol.plan.unit == "trainer"

    def random(study: int, used: Flags) -> RandomPart:
        return _random_effects(rows, used, trainer[study] if trainers else None), None

    weights = np.zeros(len(names))
    weights[means.shape[1] : adjusting] = 1.0 / len(rows.exercises)
    model = BatchModel.of(
        np.where(rows.observed, rows.score, np.nan), blocks, names, adjusting=adjusting, random=random,
        trainer=trainer if trainers else None,
    )  # fmt: skip
    return model, weights


def _random_effects(rows: WithinRows, used: Flags, trainer: Integers | None) -> tuple[RandomEffect, ...]:
    client, exercise, occasion = rows.client[used], rows.exercise[used], rows.occasion[used]
    effects = [RandomEffect("client", client)]
    own = client * len(rows.exercises) + exercise
    if len(rows.exercises) > 1 and np.bincount(own).max() > 1:
        effects.append(RandomEffect("client by exercise", own))
    if len(rows.exercises) > 1:
        # An arm is given to a whole period, or a whole side: all its exercises share what else is of it.
        sides = bool(rows.side.any())
        given = client * (len(rows.occasions) + 2) + (rows.side[used] if sides else occasion)
        effects.append(RandomEffect("client by side" if sides else "client by period", given))
    if trainer is not None:
        effects.append(RandomEffect("trainer", trainer[client]))
        effects.append(RandomEffect("trainer by period", trainer[client] * len(rows.occasions) + occasion))
    return tuple(effects)


def answer_within(protocol: Protocol, scores: ScoreArrays) -> Answers:
    """The contrast of each study in which one client gets both arms; elsewhere `primary.answer`.

    Parameters
    ----------
    protocol : Protocol
    scores : ScoreArrays
        Of one of its continuous outcomes; clients' arms are orders, sides or steps.
    """
    if protocol.plan.unit == "trainer" and scores.clients.studies > 1:
        scores = scores.by_trainer()  # the same rows for the same trainer in every study
    rows = within_rows(protocol, scores)
    model, weights = within_model(protocol, rows)
    found = Answers.none(scores.clients.studies, lambda _: not_converged())
    for places, group in model.groups():
        own = fit_contrast(protocol, group, weights) if group.kept[weights != 0.0].all() else None
        if own is not None:
            found = found.filled(places, own[0])
    refusals = {
        study: why
        for study in range(scores.clients.studies)
        if (why := _refusal(protocol, scores.outcome, rows, model, study))
    }
    return found.without(np.isin(np.arange(scores.clients.studies), [*refusals]), refusals.__getitem__)


def _refusal(
    protocol: Protocol, outcome: str, rows: WithinRows, model: BatchModel, study: int
) -> FitError | None:
    """Why a study cannot be analysed: too few clients in both arms, or arms that time cannot be told from."""
    in_both = int(rows.in_both[study].sum())
    if in_both < LEAST_CLIENTS and protocol.plan.unit == "client":
        return FitError(
            where=f"outcome {outcome}", expected=f"{LEAST_CLIENTS} clients tested in both arms",
            got=str(in_both), todo="Enter the tests, or analyse later.",
        )  # fmt: skip
    number = len(rows.exercises)
    kept = model.kept[study, model.adjusting - number : model.adjusting]
    if kept.all():
        return None
    return FitError(
        where=f"outcome {outcome}", expected="scores of both arms on every exercise",
        got=f"too few on {rows.exercises[int(kept.argmin())] or 'the outcome'}",
        todo="Enter the tests, or analyse later.",
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class WithinFit:
    """The fitted model of one study and the weights of what is asked of it, over the columns kept."""

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
        weights = np.zeros_like(self.effect_weights)
        weights[np.flatnonzero(self.effect_weights)[exercise]] = 1.0
        return self.fit.contrast(weights, degrees_of_freedom=self.degrees_of_freedom)  # type: ignore[arg-type]

    def mean(self, arm: int) -> Estimate:
        """Adjusted mean of an arm at the last occasion."""
        weights = self.mean_weights + (self.effect_weights if arm else 0.0)
        return self.fit.contrast(weights, degrees_of_freedom=self.degrees_of_freedom)  # type: ignore[arg-type]


def fit_within(setting: Setting) -> WithinFit:
    """Fit the model to one study.

    Raises
    ------
    FitError
        If too few clients have scores in both arms, or the arms cannot be told from time
        (`ConvergenceError` if the search did not converge).
    """
    protocol = setting.protocol
    rows = within_rows(protocol, setting.arrays)
    model, effect = within_model(protocol, rows)
    refusal = _refusal(protocol, setting.outcome.code, rows, model, 0)
    if refusal is not None:
        raise refusal
    fit = single_model(model.alone()).fit()
    if not fit.converged:
        raise not_converged()
    last = max(len(protocol.periods) - 1, 0)
    mean = np.zeros_like(effect)
    mean[np.arange(len(rows.exercises)) * len(rows.occasions) + last] = 1.0 / len(rows.exercises)
    kept = model.kept[0]
    return WithinFit(
        rows, fit, effect[kept], mean[kept], model.left_out(), protocol.analysis.degrees_of_freedom
    )


def difference_by_group(data: WithinRows) -> Estimate:
    """Mean difference between the arms within clients, each order (or side) with the same weight, by t.

    Notes
    -----
    For a crossover the period's effect cancels (Senn 2002, chapter 3); for sides, dominance does.

    Raises
    ------
    FitError
        If a group has no client with scores in both arms, or there are fewer than three in all.
    """
    differences, second = [], []
    compared = data.arm[0] == 1
    for client in np.flatnonzero(data.in_both[0]):
        mine = data.client == client
        shared = np.intersect1d(data.exercise[mine & ~compared], data.exercise[mine & compared])
        if shared.size:
            own = mine & np.isin(data.exercise, shared)
            score = data.score[0]
            differences.append(float(score[own & compared].mean() - score[own & ~compared].mean()))
            second.append(bool(data.clients.arm[0, client]))
    group = np.array(second)
    signed = np.where(group, -np.array(differences), differences)  # so that the groups' means add up
    found = unpaired_t(
        signed[None], np.ones((1, group.size), dtype=bool), ~group[None], confidence_level=0.95
    ).estimate("differences within clients")
    return replace(found, value=found.value / 2.0, standard_error=found.standard_error / 2.0)


def within_setting(protocol: Protocol, outcome: ContinuousOutcome, rows: Scores) -> Setting:
    """Rows and protocol together; arms belong to scores here, and not to clients."""
    absent = TrainerPlan("absent", rows.clients.trainer, rows.clients.trainer_labels, ())
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
            f"{int(fitted.rows.in_both.sum())} clients have scores in both arms.",
            protocol.plan.words.remark,
            *boundary_remarks(fitted.fit),
            *left_out_remarks(fitted.left_out),
        ),
    )
