"""First two stages: who the clients are, then what each is drawn. Shapes are (trials, clients, ...)."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.method import AllocationMethod
from studykit.results import frozen_array
from studykit.trial.settings import TrialSettings

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class ClientTraits:
    """What is true of every client whatever the arm.

    Parameters
    ----------
    levels : ndarray of int, shape (factors, trials, clients)
        Level of every factor of the settings.
    trainer : ndarray of int, shape (trials, clients)
    baseline : ndarray of float, shape (trials, clients, exercises)
        True score before training, on the analysis scale.
    gain : ndarray of float, shape (trials, clients, exercises)
        True gain at the primary day in the reference arm, trainer's part included.
    own_gain : ndarray of float, shape (trials, clients)
        A client's gain over all exercises beyond the mean, in standard deviations.
    trainer_by_arm : ndarray of float, shape (trials, clients)
        Change of the effect of the other arms under the client's trainer.
    trainer_hazard : ndarray of float, shape (trials, clients)
        Log hazard of departing added by trainer and factors.
    attendance : ndarray of float, shape (trials, clients)
        Standard normal; the log-odds of attending a booked session rise with it.
    delivered : ndarray of float, shape (trials, clients)
        Share of the partner-rep sets that would be done as planned.
    contaminated : ndarray of bool, shape (trials, clients)
        Whether the client, in the reference arm, would get partner reps all the same.
    allocated_day : ndarray of int, shape (trials, clients)
        Counted from the first allocation, in order.
    """

    levels: Integers
    trainer: Integers
    baseline: Floats
    gain: Floats
    own_gain: Floats
    trainer_by_arm: Floats
    trainer_hazard: Floats
    attendance: Floats
    delivered: Floats
    contaminated: NDArray[np.bool_]
    allocated_day: Integers


def simulate_clients(settings: TrialSettings, trials: int, rng: np.random.Generator) -> ClientTraits:
    """Draw the clients of ``trials`` trials.

    Parameters
    ----------
    settings : TrialSettings
    trials : int
    rng : numpy.random.Generator

    Returns
    -------
    ClientTraits
    """
    shape = (trials, settings.clients)
    levels = np.empty((len(settings.factors), *shape), dtype=np.int64)
    for index, factor in enumerate(settings.factors):
        cuts = np.cumsum(factor.shares)[:-1]
        levels[index] = np.searchsorted(cuts, rng.random(shape), side="right")
    trainer = _trainers(settings, trials, rng)
    baseline, common = _baseline(settings, levels, rng)
    gain, own_gain = _gain(settings, levels, common, rng)
    by_trainer = rng.standard_normal((3, trials, settings.trainers))
    gain_of_trainer, effect_of_trainer, hazard_of_trainer = (
        np.take_along_axis(part, trainer, axis=1) for part in by_trainer
    )
    delivery = settings.delivery
    return ClientTraits(
        levels=frozen_array(levels, np.int64),
        trainer=frozen_array(trainer, np.int64),
        baseline=frozen_array(baseline, float),
        gain=frozen_array(gain + settings.strength.sd_trainer * gain_of_trainer[..., None], float),
        own_gain=frozen_array(own_gain, float),
        trainer_by_arm=frozen_array(settings.strength.sd_trainer_by_arm * effect_of_trainer, float),
        trainer_hazard=frozen_array(
            settings.retention.sd_trainer * hazard_of_trainer + _factor_sum(settings, levels, "hazard_shift"),
            float,
        ),
        attendance=frozen_array(rng.standard_normal(shape), float),
        delivered=frozen_array(_delivered(settings, shape, rng), float),
        contaminated=frozen_array(rng.random(shape) < delivery.contaminated, bool),
        allocated_day=frozen_array(_allocated_days(settings, trials, rng), np.int64),
    )


def with_other_scores(
    settings: TrialSettings, traits: ClientTraits, rng: np.random.Generator
) -> ClientTraits:
    """The same clients as they are in another outcome, of whose settings these are."""
    baseline, common = _baseline(settings, traits.levels, rng)
    gain, own_gain = _gain(settings, traits.levels, common, rng)
    of_trainer = rng.standard_normal((2, len(traits.trainer), settings.trainers))
    to_gain, to_effect = (np.take_along_axis(part, traits.trainer, axis=1) for part in of_trainer)
    return replace(
        traits,
        baseline=frozen_array(baseline, float),
        gain=frozen_array(gain + settings.strength.sd_trainer * to_gain[..., None], float),
        own_gain=frozen_array(own_gain, float),
        trainer_by_arm=frozen_array(settings.strength.sd_trainer_by_arm * to_effect, float),
    )


def _factor_sum(settings: TrialSettings, levels: Integers, name: str) -> Floats:
    """Sum over factors of what each client's level adds."""
    total = np.zeros(levels.shape[1:])
    for factor, level in zip(settings.factors, levels, strict=True):
        total += np.asarray(getattr(factor, name))[level]
    return total


def _gain_share(settings: TrialSettings, levels: Integers) -> Floats:
    share = np.ones(levels.shape[1:])
    for factor, level in zip(settings.factors, levels, strict=True):
        share *= np.asarray(factor.gain_share)[level]
    return share


def _trainers(settings: TrialSettings, trials: int, rng: np.random.Generator) -> Integers:
    """Clients shared out evenly among trainers, in random order."""
    even = np.arange(settings.clients) % settings.trainers
    return np.asarray(rng.permuted(np.tile(even, (trials, 1)), axis=1), dtype=np.int64)


def _baseline(settings: TrialSettings, levels: Integers, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """True baseline scores (trials, clients, exercises), and the standard normal common part."""
    shape, strength = levels.shape[1:], settings.strength
    machines = np.array([machine.level for machine in settings.machines])
    centre = np.log(machines) if strength.scale == "log" else machines
    common = rng.standard_normal(shape)
    single = rng.standard_normal((*shape, len(settings.machines)))
    client = strength.sd_client * common + _factor_sum(settings, levels, "strength_shift")
    return centre + client[..., None] + strength.sd_client_exercise * single, common


def _gain(
    settings: TrialSettings, levels: Integers, common: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """True gains at the primary day (trials, clients, exercises), and the standardised client part."""
    strength = settings.strength
    correlation = strength.gain_baseline_correlation
    own = correlation * common + math.sqrt(1.0 - correlation**2) * rng.standard_normal(common.shape)
    single = strength.sd_gain_exercise * rng.standard_normal((*common.shape, len(settings.machines)))
    gain = (strength.gain * _gain_share(settings, levels) + strength.sd_gain * own)[..., None] + single
    spread = math.sqrt(strength.sd_gain**2 + strength.sd_gain_exercise**2 / len(settings.machines))
    beyond = strength.sd_gain * own + single.mean(axis=-1)
    return gain, beyond / spread if spread > 0.0 else beyond


def _delivered(settings: TrialSettings, shape: tuple[int, ...], rng: np.random.Generator) -> Floats:
    """A client's share of sets done as planned: beta around the mean, exact at 0 and 1."""
    mean, concentration = settings.delivery.delivered, settings.delivery.delivered_concentration
    if mean in (0.0, 1.0):
        return np.full(shape, mean)
    return rng.beta(mean * concentration, (1.0 - mean) * concentration, size=shape)


def _allocated_days(settings: TrialSettings, trials: int, rng: np.random.Generator) -> Integers:
    """Days of allocation in order, the first at 0, evenly spread at random over recruitment."""
    span = max(settings.calendar.recruitment_days, 1)
    days = np.sort(rng.integers(0, span, size=(trials, settings.clients)), axis=1)
    return np.asarray(days - days[:, :1], dtype=np.int64)


def allocation_method(settings: TrialSettings) -> AllocationMethod[Any]:
    """The method that the settings name; permuted blocks where they name none."""
    return settings.method or PermutedBlocks(
        settings.drawn, ratio=settings.ratio, block_sizes=settings.block_sizes, factors=settings.strata
    )


def draw_arms(settings: TrialSettings, traits: ClientTraits, rng: np.random.Generator) -> Integers:
    """What every client was drawn, (trials, clients): an arm, 0 the reference arm, or an order and the like.

    Parameters
    ----------
    settings : TrialSettings
    traits : ClientTraits
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of int
        Clients are allocated in order of entry, within strata. Trainers that deliver one arm each
        pass it on to their clients.
    """
    if settings.draws_trainers:
        return _arms_of_trainers(settings, traits, rng)
    levels = [stratum_levels(settings, traits, code) for code in settings.strata]
    empty = np.empty((*traits.trainer.shape, 0), dtype=np.int64)
    stacked = np.stack(levels, axis=-1) if levels else empty
    return allocation_method(settings).simulate(stacked, rng).astype(np.int64)


def arms_given(settings: TrialSettings, traits: ClientTraits, drawn: Integers) -> Integers:
    """Arm of every test: (trials, clients, visits, exercises), an axis of length 1 where all are alike."""
    if settings.within is None:
        return drawn[..., None, None]
    by_side = np.array(settings.within.arms, dtype=np.int64)[drawn]  # (trials, clients, visits, sides)
    if by_side.shape[3] == 1:
        return by_side
    place = next(place for place, factor in enumerate(settings.factors) if factor.code == "dominant")
    dominant = np.array(settings.factors[place].levels)[traits.levels[place]]
    other = np.array([machine.side for machine in settings.machines]) != dominant[..., None]
    return np.take_along_axis(by_side, other[:, :, None, :].astype(np.int64), axis=3)


def stratum_levels(settings: TrialSettings, traits: ClientTraits, code: str) -> Integers:
    """Level of one stratifier for every client, shape (trials, clients)."""
    if code == "trainer":
        return traits.trainer
    index = next(i for i, factor in enumerate(settings.factors) if factor.code == code)
    return np.asarray(traits.levels[index], dtype=np.int64)


def _arms_of_trainers(settings: TrialSettings, traits: ClientTraits, rng: np.random.Generator) -> Integers:
    """Trainers shared out among the arms, by the ratio as nearly as their number allows."""
    ratio = settings.ratio if settings.within is None else 1
    pattern = np.repeat(np.arange(len(settings.drawn)), ratio)
    arms = np.resize(pattern, settings.trainers)
    of_trainer = rng.permuted(np.tile(arms, (len(traits.trainer), 1)), axis=1)
    return np.asarray(np.take_along_axis(of_trainer, traits.trainer, axis=1), dtype=np.int64)
