"""Simple randomisation and the biased coin."""

from fractions import Fraction

import numpy as np
import pytest

from studykit.allocation.coins import BiasedCoin, Simple
from studykit.allocation.method import AllocationMethod, fold
from studykit.errors import ArgumentError
from studykit.randomness import stream


def test_both_are_methods():
    assert isinstance(Simple(("a", "b")), AllocationMethod)
    assert isinstance(BiasedCoin(("a", "b")), AllocationMethod)


def test_a_simple_draw_knows_nothing_of_the_past():
    method = Simple(("a", "b", "c"), ratio=(1, 2, 1))
    assert fold(method, [({}, "a")] * 5) is None
    assert method.next_probabilities(None, {}) == (Fraction(1, 4), Fraction(1, 2), Fraction(1, 4))


def test_simulated_simple_draws_follow_the_ratio():
    """40,000 draws at 1/3: 4.5 standard deviations."""
    arms = Simple(("a", "b"), ratio=(1, 2)).simulate(np.zeros((1_000, 40, 0), dtype=int), stream(2, "simple"))
    assert abs((arms == 0).sum() - 40_000 / 3) < 4.5 * (40_000 * 2 / 9) ** 0.5


def test_the_coin_helps_whoever_is_behind_in_the_stratum():
    coin = BiasedCoin(("a", "b"), factors=("trainer",), behind_probability=Fraction(3, 4))
    state = fold(coin, [({"trainer": "T1"}, "b"), ({"trainer": "T1"}, "b")])
    assert coin.next_probabilities(state, {"trainer": "T1"}) == (Fraction(3, 4), Fraction(1, 4))
    assert coin.next_probabilities(state, {"trainer": "T2"}) == (Fraction(1, 2), Fraction(1, 2))


def test_clients_of_an_earlier_method_are_counted_or_passed_over():
    coin = BiasedCoin(("a", "b"), factors=("trainer",))
    state = fold(coin, [({"trainer": "T1", "sex": "f"}, "a"), ({"trainer": "T1"}, "c"), ({"sex": "f"}, "a")])
    assert state == {("T1",): 1}


def test_simulated_coins_keep_each_stratum_near_balance():
    coin = BiasedCoin(("a", "b"), factors=("x",))
    levels = stream(4, "levels").integers(2, size=(2_000, 60, 1))
    arms = coin.simulate(levels, stream(4, "coin"))
    signed = 1 - 2 * arms.astype(int)
    lead = np.abs(np.where(levels[:, :, 0] == 0, signed, 0).sum(axis=1))
    # E|D| tends to 4/3 for even and 5/3 for odd numbers (Efron 1971); simple draws would give about 4.4.
    assert 1.3 < lead.mean() < 1.7


@pytest.mark.parametrize(
    ("arms", "probability", "message"),
    [
        (("a", "b", "c"), Fraction(2, 3), r"two arms for a biased coin; found 3\. With more arms"),
        (("a", "b"), Fraction(1, 2), "more than 1/2 and less than 1; found 1/2"),
        (("a", "b"), Fraction(1), "more than 1/2 and less than 1; found 1"),
    ],
)
def test_odd_coins_are_refused(arms, probability, message):
    with pytest.raises(ArgumentError, match=message):
        BiasedCoin(arms, behind_probability=probability)
