"""Minimisation: distances, ties, the random element, refusals, and the fast way for simulations."""

from fractions import Fraction

import numpy as np
import pytest

from studykit.allocation.method import AllocationMethod, fold
from studykit.allocation.minimisation import Minimisation
from studykit.errors import ArgumentError, DesignError
from studykit.randomness import stream

TWO = ("a", "b")
PAST = [
    ({"sex": "f", "age": "young"}, "a"),
    ({"sex": "f", "age": "old"}, "a"),
    ({"sex": "m", "age": "young"}, "b"),
]


def test_it_is_a_method():
    assert isinstance(Minimisation(TWO, factors=("sex",)), AllocationMethod)


@pytest.mark.parametrize(
    ("distance", "expected"),
    # Next: f, young. Sex f has 2/0, age young 1/1. To a: 3/0 and 2/1; to b: 2/1 and 1/2.
    [("range", (3 + 1, 1 + 1)), ("variance", (9 + 1, 1 + 1)), ("total", (3 + 2, 1 + 2))],
)
def test_distances_by_hand(distance, expected):
    method = Minimisation(TWO, factors=("sex", "age"), distance=distance)
    assert method.total_distances(fold(method, PAST), {"sex": "f", "age": "young"}) == expected


def test_weights_and_the_whole_study_count():
    method = Minimisation(TWO, factors=("sex", "age"), weights=(1, 10), overall=3)
    # Next: m, old. m 0/1, old 1/0, whole 2/1. To a: 0, 2, 2; to b: 2, 0, 0.
    assert method.total_distances(fold(method, PAST), {"sex": "m", "age": "old"}) == (0 + 20 + 6, 2 + 0 + 0)


def test_ties_share_and_the_rest_is_split():
    method = Minimisation(("a", "b", "c"), factors=("sex",), preferred_probability=Fraction(7, 10))
    empty = method.start()
    assert method.next_probabilities(empty, {"sex": "f"}) == (Fraction(1, 3),) * 3
    after_a = method.after(empty, {"sex": "f"}, "a")
    # b and c are equally good: half of 7/10 and half of 3/20 each.
    tied = Fraction(1, 2) * Fraction(7, 10) + Fraction(1, 2) * Fraction(3, 20)
    assert method.next_probabilities(after_a, {"sex": "f"}) == (Fraction(3, 20), tied, tied)
    one_left = method.after(after_a, {"sex": "f"}, "b")
    assert method.next_probabilities(one_left, {"sex": "f"}) == (
        Fraction(3, 20),
        Fraction(3, 20),
        Fraction(7, 10),
    )


def test_clients_of_an_earlier_method_are_counted_or_passed_over():
    method = Minimisation(TWO, factors=("sex",))
    state = fold(
        method, [({"sex": "f", "trainer": "T1"}, "a"), ({"trainer": "T1"}, "b"), ({"sex": "f"}, "z")]
    )
    assert state == {("sex", "f"): (1, 0), ("", ""): (1, 1)}


@pytest.mark.parametrize(
    ("settings", "error", "message"),
    [
        ({"ratio": (2, 1)}, DesignError, r"equal arms; found the ratio 2:1\. .*use permuted blocks"),
        ({"weights": (1,)}, ArgumentError, "a whole number from 1 for each of the 2 factors"),
        ({"weights": (0, 1)}, ArgumentError, "a whole number from 1"),
        ({"overall": -1}, ArgumentError, "overall from 0"),
        ({"factors": ()}, ArgumentError, "at least one factor"),
        ({"distance": "far"}, ArgumentError, "distance: expected one of range, variance, total; found 'far'"),
        (
            {"preferred_probability": Fraction(1)},
            ArgumentError,
            "less than 1; found 1. Without a random element",
        ),
        ({"preferred_probability": Fraction(1, 2)}, ArgumentError, "more than 1/2"),
    ],
)
def test_settings_that_do_not_fit_are_refused(settings, error, message):
    with pytest.raises(error, match=message):
        Minimisation(TWO, **{"factors": ("sex", "age"), **settings})


@pytest.mark.parametrize("distance", ["range", "variance", "total"])
@pytest.mark.parametrize("arms", [("a", "b"), ("a", "b", "c")])
def test_simulation_follows_the_exact_rule(distance, arms):
    """Draws of 4,000 runs, scored against the exact probabilities of the slow rule.

    The sum over draws of (1 if the first arm came, else 0) less its exact probability has mean 0 and a
    variance that is the sum of p(1 - p); the limit is 4.5 standard deviations, by size of p.
    """
    method = Minimisation(arms, factors=("x", "y"), weights=(2, 1), overall=1, distance=distance)
    rng = stream(6, "minimisation", distance, len(arms))
    levels = rng.integers(2, size=(400, 10, 2))
    drawn = method.simulate(levels, rng)
    score: dict[Fraction, list[float]] = {}
    for trial in range(400):
        state = method.start()
        for client in range(10):
            stratum = {"x": str(levels[trial, client, 0]), "y": str(levels[trial, client, 1])}
            for place, share in enumerate(method.next_probabilities(state, stratum)):
                sums = score.setdefault(share, [0.0, 0.0])
                sums[0] += (drawn[trial, client] == place) - float(share)
                sums[1] += float(share * (1 - share))
            state = method.after(state, stratum, arms[drawn[trial, client]])
    assert len(score) >= 3
    assert all(abs(total) < 4.5 * variance**0.5 for total, variance in score.values())


def test_every_margin_is_kept_near_balance():
    """Four factors, 40 clients: simple draws would leave 4 to 5 clients between the arms at a level of 20."""
    method = Minimisation(TWO, factors=("p", "q", "r", "s"))
    levels = stream(8, "margins").integers(2, size=(500, 40, 4))
    arms = method.simulate(levels, stream(8, "arms"))
    signed = 1 - 2 * arms.astype(int)
    margins = np.abs((signed[:, :, None] * (levels == 0)).sum(axis=1))
    assert margins.mean() < 2.0
