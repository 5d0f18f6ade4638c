"""The past as the method in force sees it."""

from fractions import Fraction

from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.coins import BiasedCoin
from studykit.allocation.entries import canonical
from studykit.allocation.past import Past

TWO, FOUR = (PermutedBlocks(("a", "b"), block_sizes=(size,)) for size in (2, 4))
COIN = BiasedCoin(("a", "b"))
TEXTS = {method: canonical(method.describe()) for method in (TWO, FOUR, COIN)}
HALF = Fraction(1, 2)


def test_it_folds_what_was_added():
    past = Past()
    past.add({}, "a", TEXTS[TWO])
    assert TWO.next_probabilities(past.state(TWO, TEXTS[TWO]), {}) == (0, 1)
    past.add({}, "b", TEXTS[TWO])
    assert TWO.next_probabilities(past.state(TWO, TEXTS[TWO]), {}) == (HALF, HALF)


def test_new_blocks_begin_when_the_method_changes():
    past = Past()
    past.add({}, "a", TEXTS[TWO])
    assert past.state(FOUR, TEXTS[FOUR]) == {}
    past.add({}, "a", TEXTS[FOUR])
    assert FOUR.next_probabilities(past.state(FOUR, TEXTS[FOUR]), {}) == (Fraction(1, 3), Fraction(2, 3))
    assert past.state(TWO, TEXTS[TWO]) == {}, "going back to the first method begins afresh too"
    past.add({}, "b", TEXTS[TWO])
    assert TWO.next_probabilities(past.state(TWO, TEXTS[TWO]), {}) == (1, 0)


def test_a_coin_counts_everybody():
    past = Past()
    past.add({}, "a", TEXTS[TWO])
    assert COIN.next_probabilities(past.state(COIN, TEXTS[COIN]), {}) == (Fraction(1, 3), Fraction(2, 3))


def test_a_longer_past_leaves_the_shorter_one():
    past = Past()
    longer = past.with_one_more({}, "a", TEXTS[TWO])
    assert TWO.next_probabilities(past.state(TWO, TEXTS[TWO]), {}) == (HALF, HALF)
    assert TWO.next_probabilities(longer.state(TWO, TEXTS[TWO]), {}) == (0, 1)
