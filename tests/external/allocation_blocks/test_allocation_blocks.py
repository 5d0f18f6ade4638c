"""Permuted blocks against published combinatorics and predictability (R01 to R05)."""

from __future__ import annotations

import math
from collections import defaultdict
from fractions import Fraction

import numpy as np
import pytest

from studykit.allocation.blocks import PermutedBlocks
from studykit.randomness import stream


def walk(method, clients):
    """Every state that can be reached, with its probability, one dictionary per number of clients."""
    level = {(): (Fraction(1), 1, method.start())}
    levels = [level]
    for _ in range(clients):
        following: dict = defaultdict(lambda: (Fraction(0), 0, None))
        for share, ways, state in level.values():
            for arm, step in enumerate(method.next_probabilities(state, {})):
                if step:
                    after = method.after(state, {}, method.arms[arm])
                    key = tuple(sorted(after[()].items()))
                    known, known_ways, _ = following[key]
                    following[key] = (known + share * step, known_ways + ways, after)
        level = dict(following)
        levels.append(level)
    return levels


@pytest.mark.parametrize(("size", "number"), [(4, 6), (6, 20), (8, 70), (10, 252), (20, 184_756)])
def test_allocations_in_a_balanced_block(size, number):
    """R01: combinatorics; six for a block of four stands in Altman & Bland, BMJ Statistics Notes 1999."""
    method = PermutedBlocks(("a", "b"), block_sizes=(size,))
    assert sum(ways for _, ways, _ in walk(method, size)[-1].values()) == number


def test_three_arms_in_a_block_of_six():
    """R02: multinomial coefficient 6!/(2! 2! 2!), derived; every one of the 90 has probability 1/90."""
    method = PermutedBlocks(("a", "b", "c"), block_sizes=(6,))
    runs = {(): (Fraction(1), method.start())}
    for _ in range(6):
        runs = {
            (*run, arm): (share * step, method.after(state, {}, method.arms[arm]))
            for run, (share, state) in runs.items()
            for arm, step in enumerate(method.next_probabilities(state, {}))
            if step
        }
    assert len(runs) == 90
    assert {share for share, _ in runs.values()} == {Fraction(1, 90)}


@pytest.mark.parametrize(("size", "expected"), [(2, 1.5), (4, 2.83333), (6, 4.1), (8, 5.32857)])
def test_expected_correct_guesses_within_a_block(size, expected):
    """R03: m + 2^(2m-1)/C(2m, m) - 1/2 for a block of 2m, Blackwell & Hodges 1957 (formula from memory)."""
    method = PermutedBlocks(("a", "b"), block_sizes=(size,))
    guessed = sum(
        share * max(method.next_probabilities(state, {}))
        for level in walk(method, size)[:-1]
        for share, _, state in level.values()
    )
    half = size // 2
    assert guessed == half + Fraction(2 ** (size - 1), math.comb(size, half)) - Fraction(1, 2)
    assert float(guessed) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize(("size", "share"), [(2, "1/2"), (4, "1/3"), (6, "1/4"), (8, "1/5")])
def test_share_of_certain_assignments(size, share):
    """R04: 1/(m+1) for a block of 2m, Matts & Lachin 1988 (from memory, checked by enumeration)."""
    method = PermutedBlocks(("a", "b"), block_sizes=(size,))
    certain = sum(
        weight
        for level in walk(method, size)[:-1]
        for weight, _, state in level.values()
        if max(method.next_probabilities(state, {})) == 1
    )
    assert certain / size == Fraction(share)


@pytest.mark.parametrize("size", [2, 4, 6, 8, 10])
def test_largest_imbalance_inside_a_list(size):
    """R05: at most half the block, Altman & Bland 1999; and it is reached."""
    method = PermutedBlocks(("a", "b"), block_sizes=(size,))
    arms = method.simulate(np.zeros((2_000, 40, 0), dtype=int), stream(11, "imbalance", size))
    ahead = np.abs(np.cumsum(2 * arms.astype(int) - 1, axis=1))
    assert ahead.max() <= size / 2
    if size <= 6:
        assert ahead.max() == size / 2
