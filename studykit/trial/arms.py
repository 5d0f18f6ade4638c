"""Second stage: arms by the method of allocation itself, for many trials at once."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.method import AllocationMethod
from studykit.trial.clients import ClientTraits
from studykit.trial.settings import TrialSettings

Integers = NDArray[np.int64]


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
