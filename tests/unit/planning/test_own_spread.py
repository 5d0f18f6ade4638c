"""Spread between trainers of a yes or no: by hand, against another library, by simulation."""

import math

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy.stats import norm

from studykit.errors import FitError
from studykit.planning.own_spread import correlation_of, intraclass_correlation, weibull_shape
from studykit.retention.censored import CensoredTimes


def test_equal_numbers_agree_with_pingouins_one_way_coefficient():
    """Its one-way single-measure coefficient; the interval is printed there with two digits."""
    rng = np.random.default_rng(1)
    stayed = (rng.random((8, 12)) < np.linspace(0.3, 0.9, 8)[:, None]).astype(float)
    trainer = np.repeat(np.arange(8), 12)
    frame = pd.DataFrame({"trainer": trainer, "place": np.tile(np.arange(12), 8), "stayed": stayed.ravel()})
    table = pingouin.intraclass_corr(data=frame, targets="trainer", raters="place", ratings="stayed")
    row = table.iloc[0]
    found = intraclass_correlation(stayed.ravel(), trainer)
    assert found.value == pytest.approx(row["ICC"], abs=1e-6)
    assert [found.low, found.high] == pytest.approx(list(row.filter(like="CI").iloc[0]), abs=0.006)


def test_unequal_numbers_by_hand():
    """Trainers with 1 of 2, 3 of 3 and 1 of 5: mean 1/2, n0 = (10 - 38/10) / 2 = 3.1."""
    status = np.array([1, 0, 1, 1, 1, 1, 0, 0, 0, 0], float)
    found = intraclass_correlation(status, np.array([0, 0, 1, 1, 1, 2, 2, 2, 2, 2]))
    between = (2 * 0.0 + 3 * 0.25 + 5 * 0.09) / 2
    within = (0.5 + 0.0 + 0.8) / 7
    assert found.value == pytest.approx((between - within) / (between + 2.1 * within))


def test_the_interval_covers_a_known_correlation():
    """300 studios, 12 trainers of 5 to 40 clients, correlation 0.08 (beta-binomial): within 4 MC errors."""
    rng = np.random.default_rng(2)
    rho, mean, hits = 0.08, 0.6, 0
    a, b = mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho
    for _ in range(300):
        sizes = rng.integers(5, 41, 12)
        chance = np.repeat(rng.beta(a, b, 12), sizes)
        stayed = (rng.random(chance.size) < chance).astype(float)
        found = intraclass_correlation(stayed, np.repeat(np.arange(12), sizes))
        hits += found.low <= rho <= found.high
    assert abs(hits / 300 - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 300)


def test_one_trainer_has_no_spread():
    with pytest.raises(FitError, match="two trainers or more"):
        intraclass_correlation(np.array([1.0, 0.0]), np.array([0, 0]))


@pytest.mark.parametrize(("shape", "number", "level"), [(0.8, 3000, 0.95), (1.7, 750, 0.80)])
def test_the_interval_of_a_shape_is_as_long_as_its_information_says(shape, number, level) -> None:
    """Everybody followed to the end: variance of the logarithm 6 / (pi squared n) (from memory).

    Observed information scatters about the expected one: 5 per cent with 750.
    """
    days = 100.0 * np.random.default_rng(5).weibull(shape, number)
    found = weibull_shape(CensoredTimes(days, np.ones(number, dtype=bool)), level=level)
    reach = norm.ppf(0.5 + level / 2) * math.sqrt(6 / number) / math.pi
    assert math.log(found.high / found.value) == pytest.approx(reach, rel=0.05)
    assert math.log(found.value / found.low) == pytest.approx(reach, rel=0.05)
    assert found.value == pytest.approx(shape, rel=3.5 * reach / norm.ppf(0.5 + level / 2))


def test_a_correlation_needs_five_clients_and_one_more_for_each_that_strata_take():
    """Two degrees of freedom are the fewest that give an interval."""
    first = np.array([[-2.0], [-1.0], [0.5], [1.0], [1.5]])
    second = first + np.array([[0.3], [-0.2], [0.1], [-0.4], [0.2]])
    found = correlation_of(first, second)
    assert found.low < found.value < found.high
    with pytest.raises(FitError):
        correlation_of(first[:4], second[:4])
    with pytest.raises(FitError):
        correlation_of(first, second, lost=1)
