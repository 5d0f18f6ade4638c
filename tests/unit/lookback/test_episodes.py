"""Follow-up from the log: it is the retention clock's own, in arrays."""

import dataclasses

import numpy as np
import pytest

from studykit.errors import DesignError
from studykit.lookback.episodes import client_history, follow_clients
from studykit.lookback.log import UNKNOWN_DAY, AttendanceLog, Spans, no_spans
from studykit.results import RowCount
from studykit.retention.clock import FOUR_WEEKS, RetentionRule, countable_days, departures, is_active, spell


def make_log(sessions, joined, *, first=0, last=200, pauses=None, closures=()):
    """A log from {client: days}; one trainer, no partner reps."""
    pairs = sorted((client, day) for client, days in sessions.items() for day in set(days))
    client, day = (np.array([pair[k] for pair in pairs], dtype=np.int64) for k in (0, 1))
    n = len(joined)
    return AttendanceLog(
        clients=tuple(f"C{k:04d}" for k in range(n)),
        trainers=("T1",),
        session_client=client,
        session_day=day,
        session_trainer=np.zeros_like(day),
        session_partner_reps=np.zeros_like(day),
        missed_client=np.empty(0, np.int64),
        missed_day=np.empty(0, np.int64),
        joined=np.array(joined, dtype=np.int64),
        notice=np.full(n, UNKNOWN_DAY),
        pauses=pauses or no_spans(),
        closures=tuple(closures),
        facts=(),
        adopted=np.full(1, UNKNOWN_DAY),
        marked=True,
        first_day=first,
        last_day=last,
        rows=RowCount(day.size, day.size),
    )


def random_log(seed):
    """Clients of all kinds: new, existing, never seen, pausing, coming back; closures in between."""
    rng = np.random.default_rng(seed)
    n = 60
    joined = rng.integers(-80, 150, n)
    sessions = {}
    for client in range(n):
        days = np.arange(max(joined[client], 0), 201)
        gone = rng.integers(0, 260), rng.integers(0, 60)
        came = (rng.random(days.size) < rng.choice([0.05, 0.15, 0.4])) & ~(
            (days >= gone[0]) & (days < gone[0] + gone[1])
        )
        sessions[client] = days[came].tolist()
    k = 50
    first = rng.integers(-20, 190, k)
    pauses = Spans(
        client=np.sort(rng.integers(0, n, k)),
        first=first,
        last=first + rng.integers(0, 45, k),
        recorded=np.where(rng.random(k) < 0.5, UNKNOWN_DAY, first + rng.integers(-5, 60, k)),
    )
    return make_log(sessions, joined, pauses=pauses, closures=[(40, 46), (120, 121), (195, 230)])


@pytest.mark.parametrize("absence", [28, 56])
@pytest.mark.parametrize("seed", range(6))
def test_departures_and_ends_are_those_of_the_definition(seed, absence):
    rule = RetentionRule(absence_days=absence)
    log = random_log(seed)
    found = follow_clients(log, rule=rule)
    where = {int(client): place for place, client in enumerate(found.client)}
    for client in range(len(log.clients)):
        history = client_history(log, client)
        expected = spell(history, 10_000, rule=rule)
        entry = 0
        if log.joined[client] < log.first_day:
            days = range(history.observed_from, history.data_through + 1)
            closed = ClosedDays(history, rule)
            entry = next((day for day in days if closed.countable(day) >= absence), 10_000)
        if client not in where:
            assert expected.time <= entry
            continue
        place = where[client]
        assert (found.time[place], found.event[place]) == (expected.time, expected.event)
        assert found.entry[place] == entry
        if entry:
            assert is_active(history, entry, rule=rule)
        last = -1 if expected.last_attended is None else expected.last_attended
        assert found.last_attended[place] == last
        first = next(iter(departures(history, rule)), None)
        own = found.episode == place
        upto = 10_000 if first is None else (-1 if first.last_attended is None else first.last_attended)
        assert found.day[own].tolist() == [day for day in history.attended if day <= upto]
        assert found.last[own].sum() == (first is not None and first.last_attended is not None)


class ClosedDays:
    """Countable days after the first known one, counted by the definition."""

    def __init__(self, history, rule):
        self.history, self.rule = history, rule

    def countable(self, day):
        return countable_days(self.history, self.rule, after=self.history.observed_from, through=day)


def test_a_session_is_judged_only_where_its_absence_would_be_confirmed_within_the_records():
    log = make_log({0: [0, 10, 100, 171, 172, 173, 190]}, [0])
    found = follow_clients(log)
    assert found.cut_day == 172
    assert found.day.tolist() == [0, 10]  # day 100 is a return
    assert found.last.tolist() == [False, True]
    steady = follow_clients(make_log({0: list(range(0, 200, 3))}, [0]))
    assert steady.day[steady.judged].max() == 171
    assert not steady.event[0]
    assert steady.time[0] == 200


def test_existing_members_enter_when_the_records_can_tell():
    sessions = {0: [3, 20, 60], 1: [60, 90], 2: [0], 3: [5, 50]}
    found = follow_clients(make_log(sessions, [-100, -100, -100, UNKNOWN_DAY]))
    assert found.client.tolist() == [0]
    assert found.entry.tolist() == [128]
    assert found.time.tolist() == [148]
    assert str(found.clients) == (
        "1 of 4 clients used; left out: 1 (no joining date), "
        "2 (joined earlier and not seen training in the first weeks of the records)"
    )
    assert found.day.tolist() == [103, 120]
    assert found.judged.tolist() == [False, False]  # both on or before day 128
    later = follow_clients(make_log({0: [3, 20, 30]}, [-100]))
    assert later.judged.tolist() == [False, False, True]


def test_somebody_who_never_came_leaves_on_the_28th_day():
    found = follow_clients(make_log({1: [50]}, [10, 50]))
    assert found.time.tolist() == [28, 28]
    assert found.last_attended.tolist() == [-1, 0]
    assert found.times().events == 2


def test_nobody_to_follow_is_refused():
    with pytest.raises(DesignError, match=r"none of 2 clients. Give the dates"):
        follow_clients(make_log({0: [3]}, [UNKNOWN_DAY, UNKNOWN_DAY]))


def test_a_million_sessions_are_followed_at_once(calls):
    """A hundred times the clients are the same few calls on larger arrays: nobody is followed one by one."""

    def followed(clients):
        sessions = np.argwhere(np.random.default_rng(1).random((clients, 400)) < 0.25)
        log = dataclasses.replace(
            make_log({0: [0]}, np.zeros(clients, dtype=int), last=399),
            session_client=sessions[:, 0],
            session_day=sessions[:, 1],
            session_trainer=np.zeros(len(sessions), np.int64),
            session_partner_reps=np.zeros(len(sessions), np.int64),
        )
        assert len(follow_clients(log, rule=FOUR_WEEKS).client) == clients
        return calls(lambda: follow_clients(log, rule=FOUR_WEEKS))

    assert followed(10_000) == followed(100)
