"""Intraclass correlation of retention over trainers: by hand, against another library, by simulation."""

import math

import numpy as np
import pandas as pd
import pingouin
import pytest

from studykit.errors import ArgumentError, DesignError
from studykit.retention.trainer_spread import trainer_spread


def test_equal_numbers_agree_with_pingouins_one_way_coefficient():
    """Its one-way single-measure coefficient with F interval; printed there with two or more digits."""
    rng = np.random.default_rng(1)
    stayed = (rng.random((8, 12)) < np.linspace(0.3, 0.9, 8)[:, None]).astype(int)
    frame = pd.DataFrame(
        {"trainer": np.repeat(np.arange(8), 12), "place": np.tile(np.arange(12), 8), "stayed": stayed.ravel()}
    )
    table = pingouin.intraclass_corr(data=frame, targets="trainer", raters="place", ratings="stayed")
    row = table.iloc[0]  # one-way, single
    found = trainer_spread(stayed.ravel(), trainer=frame["trainer"].to_numpy())
    assert found.value == pytest.approx(row["ICC"], abs=1e-6)
    assert found.ratio == pytest.approx(row["F"], rel=1e-6)
    interval = found.confidence_interval()
    assert [interval.lower, interval.upper] == pytest.approx(list(row.filter(like="CI").iloc[0]), abs=0.006)


def test_unequal_numbers_by_hand():
    """Trainers with 1 of 2, 3 of 3 and 1 of 5: mean 1/2, m0 = (10 - 38/10) / 2 = 3.1."""
    status = [1, 0, 1, 1, 1, 1, 0, 0, 0, 0]
    found = trainer_spread(status, trainer=[0, 0, 1, 1, 1, 2, 2, 2, 2, 2])
    between = (2 * 0.0 + 3 * 0.25 + 5 * 0.09) / 2
    within = (0.5 + 0.0 + 0.8) / 7
    assert found.typical_size == pytest.approx(3.1)
    assert found.value == pytest.approx((between - within) / (between + 2.1 * within))


def test_the_interval_covers_a_known_correlation():
    """300 studios, 12 trainers of 5 to 40 clients, correlation 0.08 (beta-binomial): within 4 MC errors."""
    rng = np.random.default_rng(2)
    rho, mean, hits, values = 0.08, 0.6, 0, []
    a, b = mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho
    for _ in range(300):
        sizes = rng.integers(5, 41, 12)
        chance = np.repeat(rng.beta(a, b, 12), sizes)
        found = trainer_spread(rng.random(chance.size) < chance, trainer=np.repeat(np.arange(12), sizes))
        hits += found.confidence_interval().contains(rho)
        values.append(found.value)
    assert abs(np.mean(values) - rho) < 4 * np.std(values) / math.sqrt(300)
    assert abs(hits / 300 - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 300)


def test_everybody_alike_and_refusals():
    nobody_left = trainer_spread([1, 1, 1, 1], trainer=[0, 0, 1, 1])
    assert nobody_left.value == 0.0
    assert nobody_left.confidence_interval().contains(0.0)
    all_between = trainer_spread([1, 1, 0, 0], trainer=[0, 0, 1, 1])
    assert all_between.value == 1.0
    assert all_between.confidence_interval().upper == 1.0
    with pytest.raises(DesignError, match="two trainers or more"):
        trainer_spread([1, 0], trainer=[0, 0])
    with pytest.raises(ArgumentError, match="True or False"):
        trainer_spread([1, 2], trainer=[0, 1])
