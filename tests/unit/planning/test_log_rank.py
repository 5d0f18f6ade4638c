from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.planning.log_rank import departures_by_accrual, departures_needed, log_rank_power


def test_power_and_number_are_inverse() -> None:
    for ratio in (1.0, 2.0):
        number = departures_needed(0.6, ratio=ratio, power=0.9)
        assert log_rank_power(0.6, number, ratio=ratio) == pytest.approx(0.9, abs=1e-9)


def test_no_difference_is_refused() -> None:
    with pytest.raises(ArgumentError, match="that is not 1"):
        departures_needed(1.0)


def test_departures_with_recruitment_and_losses_by_simulation() -> None:
    """200,000 clients: Monte Carlo standard error of the share 0.0011; limit four of them."""
    rng = np.random.default_rng(11)
    entry = rng.uniform(0.0, 1.5, 200_000)
    leaves, lost = rng.exponential(1 / 0.6, 200_000), rng.exponential(1 / 0.2, 200_000)
    seen = (leaves <= 2.5 - entry) & (leaves <= lost)
    got = departures_by_accrual(0.6, 1.0, accrual=1.5, follow_up=1.0, lost=0.2)
    assert got == pytest.approx(float(seen.mean()), abs=0.0045)


def test_short_recruitment_is_the_plain_formula() -> None:
    got = departures_by_accrual(0.5, 100.0, accrual=1e-6, follow_up=2.0)
    assert got == pytest.approx(100.0 * -math.expm1(-1.0), rel=1e-5)
