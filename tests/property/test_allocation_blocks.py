"""Permuted blocks drawn lazily, against blocks drawn whole, and the balance they promise."""

from __future__ import annotations

from collections import defaultdict
from fractions import Fraction
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from studykit.allocation.bits import RecordedBits
from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.method import draw


def drawn_whole(method: PermutedBlocks, clients: int) -> dict[tuple[int, ...], Fraction]:
    """Probability of every run of arms when whole blocks are drawn: plain enumeration, no Bayes' rule."""
    runs: dict[tuple[int, ...], Fraction] = defaultdict(Fraction)
    arrangements = {}
    for size in method.block_sizes:
        rounds = size // sum(method.ratio)
        pattern = [arm for arm, part in enumerate(method.ratio) for _ in range(part * rounds)]
        arrangements[size] = sorted(set(permutations(pattern)))

    def extend(run: tuple[int, ...], share: Fraction) -> None:
        if len(run) >= clients:
            runs[run[:clients]] += share
            return
        for size in method.block_sizes:
            for arrangement in arrangements[size]:
                extend(run + arrangement, share / len(method.block_sizes) / len(arrangements[size]))

    extend((), Fraction(1))
    return runs


def drawn_lazily(method: PermutedBlocks, clients: int) -> dict[tuple[int, ...], Fraction]:
    """The same by the rule in the code: the product of the probabilities of the single draws."""
    runs = {(): (Fraction(1), method.start())}
    for _ in range(clients):
        longer = {}
        for run, (share, state) in runs.items():
            for arm, step in enumerate(method.next_probabilities(state, {})):
                if step:
                    longer[(*run, arm)] = (share * step, method.after(state, {}, method.arms[arm]))
        runs = longer
    return {run: share for run, (share, _) in runs.items()}


@pytest.mark.parametrize(
    ("arms", "ratio", "sizes", "clients"),
    [
        ("ab", (1, 1), (2, 4), 7),
        ("ab", (1, 1), (4, 6), 8),
        ("ab", (1, 1), (2, 4, 6), 7),
        ("ab", (2, 1), (3, 6), 7),
        ("abc", (1, 1, 1), (3, 6), 6),
        ("ab", (3, 2), (5,), 8),
    ],
)
def test_lazy_blocks_have_exactly_the_distribution_of_whole_blocks(arms, ratio, sizes, clients):
    """Every run of arms, equal as fractions: the proof by enumeration."""
    method = PermutedBlocks(tuple(arms), ratio=ratio, block_sizes=sizes)
    lazily = drawn_lazily(method, clients)
    assert sum(lazily.values()) == 1
    assert lazily == drawn_whole(method, clients)


METHODS = st.sampled_from(
    [
        PermutedBlocks(("a", "b")),
        PermutedBlocks(("a", "b"), block_sizes=(4, 6, 8)),
        PermutedBlocks(("a", "b", "c"), ratio=(2, 1, 1)),
        PermutedBlocks(("a", "b"), ratio=(3, 2), block_sizes=(5, 10)),
    ]
)


@given(METHODS, st.integers(0, 2**256 - 1), st.integers(1, 30))
def test_no_stratum_is_ever_further_from_the_ratio_than_a_block_allows(method, number, clients):
    """Any prefix: |clients in arm - ratio share| is at most what the largest block can hold of one arm."""
    state = method.start()
    bits = RecordedBits(f"{number:064x}")
    counts = np.zeros(len(method.arms))
    ratio = np.array(method.ratio) / sum(method.ratio)
    largest = max(method.block_sizes)
    for _ in range(clients):
        made = draw(method, state, stratum={}, bits=bits)
        assert sum(made.probabilities) == 1
        assert min(made.probabilities) >= 0
        state = method.after(state, {}, made.arm)
        counts[method.arms.index(made.arm)] += 1
        # Within a block an arm runs ahead by at most its own number of places there, less its share of them.
        bound = largest * ratio * (1 - ratio)
        assert np.all(np.abs(counts - counts.sum() * ratio) <= bound + 1e-9)


@given(METHODS, st.lists(st.integers(0, 2**256 - 1), min_size=1, max_size=12))
def test_every_draw_can_be_repeated(method, numbers):
    """The same past and the same entropy give the same arm, in any process and for ever."""
    first, second = method.start(), method.start()
    for number in numbers:
        made = draw(method, first, stratum={}, bits=RecordedBits(f"{number:064x}"))
        again = draw(method, second, stratum={}, bits=RecordedBits(f"{number:064x}"))
        assert made == again
        first, second = method.after(first, {}, made.arm), method.after(second, {}, again.arm)
