"""Most likely shares under a difference or ratio, against a plain search over the likelihood."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.special import xlogy

from studykit.retention.score_statistics import shares_at_difference, shares_at_ratio

TABLES = [
    (48, 80, 56, 70),
    (3, 10, 9, 10),
    (0, 5, 0, 6),
    (5, 5, 6, 6),
    (0, 5, 6, 6),
    (1, 1, 0, 1),
    (2, 9, 2, 3),
]


def log_likelihood(x0, n0, x1, n1, p0, p1):
    return xlogy(x0, p0) + xlogy(n0 - x0, 1 - p0) + xlogy(x1, p1) + xlogy(n1 - x1, 1 - p1)


def search(function, low, high):
    grid = np.linspace(low, high, 2001)
    best = grid[np.argmax([function(p) for p in grid])]
    step = (high - low) / 2000
    found = minimize_scalar(
        lambda p: -function(p), bounds=(max(low, best - step), min(high, best + step)), method="bounded",
        options={"xatol": 1e-12},
    )  # fmt: skip
    return max((function(p), p) for p in (found.x, low, high))[0]


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("difference", [-0.9, -0.3, 0.0, 0.02, 0.4, 0.95])
def test_shares_at_a_difference_maximise_the_likelihood(table, difference):
    x0, n0, x1, n1 = map(np.array, table)
    p0, p1 = shares_at_difference(np.array(difference), x0, n0, x1, n1)
    assert p1 - p0 == pytest.approx(difference, abs=1e-12)
    best = search(
        lambda p: log_likelihood(*table, p, min(max(p + difference, 0.0), 1.0)),
        max(0.0, -difference),
        min(1.0, 1.0 - difference),
    )
    assert log_likelihood(*table, p0, p1) == pytest.approx(best, abs=1e-8)


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("ratio", [0.01, 0.6, 1.0, 1.3, 40.0])
def test_shares_at_a_ratio_maximise_the_likelihood(table, ratio):
    x0, n0, x1, n1 = map(np.array, table)
    p0, p1 = shares_at_ratio(np.array(ratio), x0, n0, x1, n1)
    assert p1 == pytest.approx(ratio * p0, abs=1e-12)
    best = search(lambda p: log_likelihood(*table, p, min(ratio * p, 1.0)), 0.0, min(1.0, 1.0 / ratio))
    assert log_likelihood(*table, p0, p1) == pytest.approx(best, abs=1e-8)
