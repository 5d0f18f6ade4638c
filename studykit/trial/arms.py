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
        settings.arms, ratio=settings.ratio, block_sizes=settings.block_sizes, factors=settings.strata
    )


def draw_arms(settings: TrialSettings, traits: ClientTraits, rng: np.random.Generator) -> Integers:
    """Arm of every client, shape (trials, clients); 0 is the reference arm.

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
    if settings.trainers_deliver == "one arm":
        return _arms_of_trainers(settings, traits, rng)
    levels = [stratum_levels(settings, traits, code) for code in settings.strata]
    empty = np.empty((*traits.trainer.shape, 0), dtype=np.int64)
    stacked = np.stack(levels, axis=-1) if levels else empty
    return allocation_method(settings).simulate(stacked, rng).astype(np.int64)


def stratum_levels(settings: TrialSettings, traits: ClientTraits, code: str) -> Integers:
    """Level of one stratifier for every client, shape (trials, clients)."""
    if code == "trainer":
        return traits.trainer
    index = next(i for i, factor in enumerate(settings.factors) if factor.code == code)
    return np.asarray(traits.levels[index], dtype=np.int64)


def _arms_of_trainers(settings: TrialSettings, traits: ClientTraits, rng: np.random.Generator) -> Integers:
    """Trainers shared out among the arms, by the ratio as nearly as their number allows."""
    pattern = np.repeat(np.arange(len(settings.arms)), settings.ratio)
    arms = np.resize(pattern, settings.trainers)
    of_trainer = rng.permuted(np.tile(arms, (len(traits.trainer), 1)), axis=1)
    return np.asarray(np.take_along_axis(of_trainer, traits.trainer, axis=1), dtype=np.int64)
