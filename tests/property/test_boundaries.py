"""Boundaries of looks: whatever the times, the error is spent to the last part and never overdrawn."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studykit.outcomes.boundaries import alpha_spent, first_crossings, spending_boundaries
from studykit.planning.interim import cost_of_looks

FRACTIONS = st.lists(st.integers(5, 95), min_size=1, max_size=4, unique=True).map(
    lambda shares: [*(share / 100.0 for share in sorted(shares)), 1.0]
)
SPENDING = st.sampled_from(["obrien-fleming", "pocock", "power"])


@settings(max_examples=40, deadline=None)
@given(FRACTIONS, SPENDING, st.sampled_from([1, 2]), st.floats(0.01, 0.2), st.floats(0.5, 5.0))
def test_the_error_is_what_was_spent(
    fractions: list[float], spending: Any, sides: Any, alpha: float, exponent: float
) -> None:
    looks = spending_boundaries(fractions, alpha=alpha, sides=sides, spending=spending, exponent=exponent)
    found = first_crossings([look.critical for look in looks], fractions, sides=sides)
    assert found.total == pytest.approx(alpha, abs=1e-9)
    spent = [look.spent for look in looks]
    assert spent == sorted(spent)
    assert spent[-1] == pytest.approx(alpha)
    assert all(look.level <= alpha + 1e-12 for look in looks)
    for look in looks:
        assert look.spent == alpha_spent(
            look.fraction, alpha=alpha, sides=sides, spending=spending, exponent=exponent
        )


@settings(max_examples=25, deadline=None)
@given(FRACTIONS, SPENDING, st.floats(0.5, 0.95))
def test_looks_cost_clients_and_may_save_time(fractions: list[float], spending: Any, power: float) -> None:
    boundaries = spending_boundaries(fractions, spending=spending)
    cost = cost_of_looks(boundaries, power=power)
    assert cost.inflation >= 1.0 - 1e-6
    assert fractions[0] <= cost.share_if_assumed <= cost.share_if_none + 1e-12 <= 1.0 + 1e-9


@settings(max_examples=25, deadline=None)
@given(FRACTIONS, st.floats(0.0, 4.0))
def test_up_and_down_are_mirror_images(fractions: list[float], drift: float) -> None:
    criticals = [look.critical for look in spending_boundaries(fractions)]
    up, down = (first_crossings(criticals, fractions, drift=sign * drift) for sign in (1.0, -1.0))
    assert up.upper == pytest.approx(down.lower, abs=1e-12)
    assert up.total <= 1.0 + 1e-9
