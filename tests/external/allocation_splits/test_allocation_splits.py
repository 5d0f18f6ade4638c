"""Constrained splits of clusters against published counts and properties (R40, R41, F08)."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.allocation.bits import RecordedBits
from studykit.allocation.splits import SplitPlan, find_candidates, number_of_partitions

ENTROPY = "07" * 32


def test_balanced_splits_of_twenty_six_schools():
    """R40: C(26, 13) = 10,400,600 splits, Raab & Butcher 2001 (memory); a partition is two of them."""
    assert 2 * number_of_partitions(26, 2) == 10_400_600


@pytest.mark.parametrize("units", [5, 6, 7, 8, 9])
@pytest.mark.parametrize("arms", [("a", "b"), ("a", "b", "c")])
def test_the_kept_set_is_symmetric(units, arms):
    """R41: with every kept split, the split with exchanged arms is kept (Moulton 2004; Li and others 2016).

    So every unit has every arm in the same share of the kept splits.
    """
    if units < 2 * len(arms):
        units = 2 * len(arms)
    facts = {
        f"T{place}": {"x": float((place * 37) % 11), "y": float((place * 17) % 5)} for place in range(units)
    }
    plan = SplitPlan(arms, covariates=("x", "y"), kept_at_least=1)
    splits = find_candidates(facts, plan, bits=RecordedBits(ENTROPY)).all_splits()
    kept = {tuple(row) for row in splits.tolist()}
    assert len(kept) == len(splits)
    exchanged = {tuple({0: 1, 1: 0}.get(arm, arm) for arm in row) for row in kept}
    assert exchanged == kept
    for arm in range(len(arms)):
        assert np.all((splits == arm).sum(axis=0) == len(splits) // len(arms))


@pytest.mark.parametrize(("units", "smallest"), [(4, 1 / 3), (6, 0.10), (8, 1 / 35)])
def test_smallest_attainable_p_value(units, smallest):
    """F08: 2 against 2 gives .33, 3 against 3 .10, 4 against 4 .029 (arithmetic)."""
    found = find_candidates(
        {f"T{place}": {} for place in range(units)}, SplitPlan(("a", "b")), bits=RecordedBits(ENTROPY)
    )
    assert found.smallest_p_value == pytest.approx(smallest)
    assert any(f"below {smallest:.3f}" in str(finding) for finding in found.findings()) == (units < 8)
