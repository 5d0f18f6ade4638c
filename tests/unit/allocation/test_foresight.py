"""Balance and predictability before the first client."""

import numpy as np
import pytest

from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.coins import BiasedCoin, Simple
from studykit.allocation.foresight import foresee
from studykit.allocation.minimisation import Minimisation
from studykit.errors import ArgumentError
from studykit.randomness import stream

NO_FACTORS = np.zeros((4_000, 20, 0), dtype=int)


def seen(method, levels=NO_FACTORS, **settings):
    return foresee(method, levels, rng=stream(9, "foresee"), **settings)


def test_simple_randomisation():
    """R06: E|n_A - n_B| = 3.523941 at 20 clients, so half of that from an even split; 4.5 standard errors."""
    result = seen(Simple(("a", "b")))
    assert result.mean_imbalance == pytest.approx(3.523941 / 2, abs=4.5 * 1.35 / 4_000**0.5)
    assert (result.certain_share, result.correct_guess_share, result.chance_share) == (0.0, 0.5, 0.5)
    assert (result.clients, result.trials) == (20, 4_000)


def test_the_biased_coin():
    """R08, R12: balance at 20 clients .508; guesses .625 in the long run, a little less at the start."""
    result = seen(BiasedCoin(("a", "b")), guessed_trials=400)
    assert result.certain_share == 0.0
    assert result.correct_guess_share == pytest.approx(0.62, abs=0.01)
    assert result.mean_imbalance < 1.0


def test_blocks_of_four():
    """R03, R04: a third is certain; 2.83333 of 4 guesses are right."""
    result = seen(PermutedBlocks(("a", "b"), block_sizes=(4,)), guessed_trials=1_000)
    # Standard deviation per block about 0.6 certain draws and 0.4 guesses; 5,000 blocks; 4.5 standard errors.
    assert result.certain_share == pytest.approx(1 / 3, abs=4.5 * 0.6 / 4 / 5_000**0.5)
    assert result.correct_guess_share == pytest.approx(2.83333 / 4, abs=4.5 * 0.4 / 4 / 5_000**0.5)
    assert result.mean_imbalance == 0.0


def test_blocks_of_random_size_are_harder_to_foresee_than_blocks_of_two():
    mixed, two = (seen(PermutedBlocks(("a", "b"), block_sizes=sizes)) for sizes in ((2, 4), (2,)))
    assert mixed.certain_share < two.certain_share
    assert mixed.correct_guess_share < two.correct_guess_share


def test_unequal_arms():
    result = seen(
        PermutedBlocks(("a", "b"), ratio=(2, 1), block_sizes=(3,)), np.zeros((300, 21, 0), dtype=int)
    )
    assert result.chance_share == pytest.approx(2 / 3)
    assert result.mean_imbalance == 0.0


def test_many_strata_undo_blocks_and_not_minimisation():
    """The reason for minimisation: 24 clients over 16 strata."""
    levels = stream(9, "levels").integers(2, size=(1_000, 24, 4))
    names = ("p", "q", "r", "s")
    blocks = seen(PermutedBlocks(("a", "b"), factors=names), levels, guessed_trials=5)
    minimised = seen(Minimisation(("a", "b"), factors=names), levels, guessed_trials=5)
    assert [factor for factor, _ in minimised.imbalance_by_factor] == list(names)
    for (_, loose), (_, tight) in zip(blocks.imbalance_by_factor, minimised.imbalance_by_factor, strict=True):
        assert tight < loose


@pytest.mark.parametrize("shape", [(10, 20), (10, 20, 1), (10, 0, 0), (0, 20, 0)])
def test_levels_must_fit(shape):
    with pytest.raises(ArgumentError, match=r"levels: expected shape \(trials, clients, 0\)"):
        seen(Simple(("a", "b")), np.zeros(shape, dtype=int))
