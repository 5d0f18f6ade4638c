from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.planning.log_rank_power import (
    clients_for_log_rank,
    departures_by_accrual,
    departures_needed,
    log_rank_power,
)


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


@pytest.mark.parametrize(
    ("hazard", "accrual", "follow_up", "lost"),
    [(0.0, 1.0, 1.0, 0.0), (0.5, 0.0, 1.0, 0.0), (0.5, 1.0, -0.1, 0.0), (0.5, 1.0, 1.0, -0.1)],
)
def test_a_study_without_time_or_hazard_is_refused(hazard, accrual, follow_up, lost) -> None:
    with pytest.raises(ArgumentError, match="a hazard and a length of recruitment above 0"):
        departures_by_accrual(hazard, 100.0, accrual=accrual, follow_up=follow_up, lost=lost)


def test_short_recruitment_is_the_plain_formula() -> None:
    got = departures_by_accrual(0.5, 100.0, accrual=1e-6, follow_up=2.0)
    assert got == pytest.approx(100.0 * -math.expm1(-1.0), rel=1e-5)


def test_clients_by_a_calendar_date_bring_the_departures_needed() -> None:
    for ratio in (1.0, 2.0):
        n0, n1 = clients_for_log_rank(0.6, 0.7, accrual=1.0, follow_up=0.5, lost=0.1, ratio=ratio)
        seen = departures_by_accrual(0.7, n0, accrual=1.0, follow_up=0.5, lost=0.1)
        seen += departures_by_accrual(0.42, n1, accrual=1.0, follow_up=0.5, lost=0.1)
        assert n1 / n0 == pytest.approx(ratio)
        assert seen == pytest.approx(departures_needed(0.6, ratio=ratio))
        freedman = clients_for_log_rank(
            0.6, 0.7, accrual=1.0, follow_up=0.5, lost=0.1, ratio=ratio, formula="freedman"
        )
        # with twice as many in the arm that loses fewer, Freedman's number is the smaller one
        assert (sum(freedman) > n0 + n1) == (ratio == 1.0)


def test_power_of_the_log_rank_test_with_losses_by_simulation() -> None:
    """1,000 trials of the size for 80 per cent; three Monte Carlo errors are 0.038, 0.01 is asymptotics."""
    sizes = [
        round(clients) for clients in clients_for_log_rank(0.5, 1.0, accrual=1.0, follow_up=0.5, lost=0.1)
    ]
    rng, rejected = np.random.default_rng(12), 0
    hazard = np.repeat([1.0, 0.5], sizes)
    arm = np.repeat([False, True], sizes)
    for _ in range(1000):
        leaves, lost = rng.exponential(1.0 / hazard), rng.exponential(10.0, hazard.size)
        cut = np.minimum(lost, rng.uniform(0.5, 1.5, hazard.size))
        time = np.minimum(leaves, cut)
        order = np.argsort(time)
        event, compared = (leaves <= cut)[order], arm[order]
        at_risk = np.arange(hazard.size, 0, -1)
        share = np.cumsum(compared[::-1])[::-1] / at_risk
        distance = (compared - share)[event].sum()
        rejected += abs(distance) / math.sqrt((share * (1.0 - share))[event].sum()) > 1.959964
    assert rejected / 1000 == pytest.approx(0.8, abs=0.038 + 0.01)
