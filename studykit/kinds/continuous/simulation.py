"""A continuous outcome in simulated trials: its world, the protocol's analysis of it, and what is true."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DesignError
from studykit.kinds.continuous import primary
from studykit.kinds.continuous.section import AsRecorded, ContinuousOutcome, EstimatedMaximum
from studykit.kinds.continuous.within import answer_within
from studykit.outcomes.answers import Answers
from studykit.protocol.types import Assumption, Protocol
from studykit.records.score_rows import outcome_exercises
from studykit.records.scores import unit_factor
from studykit.trial.arrays import score_arrays
from studykit.trial.batch import TrialBatch
from studykit.trial.kind_simulation import Presented
from studykit.trial.models import ClientFactor, DeliveryModel, Machine, Scale, StrengthModel
from studykit.trial.settings import TrialSettings, stated
from studykit.trial.truth import TrueValue, composite_at_primary, trainers_shift, true_scores_of

Floats = NDArray[np.float64]
FROM_ATTENDANCE = False
HAS_MODEL = True
SUPPORTED_BY = ""
MEN_TO_WOMEN = math.log(1.8)  # ratio of mean loads used in the derivation of the mixed-sex spread
_MEN = frozenset({"male", "man", "men", "m"})
_TYPICAL_LEVEL = {"kg": 50.0, "lb": 110.0, "N": 500.0, "plates": 8.0}
_LOG_SD = 0.25  # spread of log scores within a sex: the yardstick of the other defaults


def is_known(protocol: Protocol, outcome: ContinuousOutcome) -> bool:
    """Whether there is a spread to simulate with."""
    return outcome.on_log_scale or protocol.planning.sd_score is not None


def is_simulated(settings: TrialSettings, outcome: ContinuousOutcome) -> bool:
    """Whether simulated clients have scores of it."""
    return outcome.code in (settings.outcome, *(found.outcome for found in settings.further))


def answers(
    protocol: Protocol, outcome: ContinuousOutcome, batch: TrialBatch, *, supporting: bool = False
) -> Answers:
    """The primary contrast of every trial."""
    del supporting
    scores = score_arrays(protocol, batch.of(outcome.code))
    return answer_within(protocol, scores) if protocol.plan.within else primary.answer(protocol, scores)


def shift(outcome: ContinuousOutcome, batch: TrialBatch) -> Floats:
    """What the trainers at hand add to the truth of each trial."""
    return trainers_shift(batch.of(outcome.code))


def complete(outcome: ContinuousOutcome, batch: TrialBatch) -> Floats:
    """The composite of every client at the primary visit, missing ones included."""
    return composite_at_primary(batch.of(outcome.code))


def truth(
    settings: TrialSettings, outcome: ContinuousOutcome, means: Floats, *, supporting: bool = False
) -> TrueValue:
    """The effect had training continued."""
    del supporting
    return true_scores_of(settings.of(outcome.code), means)


def presented(outcome: ContinuousOutcome, *, supporting: bool = False) -> Presented:
    """Per cent on the log scale, widths those of a ratio of one; else the outcome's unit."""
    del supporting
    if outcome.on_log_scale:
        return Presented(
            "%", lambda effect: 100.0 * np.expm1(effect), lambda width: 200.0 * np.sinh(width / 2)
        )
    return Presented(outcome.unit, np.array, np.array)


def world(protocol: Protocol, outcome: ContinuousOutcome, parts: Mapping[str, Any]) -> dict[str, Any]:
    """The settings that this outcome adds: how its scores differ, grow and are measured."""
    return {
        "outcome": outcome.code,
        "machines": _machines(protocol, outcome),
        "factors": _factors(protocol, outcome.scale),
        "strength": _strength(protocol, outcome, parts["delivery"]),
        "score": _score(outcome),
        "repetitions": _repetitions(outcome),
        "equation": outcome.score.equation if isinstance(outcome.score, EstimatedMaximum) else "epley",
    }


def _score(outcome: ContinuousOutcome) -> Literal["load", "estimated maximum", "as recorded"]:
    if isinstance(outcome.score, AsRecorded):
        return "as recorded"
    return "estimated maximum" if isinstance(outcome.score, EstimatedMaximum) else "load"


def _repetitions(outcome: ContinuousOutcome) -> int:
    if isinstance(outcome.score, AsRecorded):
        return 1
    if isinstance(outcome.score, EstimatedMaximum):
        return outcome.score.most_repetitions
    return outcome.score.repetitions


def _machines(protocol: Protocol, outcome: ContinuousOutcome) -> tuple[Machine, ...]:
    """Machines of the outcome; levels are only typical, since analysis is by ratio."""
    codes = outcome_exercises(protocol, outcome)
    if codes == ("",):
        return (Machine("", level=_TYPICAL_LEVEL.get(outcome.unit, 50.0), unit=outcome.unit, stack_step=0.0),)
    found = []
    for code in codes:
        exercise = protocol.exercise(code)
        factor = unit_factor(exercise.unit, to=outcome.unit)
        found.append(
            Machine(
                code,
                level=_TYPICAL_LEVEL[exercise.unit],
                unit=exercise.unit,
                stack_step=exercise.stack_step or 0.0,
                effect_share=1.0 if exercise.partner_reps else 0.0,
                to_outcome=factor if math.isfinite(factor) else 1.0,  # labels of plates stay as they are
                side=exercise.side,
            )
        )
    return tuple(found)


def _factors(protocol: Protocol, scale: Scale) -> tuple[ClientFactor, ...]:
    """Stratifiers other than the trainer, levels equally common; men lift more than women, in ratio."""
    more = MEN_TO_WOMEN if scale == "log" else 0.0
    found = []
    for stratum in protocol.strata:
        if stratum.code == "trainer" or not stratum.levels:
            continue
        number = len(stratum.levels)
        shift = tuple(more if level.lower() in _MEN else 0.0 for level in stratum.levels)
        found.append(ClientFactor(stratum.code, stratum.levels, (1.0 / number,) * number, shift))
    return tuple(found)


def _scale_unit(outcome: ContinuousOutcome, sd_score: Assumption | None) -> float:
    """Size of the scores' spread relative to the default spread of log loads."""
    if outcome.scale == "log":
        return 1.0
    if sd_score is None:
        raise DesignError(
            where="protocol, planning.sd_score",
            expected=f"the spread of {outcome.code} between clients, in {outcome.unit}",
            got="none",
            todo="Add it, with its source.",
        )
    return sd_score.value / _LOG_SD


def _strength(protocol: Protocol, outcome: ContinuousOutcome, delivery: DeliveryModel) -> StrengthModel:
    planning = protocol.planning
    scale: Scale = outcome.scale
    unit = _scale_unit(outcome, planning.sd_score)
    sd_score = stated(planning.sd_score, _LOG_SD * unit)
    measurement = stated(planning.measurement_sd, 0.045 * unit)
    sd_change = stated(planning.sd_gain, 0.12 * unit)
    if planning.sd_gain is None and planning.correlation_baseline is not None:
        sd_change = sd_score * math.sqrt(2.0 * (1.0 - planning.correlation_baseline.value))
    common = (
        stated(planning.correlation_exercises, 0.4) if len(outcome_exercises(protocol, outcome)) > 1 else 1.0
    )
    if protocol.plan.within == "sides":
        common = _common_of_sides(protocol, outcome, common)
    sd_gain, sd_gain_exercise = _split_gain(sd_change, measurement, common=common)
    between = math.sqrt(max(sd_score**2 - measurement**2, 0.0))
    icc = stated(planning.trainer_icc_strength, 0.02)
    gain = stated(planning.gain_reference, 22.0 if scale == "log" else 0.0)
    return StrengthModel(
        scale=scale,
        primary_day=protocol.visit(outcome.primary_visit).day,
        sd_client=between * math.sqrt(common),
        sd_client_exercise=between * math.sqrt(1.0 - common),
        measurement_sd=measurement,
        learning=0.03 * unit if scale == "log" else 0.0,
        gain=_on_scale(gain, scale),
        sd_gain=sd_gain,
        sd_gain_exercise=sd_gain_exercise,
        effects=_effects(protocol, scale, delivery),
        sd_trainer=sd_change * math.sqrt(icc / (1.0 - icc)),
        sd_trainer_by_arm=stated(planning.trainer_by_arm_sd, 0.02 * unit),
    )


def _common_of_sides(protocol: Protocol, outcome: ContinuousOutcome, of_pairs: float) -> float:
    """One correlation of all exercises, by which the mean difference between two sides spreads as assumed.

    Sides correlate as planned, pairs as exercises do: :math:`2(1-c)(1+(k-1)p)/k` is to equal
    :math:`2(1-x)/k` for :math:`k` pairs.
    """
    pairs = len({protocol.exercise(code).pair for code in outcome.exercises})
    apart = (1.0 - stated(protocol.planning.correlation_limbs, 0.7)) * (1.0 + (pairs - 1) * of_pairs)
    return max(1.0 - apart, 0.0)


def _split_gain(sd_change: float, measurement: float, *, common: float) -> tuple[float, float]:
    """Client and exercise parts of the true gain, from the spread of observed changes.

    An observed change holds two measurement errors; ``common`` is the correlation of the changes of two
    exercises, which errors lower.
    """
    true = max(sd_change**2 - 2.0 * measurement**2, 0.0)
    shared = min(common * sd_change**2, true)
    return math.sqrt(shared), math.sqrt(true - shared)


def _on_scale(value: float, scale: Scale) -> float:
    """Per cent on the log scale, else in the unit."""
    return math.log1p(value / 100.0) if scale == "log" else value


def _effects(protocol: Protocol, scale: Scale, delivery: DeliveryModel) -> tuple[float, ...]:
    planning = protocol.planning
    effect = _on_scale(stated(planning.effect_strength, 2.0 if scale == "log" else 0.0), scale)
    if planning.effect_declared == "as offered":
        kept = delivery.delivered - delivery.contaminated
        if kept <= 0.05:
            raise DesignError(
                where="protocol, planning",
                expected="more sets delivered as planned than clients of the reference arm contaminated",
                got=f"{delivery.delivered} delivered, {delivery.contaminated} contaminated",
                todo="With so little contrast between the arms no trial can answer.",
            )
        effect /= kept
    return (0.0, *(effect for _ in protocol.arm_codes[1:]))
