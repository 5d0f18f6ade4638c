"""Refusals name the rows (user need: negative durations were taken without a word by other tools)."""

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.retention.censored import CensoredTimes, from_spells
from studykit.retention.clock import ClientHistory, spell


@pytest.mark.parametrize(
    ("time", "event", "options", "message"),
    [
        ([5, -1, 3, -2], [1, 1, 0, 0], {}, r"rows 2, 4: expected a time above 0; found -1.0"),
        ([5, 0], [1, 1], {}, r"row 2: expected a time above 0; found 0.0\. A client without a day"),
        ([5, np.nan], [1, 1], {}, r"row 2: expected a finite time; found nan"),
        ([5, np.inf], [1, 0], {}, r"row 2: expected a finite time; found inf"),
        (
            [5, 200],
            [1, 0],
            {"cut_off": 182},
            r"row 2: expected no time after the cut-off, day 182; found 200",
        ),
        ([5, 9], [1, 0], {"entry": [0, 9]}, r"row 2: expected a time after the day of entry; found 9"),
        ([5, 9], [1, 0], {"entry": [0, -3]}, r"row 2: expected an entry day from 0; found -3"),
        ([5, 9], [1, 2], {}, r"row 2: expected an event that is True or False; found 2"),
        ([5, 9], ["yes", "no"], {}, r"rows 1, 2: expected an event that is True or False; found 'yes'"),
        ([5, 9], [1, 0, 1], {}, r"time, event and entry of one length; found 2, 3 and 2"),
        (["five"], [1], {}, r"censored times, time: expected numbers"),
        ([[5.0]], [1], {}, r"expected one dimension; found shape \(1, 1\)"),
        ([], [], {}, r"expected at least one client; found none"),
    ],
)
def test_impossible_times_are_refused_by_row(time, event, options, message):
    with pytest.raises(ArgumentError, match=message):
        CensoredTimes(time, event, **options)


def test_many_wrong_rows_are_cut_after_ten():
    with pytest.raises(ArgumentError, match=r"rows 1, 2, 3, 4, 5, 6, 7, 8, 9, 10 …"):
        CensoredTimes([-1] * 15, [0] * 15)


def test_values_are_frozen():
    times = CensoredTimes([5, 9], [True, False])
    with pytest.raises(ValueError, match="read-only"):
        times.time[0] = 3
    assert times == CensoredTimes([5, 9], [1, 0])
    assert times != CensoredTimes([5, 9], [1, 1])


def test_at_risk_just_before_a_day_with_ties_and_late_entry():
    times = CensoredTimes([5, 5, 8, 9], [1, 0, 1, 0], entry=[0, 0, 5, 2])
    assert times.at_risk([0, 1, 3, 5, 6, 8, 9, 10]).tolist() == [2, 2, 3, 3, 2, 2, 1, 0]


def test_follow_up_can_be_ended_earlier():
    times = CensoredTimes([5, 8, 9], [1, 1, 0], entry=[0, 2, 8]).followed_to(8)
    assert times.time.tolist() == [5, 8]
    assert times.event.tolist() == [True, True]
    assert CensoredTimes([5, 8], [1, 1]).followed_to(7).event.tolist() == [True, False]


def test_from_the_clock():
    histories = [ClientHistory((3,), 60), ClientHistory(tuple(range(0, 60, 7)), 60)]
    times = from_spells(spell(history, 50) for history in histories)
    assert times.time.tolist() == [31.0, 50.0]
    assert times.event.tolist() == [True, False]
