"""Follow-up of every client from the attendance log: time zero, entry, departure, and what was known before.

Day 0 is the day of joining. New starters, who joined within the records, are followed from day 0.
Existing members enter on the day on which the records can tell for the first time whether they still train,
`RetentionRule.absence_days` countable days after the records begin, if they do: had they entered on the day
of a session, nobody could have been seen to leave for the next four weeks. The clock is that of
`studykit.retention.clock`, and so are the departures.

What was known by each session, whether partner reps had begun and how often the client had come lately, is
read from sessions up to and including the one in question, never from later ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from studykit.errors import DesignError, Finding
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, AttendanceLog, Bools, Floats, Integers
from studykit.results import RowCount, frozen_array
from studykit.retention.censored import CensoredTimes
from studykit.retention.clock import (
    FOUR_WEEKS,
    ClientHistory,
    Closure,
    Pause,
    RetentionRule,
    stopped_days,
)
from studykit.retention.countable import CountableDays, countable_days_of


@dataclass(frozen=True, slots=True, eq=False)
class Episodes:
    """Clients that are followed, each up to the first departure or the end of the records.

    Parameters
    ----------
    client : ndarray of int, shape (n,)
        Index into the log's clients, ascending.
    joined : ndarray of int, shape (n,)
        Day of joining, on the log's scale; all other days are days since joining.
    new : ndarray of bool, shape (n,)
        Joined within the records.
    entry : ndarray of int, shape (n,)
        Day after which the client is at risk: 0 for new starters.
    time : ndarray of int, shape (n,)
        Day on which the departure was confirmed, or last day of the records.
    event : ndarray of bool, shape (n,)
    last_attended : ndarray of int, shape (n,)
        Last session up to ``time``; -1 where there was none.
    row : ndarray of int, shape (m,)
        Sessions up to the first departure, as rows of the log's sessions, ascending.
    episode : ndarray of int, shape (m,)
        Whose session, as an index into ``client``, ascending.
    day : ndarray of int, shape (m,)
        Day of the session.
    countable : ndarray of int, shape (m,)
        Countable days from the first known day (joining, or the beginning of the records) to the session.
    confirmable_on : ndarray of int, shape (m,)
        Day on which the absence after this session would be confirmed, if there were no further one.
    judged : ndarray of bool, shape (m,)
        The session is at risk of being the last, and the records reach far enough to tell: for existing
        members those after ``entry``, so that the weeks before are known.
    last : ndarray of bool, shape (m,)
        It was the last one before the departure.
    cut_day : int
        Last day, on the log's scale, after which an absence can still be confirmed in the records.
    clients, sessions : RowCount
    rule : RetentionRule
    """

    client: Integers
    joined: Integers
    new: Bools
    entry: Integers
    time: Integers
    event: Bools
    last_attended: Integers
    row: Integers
    episode: Integers
    day: Integers
    countable: Integers
    confirmable_on: Integers
    judged: Bools
    last: Bools
    cut_day: int
    clients: RowCount
    sessions: RowCount
    rule: RetentionRule

    def times(self) -> CensoredTimes:
        """Times to the first departure, dated by the day it was confirmed, with delayed entry."""
        return CensoredTimes(self.time, self.event, entry=self.entry)


@dataclass(frozen=True, slots=True, eq=False)
class _Departures:
    """Per client of the log: first departure, and the sessions judged on the way."""

    confirmed_on: Integers  # one day after the end of the records where there was none
    last_attended: Integers  # UNKNOWN_DAY where the client never came
    confirmable_on: Integers  # per session
    countable: Integers  # per session, since the first known day


def follow_clients(log: AttendanceLog, *, rule: RetentionRule = FOUR_WEEKS) -> Episodes:
    """Follow every client with a joining date.

    Parameters
    ----------
    log : AttendanceLog
    rule : RetentionRule
        When an absence becomes a departure, and how far pauses stop the clock.

    Returns
    -------
    Episodes
        ``clients`` and ``sessions`` say what was left out, and why.

    Raises
    ------
    DesignError
        If nobody can be followed for a day.
    """
    calendar = _calendar(log, rule)
    known = (log.joined != UNKNOWN_DAY) & (log.joined <= log.last_day)
    new = known & (log.joined >= log.first_day)
    start = np.where(new, log.joined, log.first_day)
    inside = known[log.session_client] & (log.session_day >= start[log.session_client])
    inside &= log.session_day <= log.last_day
    rows = np.flatnonzero(inside)
    found = _first_departures(log, calendar, rows, start, rule)
    clients = np.arange(known.size)
    entry = np.where(new, start, calendar.day_of(clients, calendar.count(clients, start) + rule.absence_days))
    ends = np.minimum(found.confirmed_on, log.last_day)
    kept = known & (ends > entry)
    if not kept.any():
        raise DesignError(
            where="look back",
            expected="clients with a joining date who can be followed for at least a day",
            got=f"none of {known.size} clients",
            todo="Give the dates on which clients joined; without them nobody can be followed.",
        )
    return _episodes(log, rows, found, start=start, entry=entry, new=new, kept=kept, rule=rule)


def leave_out(
    count: RowCount, *reasons: tuple[str, Bools], kept: Bools | None = None
) -> tuple[Bools, RowCount]:
    """Rows that stay, and their count; each of the others is counted for the first reason that holds.

    Parameters
    ----------
    count : RowCount
        With those left out before.
    *reasons : (str, ndarray of bool)
        Shape (n,) each.
    kept : ndarray of bool, shape (n,), optional
        Before these reasons; all unless given.

    Examples
    --------
    >>> young, new = np.array([True, False, False]), np.array([True, True, False])
    >>> kept, count = leave_out(RowCount(3, 3), ("young", young), ("new", new))
    >>> kept.tolist(), count.left_out
    ([False, False, True], (('young', 1), ('new', 1)))
    """
    kept = np.ones(len(reasons[0][1]), dtype=bool) if kept is None else kept
    left_out = list(count.left_out)
    for reason, wrong in reasons:
        left_out.append((reason, int((kept & wrong).sum())))
        kept = kept & ~wrong
    return kept, replace(count, used=int(kept.sum()), left_out=tuple(one for one in left_out if one[1]))


def _episodes(
    log: AttendanceLog,
    rows: Integers,
    found: _Departures,
    *,
    start: Integers,
    entry: Integers,
    new: Bools,
    kept: Bools,
    rule: RetentionRule,
) -> Episodes:
    """Put together what was found, in days since joining."""
    clients = np.flatnonzero(kept)
    place = np.cumsum(kept) - 1
    event = found.confirmed_on <= log.last_day
    owner, day = log.session_client[rows], log.session_day[rows]
    before_leaving = ~event[owner] | (day <= found.last_attended[owner])
    of_kept = kept[owner] & before_leaving
    chosen = rows[of_kept]
    owner, day = owner[of_kept], day[of_kept]
    confirmable = found.confirmable_on[of_kept]
    joined = log.joined[clients]
    came = found.last_attended[clients] != UNKNOWN_DAY
    return Episodes(
        client=frozen_array(clients),
        joined=frozen_array(joined),
        new=frozen_array(new[clients]),
        entry=frozen_array(entry[clients] - joined),
        time=frozen_array(np.minimum(found.confirmed_on, log.last_day)[clients] - joined),
        event=frozen_array(event[clients]),
        last_attended=frozen_array(np.where(came, found.last_attended[clients] - joined, -1)),
        row=frozen_array(chosen),
        episode=frozen_array(place[owner]),
        day=frozen_array(day - log.joined[owner]),
        countable=frozen_array(found.countable[of_kept]),
        confirmable_on=frozen_array(confirmable - log.joined[owner]),
        judged=frozen_array((confirmable <= log.last_day) & (new[owner] | (day > entry[owner]))),
        last=frozen_array(event[owner] & (day == found.last_attended[owner])),
        cut_day=_cut_day(log, rule),
        clients=_count_clients(log, kept, new),
        sessions=_count_sessions(log, rows, of_kept, kept, start),
        rule=rule,
    )


def _calendar(log: AttendanceLog, rule: RetentionRule) -> CountableDays:
    """Closures of the studio, and for clients with pauses those days that stop the clock within the caps."""
    paused_client, paused_day = [], []
    by_client = np.argsort(log.pauses.client, kind="stable")
    owners = log.pauses.client[by_client]
    for client in np.unique(owners).tolist():
        own = by_client[slice(*np.searchsorted(owners, [client, client + 1]))]
        if log.joined[client] == UNKNOWN_DAY or log.joined[client] > log.last_day:
            continue
        days = _paused_days(log, client, own, rule)
        paused_client.append(np.full(days.size, client))
        paused_day.append(days)
    return countable_days_of(
        log.first_day,
        log.last_day,
        closures=log.closures,
        paused_client=np.concatenate(paused_client) if paused_client else (),
        paused_day=np.concatenate(paused_day) if paused_day else (),
    )


def _paused_days(log: AttendanceLog, client: int, own: Integers, rule: RetentionRule) -> Integers:
    """Days of one client's pauses that stop the clock, closures apart, by the definition."""
    history = client_history(log, client, pauses=own)
    without = ClientHistory(
        (), history.data_through, closures=history.closures, observed_from=history.observed_from
    )
    stopped = stopped_days(history, rule)
    closed = np.zeros_like(stopped)
    shorter = stopped_days(without, rule)
    closed[: shorter.size] = shorter
    return np.asarray(np.flatnonzero(stopped & ~closed) + log.joined[client], dtype=np.int64)


def client_history(log: AttendanceLog, client: int, *, pauses: Integers | None = None) -> ClientHistory:
    """What the log says of one client, in the terms of the definition, `studykit.retention.clock`.

    Parameters
    ----------
    log : AttendanceLog
    client : int
        Index; the joining date must be known and within or before the records.
    pauses : ndarray of int, optional
        Rows of the log's pauses that are this client's; looked up unless given.
    """
    zero = int(log.joined[client])
    first = max(log.first_day, zero)
    low, high = np.searchsorted(log.session_client, [client, client + 1])
    days = log.session_day[low:high]
    days = days[(days >= first) & (days <= log.last_day)] - zero
    own = np.flatnonzero(log.pauses.client == client) if pauses is None else pauses
    spans = log.pauses
    return ClientHistory(
        attended=tuple(days.tolist()),
        data_through=log.last_day - zero,
        pauses=tuple(
            Pause(
                int(spans.first[k]) - zero,
                int(spans.last[k]) - zero,
                None if spans.recorded[k] == UNKNOWN_DAY else int(spans.recorded[k]) - zero,
            )
            for k in own
            if spans.last[k] >= zero
        ),
        closures=tuple(Closure(a - zero, b - zero) for a, b in log.closures if b >= zero),
        observed_from=first - zero,
    )


def _first_departures(
    log: AttendanceLog, calendar: CountableDays, rows: Integers, start: Integers, rule: RetentionRule
) -> _Departures:
    """First departure of each client: the first absence that is complete before the next session."""
    never = log.last_day + 1
    owner, day = log.session_client[rows], log.session_day[rows]
    countable = calendar.count(owner, day)
    confirmable = calendar.day_of(owner, countable + rule.absence_days)
    following = np.full(rows.size, never)
    same = owner[1:] == owner[:-1]
    following[:-1][same] = day[1:][same]
    clients = np.arange(start.size)
    first_session = np.full(start.size, never)
    first_session[owner[::-1]] = day[::-1]
    at_start = calendar.count(clients, start)
    confirmed = calendar.day_of(clients, at_start + rule.absence_days)
    confirmed = np.where(confirmed < first_session, confirmed, never)
    last = np.full(start.size, UNKNOWN_DAY)
    gone = np.flatnonzero(confirmable < following)[::-1]  # the earliest absence is written last
    open_yet = gone[confirmed[owner[gone]] == never]
    confirmed[owner[open_yet]] = confirmable[open_yet]
    last[owner[open_yet]] = day[open_yet]
    still = np.flatnonzero(confirmed[owner] == never)
    last[owner[still]] = day[still]
    return _Departures(confirmed, last, confirmable, countable - at_start[owner])


def _cut_day(log: AttendanceLog, rule: RetentionRule) -> int:
    days = countable_days_of(log.first_day, log.last_day, closures=log.closures)
    left = int(days.open_days[-1]) - rule.absence_days
    return log.first_day - 1 + int(np.searchsorted(days.open_days, left, side="right"))


def _count_clients(log: AttendanceLog, kept: Bools, new: Bools) -> RowCount:
    unknown = log.joined == UNKNOWN_DAY
    late = ~unknown & (log.joined > log.last_day)
    lapsed = ~kept & ~unknown & ~late & ~new
    reasons = (
        ("no joining date", int(unknown.sum())),
        ("joined after the records end", int(late.sum())),
        ("joined earlier and not seen training in the first weeks of the records", int(lapsed.sum())),
        ("joined on the last day of the records", int((new & ~kept).sum())),
    )
    return RowCount(kept.size, int(kept.sum()), tuple(one for one in reasons if one[1]), "clients")


def _count_sessions(
    log: AttendanceLog, rows: Integers, of_kept: Bools, kept: Bools, start: Integers
) -> RowCount:
    owner = log.session_client
    own = kept[owner]
    outside = own & ((log.session_day < start[owner]) | (log.session_day > log.last_day))
    reasons = (
        ("of clients who are not followed", int((~own).sum())),
        ("before joining or outside the records", int(outside.sum())),
        ("after coming back from a departure", int((kept[owner[rows]] & ~of_kept).sum())),
    )
    used = int(of_kept.sum())
    return RowCount(owner.size, used, tuple(one for one in reasons if one[1]), "sessions")


RECENT_DAYS = 28  # countable days


@dataclass(frozen=True, slots=True, eq=False)
class SessionFacts:
    """Per session of `Episodes`, in the same order.

    Parameters
    ----------
    known : ndarray of bool, shape (m,)
        It was written whether partner reps were done.
    done, begun : ndarray of bool, shape (m,)
        Partner reps in this session; in this or any earlier one of the records.
    settled : ndarray of bool, shape (m,)
        Whether they had begun is known: whoever was there before marks were made may have begun unrecorded.
    recent, overall : ndarray of float, shape (m,)
        Logarithm of earlier sessions a week, over the `RECENT_DAYS` countable days before, and over all
        known days before (see `log_rate`).
    trainer : ndarray of int, shape (m,)
    """

    known: Bools
    done: Bools
    begun: Bools
    settled: Bools
    recent: Floats
    overall: Floats
    trainer: Integers


def log_rate(earlier: Integers, days: Integers) -> Floats:
    """Logarithm of sessions a week, drawn towards one a week by one session in one week.

    Without that a client on the first day would have come infinitely often, or never.

    Examples
    --------
    >>> log_rate(np.array([0, 7]), np.array([0, 28])).round(3).tolist()
    [0.0, 0.47]
    """
    return np.asarray(np.log(7.0 * (earlier + 1.0) / (days + 7.0)), dtype=float)


def session_facts(log: AttendanceLog, episodes: Episodes) -> SessionFacts:
    """Read exposure and attendance up to each session."""
    marks = log.session_partner_reps[episodes.row]
    done = marks > 0
    first = first_rows(episodes.episode)
    so_far = np.cumsum(done)
    begun = so_far - (so_far - done)[first] > 0
    place = np.arange(done.size)
    known = marks != UNKNOWN
    step = int(episodes.countable.max(initial=0)) + RECENT_DAYS + 1
    key = episodes.episode * step + episodes.countable
    window = np.searchsorted(key, np.maximum(key - RECENT_DAYS, episodes.episode * step), side="left")
    return SessionFacts(
        known=frozen_array(known),
        done=frozen_array(done),
        begun=frozen_array(begun),
        settled=frozen_array(begun | (known & ~there_before_marks(log, episodes)[episodes.episode])),
        recent=frozen_array(log_rate(place - window, np.minimum(episodes.countable, RECENT_DAYS))),
        overall=frozen_array(log_rate(place - first, episodes.countable)),
        trainer=frozen_array(log.session_trainer[episodes.row]),
    )


def marks_since(log: AttendanceLog) -> int:
    """First day of the records on which marks of partner reps were made."""
    marked = log.session_day[log.session_partner_reps != UNKNOWN]
    return max(log.first_day, int(marked.min())) if marked.size else log.first_day


def there_before_marks(log: AttendanceLog, episodes: Episodes) -> Bools:
    """Clients who joined before marks of partner reps were made, unless practice is known to be younger.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    since = marks_since(log)
    if log.practice_from != UNKNOWN_DAY and log.practice_from >= since:
        return np.zeros(episodes.client.size, dtype=bool)
    return np.asarray(episodes.joined < since, dtype=bool)


def first_rows(owner: Integers) -> Integers:
    """For every row, the first row of the same owner; owners are sorted.

    Examples
    --------
    >>> first_rows(np.array([0, 0, 3, 3, 3])).tolist()
    [0, 0, 2, 2, 2]
    """
    return np.asarray(np.searchsorted(owner, owner, side="left"), dtype=np.int64)


def at_first_session(episodes: Episodes, values: Integers, *, missing: int) -> Integers:
    """What ``values``, one per session, are at each client's first session.

    Parameters
    ----------
    episodes : Episodes
    values : ndarray of int, shape (m,)
    missing : int
        For clients without any session.

    Returns
    -------
    ndarray of int, shape (n,)
    """
    owner = episodes.episode
    first = np.flatnonzero(first_rows(owner) == np.arange(len(owner)))
    found = np.full(len(episodes.client), missing)
    found[owner[first]] = values[first]
    return found


def first_session_as_joining(
    log: AttendanceLog, *, quiet_days: int
) -> tuple[AttendanceLog, tuple[Finding, ...]]:
    """Take the first session as the day of joining, for clients whose joining date is not known.

    Clients who were not seen in the first ``quiet_days`` of the records are taken as new; whoever was seen
    then may have trained for years, and stays without a joining date. Clients with a date keep it.

    Parameters
    ----------
    log : AttendanceLog
    quiet_days : int
        Twice the absence that makes a departure, say, so that few who come back are taken as new.

    Returns
    -------
    log : AttendanceLog
    findings : tuple of Finding
        What was supposed; empty where nothing was.
    """
    clients, first = np.unique(log.session_client, return_index=True)
    unknown = log.joined[clients] == UNKNOWN_DAY
    clients, day = clients[unknown], log.session_day[first[unknown]]
    new = day >= log.first_day + quiet_days
    if not new.any():
        return log, ()
    joined = np.array(log.joined)
    joined[clients[new]] = day[new]
    found = Finding(
        "warn",
        "look back, joining dates",
        "the dates on which clients joined, in a table of clients",
        f"none that can be used of {clients.size} clients",
        f"{int(new.sum())} of them were first seen {quiet_days} days or more after the records begin and are "
        f"taken as new on that day; {int((~new).sum())} seen before are left out. Give the joining dates: "
        "some of those taken as new may have come back.",
    )
    return replace(log, joined=frozen_array(joined)), (found,)
