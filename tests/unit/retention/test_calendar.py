"""The clock in arrays: shapes and times; it equals the clock itself in tests/property."""

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.retention.calendar import retention_calendar
from studykit.retention.clock import RetentionRule

CAME = np.zeros((3, 91), dtype=bool)
CAME[0, [2, 50]] = True
CAME[1, ::7] = True


def test_returns_and_times():
    calendar = retention_calendar(CAME)
    assert calendar.confirmed_on.tolist() == [30, -1, 28]
    assert calendar.active[0, [29, 30, 49, 50, 77, 78]].tolist() == [True, False, False, True, True, False]
    times = calendar.times(60)
    assert times.time.tolist() == [30, 60, 28]
    assert times.event.tolist() == [True, False, True]
    assert calendar.times(400).time.tolist() == [30, 90, 28]


def test_stopped_days_for_everybody_or_for_each():
    closed = np.zeros(91, dtype=bool)
    closed[10:17] = True
    assert retention_calendar(CAME, stopped=closed).confirmed_on.tolist() == [37, -1, 35]
    each = np.zeros_like(CAME)
    each[2, 10:17] = True
    assert retention_calendar(CAME, stopped=each).confirmed_on.tolist() == [30, -1, 35]


def test_another_rule():
    assert retention_calendar(CAME, rule=RetentionRule(absence_days=6)).confirmed_on.tolist() == [8, 6, 6]


def test_wrong_shapes_are_refused():
    with pytest.raises(ArgumentError, match=r"shape \(clients, days\)"):
        retention_calendar(CAME[0])
    with pytest.raises(ArgumentError, match=r"shapes \(3, 91\) and \(90,\)"):
        retention_calendar(CAME, stopped=np.zeros(90))
