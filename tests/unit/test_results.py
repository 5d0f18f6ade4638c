"""Levels of intervals: a share between 0 and 1, refused in one sentence otherwise."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.results import Estimate


@pytest.mark.parametrize("level", [95, 0, 1, 1.5, -0.5, float("nan"), "0.95", None])
def test_a_level_that_is_no_share_is_refused(level: Any) -> None:
    with pytest.raises(ArgumentError, match="a number between 0 and 1, such as"):
        Estimate(1.0, 0.5, 12.0, "residual").confidence_interval(level)


def test_a_number_of_an_array_is_a_level() -> None:
    estimate = Estimate(1.0, 0.5, 12.0, "residual")
    assert estimate.confidence_interval(np.float32(0.5)).lower == estimate.confidence_interval(0.5).lower
