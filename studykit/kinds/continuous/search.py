"""What searches by simulation ask of a continuous outcome: the closed form, the truth, a quicker analysis."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import numpy as np

from studykit.kinds.continuous.planned_model import (
    clients_for_power,
    clients_for_width,
    on_scale,
    planned_model,
)
from studykit.kinds.continuous.primary import answer
from studykit.kinds.continuous.scores import ScoreArrays, composite_scores
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.outcomes.answers import Answers
from studykit.planning.assumptions import Assumptions, dilution
from studykit.protocol.types import Protocol
from studykit.trial.arrays import score_arrays
from studykit.trial.batch import TrialBatch
from studykit.trial.settings import TrialSettings
from studykit.trial.truth import true_strength

TRUTH_CLIENTS = 60_000  # complete clients under each arm, from which the truth is worked out
MOVE_SIMULATED = (
    "trainer_by_arm_sd", "trainer_icc_strength", "correlation_baseline", "sd_score", "correlation_exercises",
    "effect_strength", "retention_reference", "missed_tests",
)  # fmt: skip
_EVERYBODY = 10**9  # no study has so many clients: the fallback for all


def true_effect(settings: TrialSettings, seed: int, *, precision: float = 1.0) -> float:
    """The true difference as it reaches the analysis, on its scale; a part of the clients where asked."""
    clients = int(precision * TRUTH_CLIENTS)
    return true_strength(settings, seed=seed, trials=max(2, clients // settings.clients)).value


def with_true_effect(settings: TrialSettings, effect: float, seed: int) -> TrialSettings:
    """The settings in which the true difference, as it reaches the analysis, is about this.

    A larger effect also makes clients differ more, through slips of delivery and leaks between the arms, so
    that errors of one effect do not quite serve for another.
    """
    share = float(np.mean([machine.effect_share for machine in settings.machines]))
    kept = (settings.delivery.delivered - settings.delivery.contaminated) * share
    if kept <= 0.0:
        return settings
    full = effect / kept
    for _ in range(2):  # the second time corrects for what rounding of loads does
        effects = (0.0, *(full for _ in settings.arms[1:]))
        settings = replace(settings, strength=replace(settings.strength, effects=effects))
        reached = true_effect(settings, seed, precision=1.0 / 3.0) if effect else 0.0
        full *= effect / reached if reached else 1.0
    return settings


def largest_plausible(protocol: Protocol, outcome: ContinuousOutcome) -> float:
    """The far end of the assumed effect as it reaches the analysis, on its scale."""
    assumptions = Assumptions(protocol, outcome)
    effect = assumptions.assumption("effect_strength")
    kept = dilution(assumptions, declared=protocol.planning.effect_declared)
    return kept * on_scale(effect.farthest, outcome.scale)


def analysis_width(outcome: ContinuousOutcome, told: float) -> float:
    """A width as it is told, on the scale of the analysis."""
    return 2.0 * math.asinh(told / 200.0) if outcome.on_log_scale else told


def clients_by_formula(
    protocol: Protocol,
    outcome: ContinuousOutcome,
    *,
    trainers: int,
    alpha: float,
    target: Literal["power", "width"],
    wanted: float,
    effect: float,
) -> int | None:
    """Clients by the closed form; ``None`` if out of reach."""
    model = planned_model(protocol, outcome, Assumptions(protocol, outcome), alpha=alpha)
    model = replace(model, trainers=trainers, power=wanted if target == "power" else model.power)
    if target == "power":
        return clients_for_power(model, effect=effect)
    # The closed form's half width is told upwards: to what the upper end is, as a ratio of one.
    half = analysis_width(outcome, wanted) / 2.0
    return clients_for_width(model, half_width=100.0 * math.expm1(half) if outcome.on_log_scale else half)


def stand_in(protocol: Protocol, outcome: ContinuousOutcome, batch: TrialBatch) -> Answers:
    """A quicker analysis of each trial, alike if not right; ``nan`` where it does not go through.

    The composite score where the outcome has several exercises, else the regression of the fallback.
    """
    scores = score_arrays(protocol, batch.of(outcome.code))
    if scores.score.shape[3] > 1:
        return answer(protocol, of_composite(scores))
    analysis = protocol.analysis.model_copy(update={"composite_below_clients": _EVERYBODY})
    return answer(protocol.model_copy(update={"analysis": analysis}), scores)


def of_composite(scores: ScoreArrays) -> ScoreArrays:
    """The composite over the exercises as the only score of each visit."""
    return replace(scores, score=composite_scores(scores.score)[..., None], exercise_labels=("",))
