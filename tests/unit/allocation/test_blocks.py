"""Permuted blocks: settings, certain ends, and the fast way for simulations."""

from collections import Counter
from fractions import Fraction

import numpy as np
import pytest

from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.method import fold
from studykit.errors import ArgumentError
from studykit.randomness import stream

HALF = Fraction(1, 2)


def after(method, arms):
    return fold(method, [({}, arm) for arm in arms])


def test_defaults_are_once_and_twice_the_ratio_sum():
    assert PermutedBlocks(("a", "b")).block_sizes == (2, 4)
    assert PermutedBlocks(("a", "b", "c"), ratio=(2, 1, 1)).block_sizes == (4, 8)


@pytest.mark.parametrize(
    ("arms", "settings", "message"),
    [
        (("a",), {}, "at least two arms"),
        (("a", "a"), {}, "at least two arms with different codes"),
        (("a", "b"), {"ratio": (1,)}, "a whole number from 1 for each of the 2 arms"),
        (("a", "b"), {"ratio": (0, 1)}, "a whole number from 1"),
        (
            ("a", "b"),
            {"ratio": (2, 1), "block_sizes": (4,)},
            "multiples of 3, the sum of the ratio 2:1; found 4",
        ),
        (("a", "b"), {"block_sizes": (0,)}, "multiples of 2"),
    ],
)
def test_settings_that_do_not_fit_are_refused(arms, settings, message):
    with pytest.raises(ArgumentError, match=message):
        PermutedBlocks(arms, **settings)


def test_a_full_imbalance_makes_the_rest_certain():
    method = PermutedBlocks(("a", "b"), block_sizes=(4,))
    assert method.next_probabilities(after(method, "aa"), {}) == (0, 1)
    assert method.next_probabilities(after(method, "aab"), {}) == (0, 1)
    assert method.next_probabilities(after(method, "aabb"), {}) == (HALF, HALF)


def test_the_end_of_a_block_stays_open():
    """After a b, the block of 2 is over or the block of 4 is half done: balanced either way."""
    method = PermutedBlocks(("a", "b"))
    assert method.next_probabilities(after(method, "ab"), {}) == (HALF, HALF)
    # One factor each for the first block's size, its arms, the second block's size and its first arm.
    belief = after(method, "aba")[()]
    by_hand = {
        (2, (1, 0)): Fraction(1, 2) * Fraction(1, 2) * Fraction(1, 2) * Fraction(1, 2),
        (4, (1, 0)): Fraction(1, 2) * Fraction(1, 2) * Fraction(1, 2) * Fraction(1, 2),
        (4, (2, 1)): Fraction(1, 2) * Fraction(1, 2) * Fraction(2, 3) * Fraction(1, 2),
    }
    total = sum(by_hand.values())
    assert dict(belief) == {hidden: weight / total for hidden, weight in by_hand.items()}


def test_strata_do_not_touch_each_other():
    method = PermutedBlocks(("a", "b"), block_sizes=(2,), factors=("trainer",))
    state = method.after(method.start(), {"trainer": "T1"}, "a")
    assert method.next_probabilities(state, {"trainer": "T1"}) == (0, 1)
    assert method.next_probabilities(state, {"trainer": "T2"}) == (HALF, HALF)


def test_a_state_is_never_changed():
    method = PermutedBlocks(("a", "b"))
    before = after(method, "a")
    kept = dict(before[()])
    method.after(before, {}, "b")
    assert dict(before[()]) == kept


def test_arms_that_cannot_have_come_are_refused():
    method = PermutedBlocks(("a", "b"), block_sizes=(2,))
    with pytest.raises(ArgumentError, match="a sequence that permuted blocks can give; found a where"):
        after(method, "aa")
    with pytest.raises(ArgumentError, match="arm: expected one of a, b; found 'c'"):
        after(method, "c")


@pytest.mark.parametrize("ratio", [(1, 1), (2, 1), (1, 1, 1)])
def test_simulated_strata_are_made_of_whole_blocks(ratio):
    """Within each stratum every prefix is possible under the exact rule (it would be refused if not)."""
    method = PermutedBlocks(tuple("abc"[: len(ratio)]), ratio=ratio, factors=("x",))
    rng = stream(3, "blocks")
    levels = rng.integers(3, size=(20, 40, 1))
    arms = method.simulate(levels, rng)
    for trial in range(20):
        past = [
            ({"x": str(level)}, method.arms[arm])
            for level, arm in zip(levels[trial, :, 0], arms[trial], strict=True)
        ]
        assert fold(method, past)


def test_simulation_and_exact_rule_agree_in_distribution():
    """20,000 simulated runs of 5 clients against the exact probability of each run, 4.5 standard errors."""
    method = PermutedBlocks(("a", "b"))
    simulated = method.simulate(np.zeros((20_000, 5, 0), dtype=int), stream(7, "blocks"))
    counts = Counter(map(tuple, simulated.tolist()))
    total = Fraction(0)
    for number in range(32):
        run = tuple(int(bit) for bit in f"{number:05b}")
        share = probability(method, run)
        total += share
        expected = 20_000 * float(share)
        spread = (20_000 * float(share * (1 - share))) ** 0.5
        assert abs(counts[run] - expected) <= 4.5 * spread
    assert total == 1


def probability(method, run):
    share, state = Fraction(1), method.start()
    for arm in run:
        step = method.next_probabilities(state, {})[arm]
        if step == 0:
            return Fraction(0)
        share *= step
        state = method.after(state, {}, method.arms[arm])
    return share


def test_simulation_goes_through_all_trials_at_once(calls):
    """A hundred times the trials are the same few calls on larger arrays: nothing is done trial by trial."""
    method = PermutedBlocks(("a", "b"), factors=("trainer",))
    rng = stream(5, "speed")
    few, many = (rng.integers(6, size=(trials, 60, 1)) for trials in (10, 1_000))
    assert calls(lambda: method.simulate(many, rng)) == calls(lambda: method.simulate(few, rng))
