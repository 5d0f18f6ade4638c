"""The past as the method in force sees it."""

from fractions import Fraction

from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.past import Past

TWO, FOUR = (PermutedBlocks(("a", "b"), block_sizes=(size,)) for size in (2, 4))


def test_it_folds_what_was_added():
    past = Past()
    past.add(TWO, {}, "a")
    assert TWO.next_probabilities(past.state(TWO), {}) == (0, 1)
    past.add(TWO, {}, "b")
    assert TWO.next_probabilities(past.state(TWO), {}) == (Fraction(1, 2), Fraction(1, 2))


def test_new_blocks_begin_when_the_method_changes():
    past = Past()
    past.add(TWO, {}, "a")
    assert past.state(FOUR) == {}
    past.add(FOUR, {}, "a")
    assert FOUR.next_probabilities(past.state(FOUR), {}) == (Fraction(1, 3), Fraction(2, 3))
    assert past.state(TWO) == {}, "going back to the first method begins afresh too"
    past.add(TWO, {}, "b")
    assert TWO.next_probabilities(past.state(TWO), {}) == (1, 0)
