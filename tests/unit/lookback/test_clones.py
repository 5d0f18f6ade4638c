"""Clones by hand: when they deviate, and who stays in both strategies (H03, H04)."""

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.lookback.clones import (
    Starters,
    decisions,
    factors,
    running_products,
    stretches,
    undecidable,
)
from studykit.lookback.log import UNKNOWN


def starters(*clients):
    """Each client: (end, departed, [(day, partner reps), …])."""
    sessions = [(k, day, mark) for k, client in enumerate(clients) for day, mark in client[2]]
    table = np.array(sessions, dtype=np.int64).reshape(-1, 3)
    n = len(clients)
    return Starters(
        np.array([client[0] for client in clients]),
        np.array([client[1] for client in clients], dtype=bool),
        np.zeros(n, np.int64),
        np.zeros((n, 0)),
        (),
        table[:, 0],
        table[:, 1],
        np.zeros(len(table), np.int64),
        table[:, 2],
        np.zeros((len(table), 0)),
        (),
    )


def follow_up(one, rows, deviated, horizon=100):
    return [
        (int(c), int(a), int(b), bool(e))
        for c, a, b, e in zip(
            *(
                getattr(stretches(one, rows, deviated, horizon), name)
                for name in ("client", "start", "stop", "departed")
            ),
            strict=True,
        )
    ]


def test_chance_of_the_drawn_day_adds_up_to_one_over_the_sessions():
    """A day is drawn from 0 to 13: day 0 is it with chance 1/14, day 6 with 6/14, day 20 with the rest."""
    one = starters((100, False, [(0, 0), (6, 0), (20, 0), (27, 1)]))
    rows = decisions(one, 14)
    assert rows.day.tolist() == [0, 6, 20]
    still = np.cumprod(np.r_[1.0, 1.0 - rows.strategy_chance])[:-1]
    np.testing.assert_allclose(still * rows.strategy_chance, [1 / 14, 6 / 14, 7 / 14])
    assert rows.within.tolist() == [True, True, False]


def test_a_session_on_the_last_day_of_the_weeks_decides_and_none_after_it():
    rows = decisions(starters((100, False, [(13, 0), (20, 1)])), 14)
    assert rows.day.tolist() == [13]
    assert rows.strategy_chance.tolist() == [1.0]


def test_a_client_who_stopped_coming_before_beginning_stays_in_both_until_the_departure_is_confirmed():
    one = starters((33, True, [(0, 0), (5, 0)]))
    rows = decisions(one, 14)
    begins, refrains = ~rows.started & (rows.strategy_chance >= 1.0), rows.started & rows.within
    expected = [(0, 0, 5, False), (0, 5, 33, True)]
    assert follow_up(one, rows, begins) == expected
    assert follow_up(one, rows, refrains) == expected


def test_deviating_ends_a_clone_on_the_day_of_the_session():
    one = starters((90, True, [(3, 0), (9, 1), (12, 1)]), (90, True, [(3, 0), (30, 0), (62, 1)]))
    rows = decisions(one, 14)
    begins = ~rows.started & (rows.strategy_chance >= 1.0)
    refrains = rows.started & rows.within
    assert follow_up(one, rows, begins) == [
        (0, 0, 3, False), (0, 3, 9, False), (0, 9, 90, True),
        (1, 0, 3, False), (1, 3, 30, False),
    ]  # fmt: skip
    assert follow_up(one, rows, refrains) == [
        (0, 0, 3, False), (0, 3, 9, False),
        (1, 0, 3, False), (1, 3, 30, False), (1, 30, 90, True),
    ]  # fmt: skip


def test_the_horizon_ends_follow_up_without_a_departure():
    one = starters((90, True, [(3, 0), (9, 1)]))
    rows = decisions(one, 14)
    assert follow_up(one, rows, np.zeros(2, bool), horizon=50)[-1] == (0, 9, 50, False)


def test_weights_average_to_one_over_everything_that_could_happen():
    """Two sessions, chances 0.2 and 0.3 of beginning: weights times chances add up to 1 on either side."""
    chance = np.array([[0.2, 0.3]])
    total = np.zeros(2)
    for marks in ((1, 1), (0, 1), (0, 0)):
        one = starters((100, False, [(2, marks[0]), (13, marks[1])]))
        rows = decisions(one, 14)
        seen = chance[:, : len(rows.client)]
        likely = float(np.prod(np.where(rows.started, seen, 1.0 - seen)))
        for side, factor in enumerate(factors(rows, seen)):
            total[side] += likely * float(np.prod(factor))
    np.testing.assert_allclose(total, 1.0)


def test_running_products_start_anew_with_each_client():
    one = starters((90, False, [(2, 0), (5, 0)]), (90, False, [(1, 0), (4, 0)]))
    rows = decisions(one, 14)
    found = running_products(rows, np.array([[2.0, 3.0, 5.0, 7.0]]))
    np.testing.assert_allclose(found, [[2.0, 6.0, 5.0, 35.0]])


def test_unknown_marks_matter_only_while_the_strategies_can_be_told_apart():
    one = starters(
        (90, False, [(2, UNKNOWN), (5, 1)]),
        (90, False, [(2, 1), (5, UNKNOWN)]),
        (90, False, [(2, 0), (20, 0), (30, UNKNOWN)]),
    )
    assert undecidable(one, 14).tolist() == [True, False, False]


def test_no_day_of_follow_up_is_refused():
    with pytest.raises(ArgumentError, match="at least one day of follow-up"):
        starters((0, False, []))
