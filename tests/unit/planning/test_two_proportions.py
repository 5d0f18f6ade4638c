from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.planning.two_proportions import (
    clients_for_shares,
    detectable_share,
    score_interval_width,
    score_test_power,
    shares_power,
)
from studykit.retention.risk_difference import RiskDifferences, risk_differences


def simulated(reference: float, compared: float, clients: int, trials: int, seed: int) -> RiskDifferences:
    """Trials with independent clients, analysed as a study's retention is."""
    rng = np.random.default_rng(seed)
    retained = rng.binomial(clients, [reference, compared], size=(trials, 1, 2))
    return risk_differences(retained, np.full((trials, 1, 2), clients))


def test_exact_power_agrees_with_the_analysis_by_simulation() -> None:
    """The score interval leaves 0 out as often as enumerated; 4,000 trials, three Monte Carlo errors."""
    exact = score_test_power(0.6, 0.9, (30, 30))
    many = simulated(0.6, 0.9, 30, 4000, seed=20261)
    found = float(np.mean((many.lower > 0.0) | (many.upper < 0.0)))
    assert found == pytest.approx(exact, abs=3 * math.sqrt(exact * (1 - exact) / 4000))


def test_the_test_keeps_its_size_about() -> None:
    """Unconditional size of the score test near 5 %; enumerated, no simulation error."""
    assert [score_test_power(0.7, 0.7, (n, n)) for n in (20, 50, 100)] == pytest.approx([0.05] * 3, abs=0.012)


@pytest.mark.parametrize("clients", [30, 60, 120])
def test_formula_and_enumeration_agree_roughly(clients: int) -> None:
    exact = score_test_power(0.7, 0.85, (clients, clients))
    assert shares_power(0.7, 0.85, clients) == pytest.approx(exact, abs=0.03)


@pytest.mark.parametrize("clients", [15, 25, 60])
def test_the_width_at_expected_counts_is_close_to_the_expected_width(clients: int) -> None:
    """4,000 trials: Monte Carlo error below 0.2 %; the rest is the curvature of the width in the counts."""
    many = simulated(0.7, 0.75, clients, 4000, seed=clients)
    mean_width = float(np.mean(many.upper - many.lower))
    assert score_interval_width(0.7, 0.75, (clients, clients)) == pytest.approx(mean_width, rel=0.03)


def test_detectable_share_has_the_power_and_can_be_out_of_reach() -> None:
    share = detectable_share(0.7, 40)
    assert share is not None
    assert shares_power(0.7, share, 40) == pytest.approx(0.8, abs=1e-6)
    assert detectable_share(0.9, 15) is None


def test_impossible_questions_are_refused() -> None:
    with pytest.raises(ArgumentError, match="two different shares"):
        clients_for_shares(0.5, 0.5)
    with pytest.raises(ArgumentError, match="numbers from 0 to 1"):
        shares_power(0.5, 1.5, 20)
    with pytest.raises(ArgumentError, match="1 to 300 in each arm"):
        score_test_power(0.5, 0.6, (20, 5000))
