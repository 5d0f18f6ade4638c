"""The exact list of a minimisation worked out with pencil and paper: why its smallest p can be large."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from studykit.allocation.ledger import Ledger
from studykit.allocation.minimisation import Minimisation
from studykit.allocation.refusals import REQUIRED_FACTS
from studykit.allocation.replay import enumerate_replays
from studykit.outcomes.rerandomisation import RedrawnArms, regression_products

# Two arms, nothing balanced but the numbers in the arms, the arm behind has 4/5. Four clients:
# the first is 1/2; after one, the other arm has 4/5; when even, 1/2 again.
BY_HAND = {
    "ABAB": Fraction(1, 2) * Fraction(4, 5) * Fraction(1, 2) * Fraction(4, 5),
    "ABBA": Fraction(1, 2) * Fraction(4, 5) * Fraction(1, 2) * Fraction(4, 5),
    "AABB": Fraction(1, 2) * Fraction(1, 5) * Fraction(4, 5) * Fraction(4, 5),
    "ABAA": Fraction(1, 2) * Fraction(4, 5) * Fraction(1, 2) * Fraction(1, 5),
    "ABBB": Fraction(1, 2) * Fraction(4, 5) * Fraction(1, 2) * Fraction(1, 5),
    "AABA": Fraction(1, 2) * Fraction(1, 5) * Fraction(4, 5) * Fraction(1, 5),
    "AAAB": Fraction(1, 2) * Fraction(1, 5) * Fraction(1, 5) * Fraction(4, 5),
    "AAAA": Fraction(1, 2) * Fraction(1, 5) * Fraction(1, 5) * Fraction(1, 5),
}
MIRROR = str.maketrans("AB", "BA")


@pytest.fixture
def listed(tmp_path: Path) -> tuple[list[str], np.ndarray, RedrawnArms]:
    """Sequences, their chances, and the reference set, from a ledger of four clients."""
    method = Minimisation(("A", "B"), factors=(), overall=1, preferred_probability=Fraction(4, 5))
    ledger = Ledger.create(tmp_path / "ledger.db", by="OW")
    ledger.lock(protocol="p", protocol_hash="h", versions={}, by="OW", method=method)
    for number in range(4):
        facts = dict.fromkeys(REQUIRED_FACTS, True)
        ledger.allocate(f"C{number}", stratum={}, facts=facts, method=method, by="OW")
    replayed = enumerate_replays(ledger.allocations())
    assert replayed is not None
    assert replayed.probability is not None
    names = ["".join(replayed.arms[arm] for arm in row) for row in replayed.drawn]
    return names, replayed.probability, RedrawnArms(replayed.drawn, replayed.probability)


def test_every_sequence_has_the_chance_worked_out_by_hand(listed: tuple) -> None:
    """R38: the list is whole, and its chances are those of the rule."""
    names, chances, _ = listed
    assert sum(BY_HAND.values()) == Fraction(1, 2)
    whole = BY_HAND | {name.translate(MIRROR): chance for name, chance in BY_HAND.items()}
    assert dict(zip(names, chances, strict=True)) == pytest.approx(
        {name: float(chance) for name, chance in whole.items()}
    )


@pytest.mark.parametrize(
    ("scores", "sequence"), [((1.0, 2.0, 3.0, 4.0), "AABB"), ((1.0, 3.5, 2.0, 4.0), "ABAB")]
)
def test_the_smallest_p_is_the_chance_of_the_most_extreme_sequence(
    listed: tuple, scores: tuple[float, ...], sequence: str
) -> None:
    """It hangs on the scores: a likely sequence that is also the most extreme keeps p large.

    With 1, 2, 3, 4 the most extreme sequences are AABB and BBAA, 0.064 each; with every second score high
    they are ABAB and BABA, 0.16 each. All clients in one arm have no difference: these two (0.004 each) count
    as extreme, so that p is never too small. Sixteen sequences do not mean that p can be 2/16.
    """
    names, chances, drawn = listed
    arms = np.vstack([drawn.arms[names.index(sequence)], drawn.arms])
    products = regression_products(np.array(scores), np.ones((4, 1)), arms, number_of_arms=2, compared=1)
    values = products.t(0.0)
    alone = sum(chance for name, chance in zip(names, chances, strict=True) if len(set(name)) == 1)
    by_hand = 2 * float(BY_HAND[sequence]) + alone
    assert alone == pytest.approx(0.008)
    assert drawn.smallest_p_value(values[1:]) == pytest.approx(by_hand)
    assert drawn.p_value(values[1:], float(values[0])) == pytest.approx(by_hand)
