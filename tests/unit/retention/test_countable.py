"""Countable days in arrays: counting and its inverse; agreement with the clock is in tests/unit/lookback."""

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.retention.countable import countable_days_of


def test_the_inverse_is_the_first_day_with_the_count():
    rng = np.random.default_rng(5)
    owner, day = rng.integers(0, 3, 60), rng.integers(-5, 110, 60)
    days = countable_days_of(3, 99, closures=[(20, 33), (90, 200)], paused_client=owner, paused_day=day)
    every = np.arange(3, 100)
    for client in range(3):
        counts = days.count(np.full(every.size, client), every)
        assert counts[0] in (0, 1)
        assert set(np.diff(counts)) <= {0, 1}
        for number in range(1, 100):
            reached = every[counts >= number]
            expected = reached[0] if reached.size else 100
            assert days.day_of(np.array([client]), np.array([number])).tolist() == [expected]


def test_impossible_windows_and_columns_are_refused():
    with pytest.raises(ArgumentError, match="found 5 to 4"):
        countable_days_of(5, 4)
    with pytest.raises(ArgumentError, match="a client for each paused day; found 2, 1"):
        countable_days_of(0, 9, paused_client=[0, 1], paused_day=[3])
