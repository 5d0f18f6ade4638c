"""Minimisation against a published worked example (R20)."""

from __future__ import annotations

from fractions import Fraction

import pytest

from studykit.allocation.minimisation import Minimisation

# Pocock SJ, Clinical Trials: A Practical Approach (1983), section on minimisation: 80 patients with
# advanced breast cancer, A and B (numbers from memory; every factor adds up to 40 and 40).
COUNTS = {
    ("status", "ambulatory"): (30, 31),
    ("status", "not ambulatory"): (10, 9),
    ("age", "under 50"): (18, 17),
    ("age", "50 and over"): (22, 23),
    ("interval", "under 2 years"): (31, 32),
    ("interval", "2 years and over"): (9, 8),
    ("lesion", "visceral"): (19, 21),
    ("lesion", "osseous"): (8, 7),
    ("lesion", "soft tissue"): (13, 12),
}
NEXT = {"status": "ambulatory", "age": "under 50", "interval": "2 years and over", "lesion": "visceral"}
FACTORS = ("status", "age", "interval", "lesion")


def test_the_example_adds_up():
    for factor in FACTORS:
        columns = zip(*(counts for (name, _), counts in COUNTS.items() if name == factor), strict=True)
        assert [sum(column) for column in columns] == [40, 40]


def test_marginal_totals_prefer_a():
    """R20: A has 30 + 18 + 9 + 19 = 76, B has 31 + 17 + 8 + 21 = 77; so A.

    Our totals count the client in thought, one more at each of four factors.
    """
    method = Minimisation(("A", "B"), factors=FACTORS, distance="total", preferred_probability=Fraction(3, 4))
    assert method.total_distances(COUNTS, NEXT) == (76 + 4, 77 + 4)
    assert method.next_probabilities(COUNTS, NEXT) == (Fraction(3, 4), Fraction(1, 4))


@pytest.mark.parametrize(
    ("distance", "expected", "preferred"),
    # Leads of A are -1, 1, 1, -2; with the client in A 0, 2, 2, -1 and in B -2, 0, 0, -3.
    [("range", (5, 5), None), ("variance", (0 + 4 + 4 + 1, 4 + 0 + 0 + 9), 0)],
)
def test_other_distances_by_hand(distance, expected, preferred):
    """Same table, by hand: the range ties and tosses a fair coin, the variance prefers A as the totals do."""
    method = Minimisation(("A", "B"), factors=FACTORS, distance=distance)
    assert method.total_distances(COUNTS, NEXT) == expected
    probabilities = method.next_probabilities(COUNTS, NEXT)
    assert probabilities == ((Fraction(1, 2),) * 2 if preferred is None else (Fraction(4, 5), Fraction(1, 5)))
