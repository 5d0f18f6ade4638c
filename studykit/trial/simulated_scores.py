"""Third stage: what the tests would show, had training continued.

Shapes are (trials, clients, visits, exercises).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.records.scores import estimated_maximum
from studykit.results import frozen_array
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_clients import ClientTraits, arms_given

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TestedScores:
    """Scores of every client at every visit, and which tests were not missed at random.

    Parameters
    ----------
    score : ndarray of float, shape (trials, clients, visits, exercises)
        In the outcome's unit, as it would be recorded, had training continued.
    analysed : ndarray of float, same shape
        The same on the analysis scale.
    came : ndarray of bool, same shape
        Test not missed (departures come later).
    day : ndarray of int, shape (trials, clients, visits)
        Day of each test, counted from allocation.
    load : ndarray of float, shape (trials, clients, visits, exercises)
        Load of the attempt that gave the score, in the machine's unit.
    repetitions : ndarray of int, same shape
        Repetitions of that attempt.
    """

    score: Floats
    analysed: Floats
    came: NDArray[np.bool_]
    day: Integers
    load: Floats
    repetitions: Integers


def true_scores(settings: TrialSettings, traits: ClientTraits, arm: Integers) -> Floats:
    """Scores without measurement error, on the analysis scale, had training continued.

    Parameters
    ----------
    settings : TrialSettings
    traits : ClientTraits
    arm : ndarray of int, shape (trials, clients)
        As `draw_arms` gives it.

    Returns
    -------
    ndarray of float, shape (trials, clients, visits, exercises)
    """
    growth = settings.strength.growth(np.array(settings.days, dtype=float))
    arms = arms_given(settings, traits, arm)
    share = np.array([machine.effect_share for machine in settings.machines])
    effect = effect_received(settings, traits, arms) * share
    if settings.within is not None:  # whole at the end of a period, and gone when the next one ends
        after = np.array([not visit.baseline for visit in settings.visits])[:, None]
        return np.asarray(
            traits.baseline[:, :, None, :] + growth[:, None] * traits.gain[:, :, None, :] + after * effect
        )
    at_primary = traits.gain + effect[:, :, 0]
    scores = traits.baseline[:, :, None, :] + growth[:, None] * at_primary[:, :, None, :]
    return np.asarray(scores, dtype=float)


def effect_received(settings: TrialSettings, traits: ClientTraits, arm: Integers) -> Floats:
    """Effect of the arm on each client at the primary day, after dilution; in the shape of ``arm``.

    Its first axes are trials and clients; visits and exercises may follow.

    A client of another arm gets its effect in the share of sets delivered; a contaminated client of
    the reference arm gets the first other arm's effect in full.
    """
    effects = np.asarray(settings.strength.effects)
    by_trainer, delivered, contaminated = (
        values.reshape(*values.shape, *(1,) * (arm.ndim - 2))
        for values in (traits.trainer_by_arm, traits.delivered, traits.contaminated)
    )
    full = effects[arm] + np.where(arm > 0, by_trainer, 0.0)
    return np.where(arm > 0, delivered * full, np.where(contaminated, effects[1] + by_trainer, 0.0))


def simulate_tests(
    settings: TrialSettings, traits: ClientTraits, arm: Integers, rng: np.random.Generator
) -> TestedScores:
    """Measure every client at every visit.

    Parameters
    ----------
    settings : TrialSettings
    traits : ClientTraits
    arm : ndarray of int, shape (trials, clients)
    rng : numpy.random.Generator
        Drawn from in the same way whatever the arm, so that one stream gives both potential outcomes.

    Returns
    -------
    TestedScores
    """
    true = true_scores(settings, traits, arm)
    noise = rng.standard_normal(true.shape)
    practice = settings.strength.practice(len(settings.visits))
    shown = true + practice[:, None] + settings.strength.measurement_sd * noise
    load, repetitions, score = _recorded(settings, shown)
    log = settings.strength.scale == "log"
    return TestedScores(
        score=score,
        analysed=frozen_array(np.log(score) if log else score, float),
        came=frozen_array(_came(settings, traits, rng), bool),
        day=frozen_array(_test_days(settings, arm.shape, rng), np.int64),
        load=load,
        repetitions=repetitions,
    )


def _recorded(settings: TrialSettings, shown: Floats) -> tuple[Floats, Integers, Floats]:
    """Load, repetitions and score of the best attempt, from the strength that was shown."""
    strength = np.exp(shown) if settings.strength.scale == "log" else shown
    if settings.score != "estimated maximum":
        load = frozen_array(_down_to_step(settings, strength), float)
        repetitions = np.broadcast_to(np.int64(settings.repetitions), load.shape)
        return load, repetitions, _in_outcome_unit(settings, load)
    # The load is set at about four fifths of the maximum, and repetitions are counted to the limit.
    load = frozen_array(_down_to_step(settings, 0.8 * strength), float)
    counts = np.arange(1, settings.repetitions + 1)
    by_count = estimated_maximum(load[..., None], counts, equation=settings.equation)
    done = np.maximum((by_count <= strength[..., None]).sum(axis=-1), 1)
    score = estimated_maximum(load, done, equation=settings.equation)
    return load, frozen_array(done, np.int64), _in_outcome_unit(settings, score)


def _in_outcome_unit(settings: TrialSettings, score: Floats) -> Floats:
    factors = np.array([machine.to_outcome for machine in settings.machines])
    if np.all(factors == 1.0) and not score.flags.writeable:
        return score
    return frozen_array(score * factors, float)


def _down_to_step(settings: TrialSettings, strength: Floats) -> Floats:
    """The heaviest load of the stack that is lifted; at least one step."""
    load = strength.copy()
    for index, machine in enumerate(settings.machines):
        if machine.stack_step > 0.0:
            steps = np.floor(strength[..., index] / machine.stack_step + 1e-9)
            load[..., index] = np.maximum(steps, 1.0) * machine.stack_step
    return load


def _test_days(settings: TrialSettings, shape: tuple[int, ...], rng: np.random.Generator) -> Integers:
    """Up to three days about the planned day; baseline tests never after it."""
    about = rng.integers(-3, 4, size=(*shape, len(settings.visits)))
    baseline = np.array([visit.baseline for visit in settings.visits])
    return np.array(settings.days) + np.where(baseline, -np.abs(about), about)


def _came(settings: TrialSettings, traits: ClientTraits, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Which tests were not missed, among clients who still train."""
    shape = (*traits.trainer.shape, len(settings.visits), len(settings.machines))
    missed = np.array([visit.missed for visit in settings.visits])
    if settings.missed_by_attendance:
        inside = np.clip(missed, 1e-12, 1.0 - 1e-12)
        logit = np.log(inside / (1.0 - inside)) + settings.missed_by_attendance * traits.attendance[..., None]
        chance = np.where(missed > 0.0, 1.0 / (1.0 + np.exp(-logit)), 0.0)
    else:
        chance = np.broadcast_to(missed, shape[:3])
    visit = rng.random(shape[:3]) >= chance
    single = rng.random(shape) >= settings.missed_exercise
    baseline = np.array([visit.baseline for visit in settings.visits])
    return np.asarray(visit[..., None] & (single | baseline[:, None]), dtype=bool)
