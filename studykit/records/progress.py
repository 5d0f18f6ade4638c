"""How far a study is, over all arms together: nothing here can tell one arm from another."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.protocol.looking import look_fractions
from studykit.protocol.types import Protocol, Visit
from studykit.records.kind_rows import rows_of
from studykit.records.record_tables import Allocated, Records
from studykit.records.withdrawal import in_study, out_of_study_on

Days = NDArray[np.datetime64]


@dataclass(frozen=True, slots=True)
class VisitProgress:
    """Tests of one visit, counted in allocated clients.

    Parameters
    ----------
    visit, name : str
    done : int
        Clients with at least one score.
    complete : int
        Of these, clients with a score of every exercise of every outcome.
    open_now : int
        Not done, and the window is open today.
    overdue : int
        Not done, the window has closed, and no departure is registered up to then.
    after_departure : int
        Not done, and the client had left before the window closed.
    later : int
        Not done, and the window opens later or the day of allocation is not known.
    """

    visit: str
    name: str
    done: int
    complete: int
    open_now: int
    overdue: int
    after_departure: int
    later: int


@dataclass(frozen=True, slots=True)
class DueTest:
    """A test that can be done today, or should have been done: its window is open, or has closed."""

    client: str
    visit: str
    opens: dt.date
    closes: dt.date
    overdue: bool


@dataclass(frozen=True, slots=True)
class WeekOfSessions:
    """Sessions of allocated clients in one calendar week, which begins on a Monday."""

    begins: dt.date
    booked: int
    attended: int


@dataclass(frozen=True, slots=True)
class LookProgress:
    """One planned look at results by arm, and how many final tests it waits for.

    Parameters
    ----------
    number, of : int
        Which one, and how many are planned.
    tests : int
        Final tests from which on it is due: its share of those expected from the planned clients, at the
        rate at which tests have been done so far.
    done : int
        Final tests so far.
    what : str
        What is counted: where nothing is tested, clients who have reached the horizon of retention.
    """

    number: int
    of: int
    tests: int
    done: int
    what: str = "final tests"

    @property
    def is_due(self) -> bool:
        """Whether it waits no longer."""
        return self.done >= self.tests


@dataclass(frozen=True, slots=True)
class Progress:
    """Counts without arms.

    Parameters
    ----------
    today : date
    screened, eligible, consented, allocated, planned : int
        Clients; ``planned`` is the protocol's number.
    departures, pauses_now : int
    visits : tuple of VisitProgress
        By planned day.
    due : tuple of DueTest
        Every test that is due now or overdue, by the day on which its window closes.
    weeks : tuple of WeekOfSessions
        From the first to the last week with a session.
    sessions_per_week : float
        Attended sessions per allocated client and week since allocation, departed clients included;
        ``nan`` where none can be counted.
    harms, serious_harms : int
        Of clients and trainers; ordinary soreness included.
    looks : tuple of LookProgress
        Planned looks before the end, in order.
    """

    today: dt.date
    screened: int
    eligible: int
    consented: int
    allocated: int
    planned: int
    departures: int
    pauses_now: int
    visits: tuple[VisitProgress, ...]
    due: tuple[DueTest, ...]
    weeks: tuple[WeekOfSessions, ...]
    sessions_per_week: float
    harms: int
    serious_harms: int
    looks: tuple[LookProgress, ...] = ()

    def text(self) -> str:
        """The counts as lines."""
        lines = [
            f"Progress on {self.today} (all arms together)",
            f"  screened {self.screened}, eligible {self.eligible}, consented {self.consented}",
            f"  allocated {self.allocated} of {self.planned} planned",
            f"  departures registered: {self.departures}; on a registered pause today: {self.pauses_now}",
        ]
        lines += [_visit_line(visit) for visit in self.visits]
        for word, late in (("overdue", True), ("due now", False)):
            named = [f"{test.client} {test.visit}" for test in self.due if test.overdue is late]
            if named:
                more = f", and {len(named) - 12} more: studykit today" if len(named) > 12 else ""
                lines.append(f"  {word}: {', '.join(named[:12])}{more}")
        lines += [
            f"  look {look.number} of {look.of}: {'due' if look.is_due else 'not yet due'}, from "
            f"{look.tests} {look.what} on; {look.done} done"
            for look in self.looks
        ]
        lines += [
            f"  week of {week.begins}: {week.attended} of {week.booked} booked sessions attended"
            for week in self.weeks[-4:]
        ]
        if not np.isnan(self.sessions_per_week):
            lines.append(f"  attended sessions per client and week: {self.sessions_per_week:.2f}")
        lines.append(f"  harms recorded: {self.harms}, of these serious: {self.serious_harms}")
        return "\n".join(lines)


def progress(
    records: Records, protocol: Protocol, allocated: Sequence[Allocated], *, today: dt.date
) -> Progress:
    """How far the study is on a day.

    Parameters
    ----------
    records : Records
    protocol : Protocol
    allocated : sequence of Allocated
        Their arms are not looked at.
    today : date
    """
    days = np.array(
        [np.datetime64(client.allocated_on or "NaT", "D") for client in allocated], "datetime64[D]"
    )
    labels = [client.client for client in allocated]
    now = np.datetime64(today)
    screening = records["screening"].columns
    gone = _gone(records, allocated)
    asked = {client.client for client in in_study(allocated, today)}
    visits, due = _visits(records, protocol, labels, days=days, gone=gone, now=now)
    weeks, per_week = _sessions(records, labels, days=days, now=now)
    pauses = records["pauses"].columns
    serious = records["harms"].columns["serious"]
    return Progress(
        today,
        records["screening"].number,
        int((screening["eligible"] == 1.0).sum()),
        int((screening["consented"] == 1.0).sum()),
        len(labels),
        protocol.planning.clients,
        len(set(records["departures"].columns["client"])),
        int(((pauses["first_day"] <= now) & (pauses["last_day"] >= now)).sum()),
        visits,
        tuple(test for test in due if test.client in asked),
        weeks,
        per_week,
        records["harms"].number,
        int((serious == 1.0).sum()),
        _looks(protocol, visits, days=days, now=now),
    )


def _looks(
    protocol: Protocol, visits: tuple[VisitProgress, ...], *, days: Days, now: np.datetime64
) -> tuple[LookProgress, ...]:
    """When each planned look is due, by the tests of the first outcome that is judged at a visit."""
    if not protocol.oversight.planned_looks:
        return ()
    at_visits = [outcome.judged_at for outcome in protocol.outcomes_to_report if outcome.judged_at]
    if not at_visits:
        followed = int((days + np.timedelta64(protocol.last_day, "D") <= now).sum())
        return _due(protocol, protocol.planning.clients, followed, "clients followed to the horizon")
    final = next(visit for visit in visits if visit.visit == at_visits[0])
    closed = final.done + final.overdue + final.after_departure
    expected = protocol.planning.clients * (final.done / closed if final.done else 1.0)
    return _due(protocol, expected, final.done, "final tests")


def _due(protocol: Protocol, expected: float, done: int, what: str) -> tuple[LookProgress, ...]:
    shares = look_fractions(protocol.oversight)[:-1]
    return tuple(
        LookProgress(place, len(shares), math.ceil(share * expected - 1e-9), done, what)
        for place, share in enumerate(shares, start=1)
    )


def _visits(
    records: Records, protocol: Protocol, labels: list[str], *, days: Days, gone: Days, now: np.datetime64
) -> tuple[tuple[VisitProgress, ...], tuple[DueTest, ...]]:
    """Tests done, due and overdue at every visit."""
    ordered = (*protocol.baseline_visits, *protocol.follow_up_visits)
    done = {visit.code: np.zeros(len(labels), dtype=np.int64) for visit in ordered}
    wanted = 0
    for outcome in protocol.outcomes:
        found = rows_of(outcome).tested(records, protocol, outcome, labels)
        if found is None:
            continue
        wanted += len(found.exercises)
        for place, code in enumerate(found.visits):
            np.add.at(done[code], found.client[found.visit == place], 1)
    entries: list[VisitProgress] = []
    due: list[DueTest] = []
    for visit in ordered if wanted else ():
        entry, late, is_open = _visit(visit, done[visit.code], wanted, days=days, gone=gone, now=now)
        entries.append(entry)
        for place in np.flatnonzero(late | is_open).tolist():
            opens, closes = (end[place].item() for end in _window(visit, days))
            due.append(DueTest(labels[place], visit.code, opens, closes, bool(late[place])))
    return tuple(entries), tuple(sorted(due, key=lambda test: test.closes))


def _gone(records: Records, allocated: Sequence[Allocated]) -> Days:
    """The day on which each client left the studio or, if earlier, the study."""
    departures, never = records["departures"].columns, np.datetime64("NaT", "D")
    left = dict(zip(departures["client"], departures["date"], strict=True))
    out = [np.datetime64(out_of_study_on(client.withdrawn) or "NaT", "D") for client in allocated]
    gone = np.array([left.get(client.client, never) for client in allocated], "datetime64[D]")
    return np.asarray(np.fmin(gone, np.array(out, "datetime64[D]")))


def tests_due(
    records: Records, protocol: Protocol, allocated: Sequence[Allocated], *, today: dt.date
) -> tuple[DueTest, ...]:
    """Tests that are due now or overdue, by the day on which their window closes."""
    return progress(records, protocol, allocated, today=today).due


def _window(visit: Visit, days: Days) -> tuple[Days, Days]:
    """First and last day of a visit's window, for each client."""
    last = visit.day + visit.window[1]
    closes = min(last, 0) if visit.baseline else last
    return days + np.timedelta64(visit.day + visit.window[0], "D"), days + np.timedelta64(closes, "D")


def _visit(
    visit: Visit, scores: NDArray[np.int64], wanted: int, *, days: Days, gone: Days, now: np.datetime64
) -> tuple[VisitProgress, NDArray[np.bool_], NDArray[np.bool_]]:
    opens, closes = _window(visit, days)
    absent = scores == 0
    past = absent & (now > closes)
    departed = past & (gone <= closes)
    late = past & ~departed
    is_open = absent & (now >= opens) & (now <= closes)
    later = absent & ~past & ~is_open
    entry = VisitProgress(
        visit.code,
        visit.name,
        int((~absent).sum()),
        int((scores >= wanted).sum()),
        int(is_open.sum()),
        int(late.sum()),
        int(departed.sum()),
        int(later.sum()),
    )
    return entry, late, is_open


def _sessions(
    records: Records, labels: list[str], *, days: Days, now: np.datetime64
) -> tuple[tuple[WeekOfSessions, ...], float]:
    """Sessions by calendar week, and attended sessions per client-week since allocation."""
    columns = records["sessions"].columns
    start = dict(zip(labels, days, strict=True))
    first = np.array(
        [start.get(client, np.datetime64("NaT", "D")) for client in columns["client"]], "datetime64[D]"
    )
    own = ~np.isnat(first) & (columns["date"] >= first) & (columns["date"] <= now)
    dates = columns["date"][own]
    attended = np.asarray(columns["status"][own] == "attended", dtype=bool)
    monday = dates - ((dates.astype(np.int64) + 3) % 7).astype("timedelta64[D]")
    weeks = tuple(
        WeekOfSessions(week.astype(object), int((monday == week).sum()), int(attended[monday == week].sum()))
        for week in np.unique(monday)
    )
    known = days[~np.isnat(days)]
    end = min(now, dates.max()) if dates.size else now  # records that have ended say nothing of later weeks
    span = np.maximum((end - known).astype(np.int64), 0).sum() / 7.0 if known.size else 0.0
    return weeks, float(attended.sum() / span) if span > 0 else float("nan")


def _visit_line(visit: VisitProgress) -> str:
    parts = [f"{visit.done} tested"]
    for number, words in (
        (visit.done - visit.complete, "of them incomplete"),
        (visit.open_now, "due now"),
        (visit.overdue, "overdue"),
        (visit.after_departure, "departed before"),
        (visit.later, "later"),
    ):
        if number:
            parts.append(f"{number} {words}")
    return f"  {visit.name} ({visit.visit}): {', '.join(parts)}"
