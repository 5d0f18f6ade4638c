"""Composite scores with missing exercises, and pooled spread."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.kinds.continuous.scores import (
    analysis_scores,
    composite_scores,
    pooled_standard_deviation,
    score_cube,
)


def test_complete_composite_is_the_plain_mean() -> None:
    cube = np.random.default_rng(2).normal(size=(10, 3, 4))
    assert composite_scores(cube) == pytest.approx(cube.mean(axis=2), abs=1e-12)


def test_a_missing_heavy_exercise_does_not_pull_the_composite_down() -> None:
    """Levels differ by 2 on the log scale; a client at the mean of every exercise stays at the mean."""
    cube = np.array([[[5.0, 3.0]], [[5.2, 3.2]], [[4.8, 2.8]], [[np.nan, 3.0]]])
    assert composite_scores(cube)[3, 0] == pytest.approx(4.0)
    assert np.nanmean(cube[3, 0]) == 3.0


def test_no_score_at_a_visit_is_missing() -> None:
    cube = np.full((2, 2, 2), np.nan)
    cube[0, 0] = [1.0, 2.0]
    composite = composite_scores(cube)
    assert composite[0, 0] == 1.5
    assert np.isnan(composite[1]).all()
    assert np.isnan(composite[0, 1])


def test_the_rule_does_not_look_at_arms() -> None:
    """Relabelling clients permutes composites and changes nothing else."""
    rng = np.random.default_rng(3)
    cube = rng.normal(size=(12, 2, 3))
    cube[rng.random(cube.shape) < 0.3] = np.nan
    order = rng.permutation(12)
    assert composite_scores(cube[order]) == pytest.approx(composite_scores(cube)[order], nan_ok=True)


@pytest.mark.parametrize("score", [0.0, -5.0])
def test_a_score_without_logarithm_is_named(
    score: float, make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    protocol = make_protocol()
    cube = np.full((2, 3, 1), 50.0)
    cube[1, 2, 0] = score
    rows = make_rows(make_clients([0, 1]), cube, protocol)
    with pytest.raises(ArgumentError, match="client C002, visit day_84: expected a score above 0"):
        analysis_scores(rows, "log")
    assert score_cube(rows, analysis_scores(rows, "as_measured"))[1, 2, 0] == score


def test_spread_is_pooled_within_arms() -> None:
    values = np.array([1.0, 2.0, 3.0, 11.0, 12.0, np.nan])
    spread, freedom = pooled_standard_deviation(values, np.array([0, 0, 0, 1, 1, 1]))
    assert (spread, freedom) == (pytest.approx(np.sqrt(2.5 / 3)), 3)
