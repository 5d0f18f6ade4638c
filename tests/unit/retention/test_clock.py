"""The retention clock on hand-worked calendars (rule: 28 countable days; common practice, and the
"no session in the last month" drop-out rule of Gjestvang et al. 2019)."""

import pytest

from studykit.errors import ArgumentError
from studykit.retention.clock import (
    ClientHistory,
    Closure,
    Departure,
    Pause,
    RetentionRule,
    Spell,
    active_status,
    countable_days,
    departures,
    is_active,
    spell,
)


def test_never_attended_is_counted_from_the_start():
    history = ClientHistory((), 60)
    assert departures(history) == (Departure(None, 0, 28, None),)
    assert is_active(history, 27) is True
    assert is_active(history, 28) is False
    assert spell(history, 182) == Spell(28, True, None)


def test_a_session_on_the_very_day_prevents_the_departure():
    assert departures(ClientHistory((5, 33), 40)) == ()
    assert departures(ClientHistory((5, 34), 40)) == (Departure(5, 5, 33, 34),)


def test_a_return_is_kept_and_makes_the_client_active_again():
    history = ClientHistory((5, 50, 60), 87)
    assert departures(history) == (Departure(5, 5, 33, 50),)
    assert [is_active(history, day) for day in (32, 33, 49, 50, 87, 88)] == [
        True, False, False, True, True, None,
    ]  # fmt: skip
    assert spell(history, 182) == Spell(33, True, 5)


def test_two_departures():
    found = departures(ClientHistory((5, 50), 100))
    assert [(d.last_attended, d.confirmed_on, d.returned_on) for d in found] == [(5, 33, 50), (50, 78, None)]


def test_data_that_end_early_are_unknown_and_never_retained():
    history = ClientHistory((10,), 30)
    assert is_active(history, 30) is True
    assert is_active(history, 31) is None  # who left may come back: the good news alone would be counted
    assert spell(history, 182) == Spell(30, False, 10)


def test_closures_are_removed_for_everybody():
    history = ClientHistory((10,), 60, closures=((20, 26),))
    assert departures(history)[0].confirmed_on == 10 + 28 + 7
    assert countable_days(history, after=10, through=45) == 28


def test_overlapping_closures_count_once():
    history = ClientHistory((10,), 60, closures=(Closure(20, 26), Closure(24, 27)))
    assert departures(history)[0].confirmed_on == 10 + 28 + 8


def test_one_pause_is_capped_at_28_days():
    history = ClientHistory((10,), 120, pauses=((11, 60),))
    assert departures(history)[0].confirmed_on == 10 + 28 + 28


def test_pauses_are_capped_at_56_days_in_all():
    pauses = (Pause(11, 38), Pause(45, 72), Pause(75, 90))
    history = ClientHistory((10, 40, 74), 182, pauses=pauses)
    assert departures(history)[0].confirmed_on == 74 + 28  # the third pause stops nothing


def test_the_total_cap_moves_with_its_window():
    pauses = (Pause(1, 28), Pause(40, 67), Pause(230, 240))
    history = ClientHistory((0, 39, 70, 97, 124, 151, 178, 205, 229), 400, pauses=pauses)
    assert departures(history)[-1].confirmed_on == 229 + 28 + 11


def test_closure_days_inside_a_pause_do_not_use_up_the_pause():
    history = ClientHistory((10,), 120, pauses=((11, 60),), closures=((15, 21),))
    assert departures(history)[0].confirmed_on == 10 + 28 + 28 + 7


def test_a_pause_entered_before_the_gap_is_judged_counts():
    in_time = ClientHistory((0,), 90, pauses=(Pause(10, 20, registered=28),))
    assert departures(in_time)[0].confirmed_on == 28 + 11


def test_a_pause_entered_after_the_gap_is_judged_does_not():
    late = ClientHistory((0,), 90, pauses=(Pause(10, 20, registered=29),))
    assert departures(late)[0].confirmed_on == 28


def test_the_rest_of_a_late_pause_counts_after_the_return():
    history = ClientHistory((0, 35), 120, pauses=(Pause(10, 44, registered=30),))
    assert [d.confirmed_on for d in departures(history)] == [28, 35 + 28 + 9]


def test_a_pause_entered_after_the_records_end_does_not_change_the_days_they_cover():
    """The same client looked at on day 28 and on day 60; the pause is entered a day too late."""
    pause = Pause(0, 5, registered=39)
    rule = RetentionRule(38, 2, 1, 5)
    early, late = (ClientHistory((), through, pauses=(pause,)) for through in (28, 60))
    assert [is_active(late, day, rule=rule) for day in (28, 37, 38)] == [True, True, False]
    assert [is_active(early, day, rule=rule) for day in (28, 37, 38)] == [True, None, None]
    in_time = ClientHistory((), 60, pauses=(Pause(0, 5, registered=38),))
    assert [is_active(in_time, day, rule=rule) for day in (38, 39)] == [True, False]


def test_an_earlier_pause_can_bring_a_second_one_in_time():
    pauses = (Pause(5, 14, registered=5), Pause(15, 20, registered=36))
    assert departures(ClientHistory((0,), 90, pauses=pauses))[0].confirmed_on == 28 + 10 + 6
    assert departures(ClientHistory((0,), 90, pauses=pauses[1:]))[0].confirmed_on == 28


def test_the_same_pause_entered_twice_counts_once():
    twice = (Pause(5, 14), Pause(5, 14, registered=5))
    assert departures(ClientHistory((0,), 90, pauses=twice))[0].confirmed_on == 28 + 10


def test_a_session_during_a_pause_starts_a_new_count():
    history = ClientHistory((0, 15), 90, pauses=((10, 20),))
    assert departures(history)[0].confirmed_on == 15 + 28 + 5


def test_a_departure_on_the_horizon_is_an_event_and_after_it_is_not():
    history = ClientHistory((10,), 100)
    assert spell(history, 38) == Spell(38, True, 10)
    assert spell(history, 37) == Spell(37, False, 10)


def test_curves_by_the_last_session_need_records_beyond_the_horizon():
    history = ClientHistory((10, 95), 100)
    assert spell(history, 90, dated_by="last_attended") == Spell(11, True, 10)
    staying = ClientHistory(tuple(range(0, 101, 7)), 100)
    assert spell(staying, 90, dated_by="last_attended") == Spell(72, False, 70)
    assert spell(staying, 60, dated_by="last_attended") == Spell(60, False, 56)


def test_existing_members_enter_late():
    history = ClientHistory((410, 430), 470, observed_from=400)
    assert spell(history, 1000) == Spell(458, True, 430, entry=400)
    with pytest.raises(ArgumentError, match="a day from 400, the first one known; found 399"):
        is_active(history, 399)


def test_a_56_day_rule():
    assert departures(ClientHistory((3,), 100), RetentionRule(absence_days=56))[0].confirmed_on == 59


def test_order_and_repeats_of_sessions_do_not_matter():
    assert ClientHistory((9, 2, 9), 20) == ClientHistory((2, 9), 20)


def test_active_status_of_several_clients():
    histories = (ClientHistory((30,), 50), ClientHistory((3,), 50), ClientHistory((3,), 20))
    status = active_status(histories, 45)
    assert status[:2].tolist() == [1.0, 0.0]
    assert status[2] != status[2]
    assert not status.flags.writeable


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"attended": (-1,), "data_through": 10}, "days from 0 to 10; found -1"),
        ({"attended": (11,), "data_through": 10}, "days from 0 to 10; found 11"),
        ({"attended": (), "data_through": -1}, "observed_from <= data_through"),
        ({"attended": (), "data_through": 9, "pauses": ((5, 4),)}, "pauses: expected a first day not after"),
        ({"attended": (), "data_through": 9, "closures": ((5, 4),)}, "closures: expected a first day not"),
    ],
)
def test_impossible_histories_are_refused(arguments, message):
    with pytest.raises(ArgumentError, match=message):
        ClientHistory(**arguments)


def test_an_impossible_rule_and_horizon_are_refused():
    with pytest.raises(ArgumentError, match="absence_days: expected a whole number of days from 1"):
        RetentionRule(absence_days=0)
    with pytest.raises(ArgumentError, match="a day from 1; found 0"):
        spell(ClientHistory((), 10), 0)
