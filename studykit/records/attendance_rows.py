"""Attendance as frozen rows: histories for the retention clock, and booked sessions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import Finding
from studykit.records.client_rows import label_codes
from studykit.records.record_tables import Records, RecordTable
from studykit.records.rows import Clients, RetentionSpells, Sessions
from studykit.records.schema import SESSIONS
from studykit.records.withdrawal import REASONS, Withdrawal
from studykit.results import RowCount, frozen_array
from studykit.retention.clock import ClientHistory, Closure, Pause

Integers = NDArray[np.int64]
Days = NDArray[np.datetime64]
Flags = NDArray[np.bool_]
NO_DAY = np.datetime64("NaT", "D")
STATUS = SESSIONS.column("status").choices
_ATTENDED, _CANCELLED, _NO_SHOW = (STATUS.index(word) for word in ("attended", "cancelled", "no show"))


def whole_days(dates: Days | np.datetime64, start: Days) -> Integers:
    """Days from ``start``; the smallest integer where either is not known."""
    return np.asarray((dates - start).astype("timedelta64[D]").astype(np.int64))


@dataclass(frozen=True, slots=True)
class Bookings:
    """The table of sessions with its texts as numbers, made once for all that use it; shapes (s,).

    Parameters
    ----------
    table : RecordTable
    client : ndarray of int
        Index among the allocated clients, -1 for others.
    dated : ndarray of bool
        The client is allocated and the day of that is known.
    day : ndarray of int
        Counted from allocation, where ``dated``.
    status : ndarray of int
        Index into `STATUS`.
    """

    table: RecordTable
    client: Integers
    dated: Flags
    day: Integers
    status: Integers


def bookings(records: Records, clients: Clients) -> Bookings:
    """The sessions of the records beside the allocated clients."""
    table = records["sessions"]
    client = label_codes(table.columns["client"], clients.labels)
    start = _start(clients, client)
    day = whole_days(table.columns["date"], start)
    return Bookings(table, client, ~np.isnat(start), day, label_codes(table.columns["status"], STATUS))


def last_recorded_day(records: Records, booked: Bookings) -> np.datetime64:
    """The last day that the records cover, as far as they tell.

    The latest booked session that was not cancelled; without sessions the latest test or measurement.
    """
    dates = booked.table.columns["date"][booked.status != _CANCELLED]
    for column in (dates, records["strength"].columns["date"], records["measurements"].columns["date"]):
        known = column[~np.isnat(column)]
        if known.size:
            return np.datetime64(known.max(), "D")
    return NO_DAY


def retention_spells(
    records: Records,
    clients: Clients,
    *,
    booked: Bookings,
    data_through: np.datetime64,
    withdrawn: Sequence[Withdrawal] = (),
) -> tuple[RetentionSpells, tuple[Finding, ...]]:
    """Histories of all allocated clients.

    Parameters
    ----------
    records : Records
    clients : Clients
    booked : Bookings
    data_through : datetime64[D]
        Last day on which attendance is known.
    withdrawn : sequence of Withdrawal
        Of these clients attendance is known up to that day, or not at all: neither staying nor leaving.

    Returns
    -------
    (RetentionSpells, tuple of Finding)
        A client whose day of allocation is not known gets an empty history of no days, and a finding.
    """
    undated = np.isnat(clients.allocated_on)
    if np.isnat(data_through):
        through = np.zeros(clients.number, dtype=np.int64)
    else:
        through = np.where(undated, 0, np.maximum(whole_days(data_through, clients.allocated_on), 0))
    ends = {clients.labels.index(one.client): (one, _days_known(one, clients)) for one in withdrawn}
    for place, (_, last) in ends.items():
        through[place] = min(through[place], last)
    used, rows = _attended(booked, through)
    attended = _by_client(booked.client[used], booked.day[used], clients.number)
    pauses = _pauses(records["pauses"], clients)
    closures = _closures(records["closures"])
    starts = np.where(undated, 0, clients.allocated_on.astype(np.int64)).tolist()
    histories = tuple(
        ClientHistory(
            days,
            last,
            pauses.get(place, ()),
            tuple(Closure(first - start, end - start) for first, end in closures),
        )
        for place, (days, last, start) in enumerate(zip(attended, through.tolist(), starts, strict=True))
    )
    reasons, registered = _departures(records["departures"], clients)
    for place, (one, last) in ends.items():
        reasons[place], registered[place] = REASONS[one.what], last
    spells = RetentionSpells(clients, histories, tuple(reasons), frozen_array(registered), rows)
    return spells, _undated(undated, clients)


def _start(clients: Clients, client: Integers) -> Days:
    """Day of allocation of the client of each row, not known for others."""
    return np.append(clients.allocated_on, NO_DAY)[client]


def _attended(booked: Bookings, through: Integers) -> tuple[Integers, RowCount]:
    """Rows that say when a client was there, and why the others do not."""
    number = booked.table.number
    reasons = (
        ("client not allocated", booked.client < 0),
        ("day of allocation not known", ~booked.dated),
        ("cancelled", booked.status == _CANCELLED),
        ("no show", booked.status == _NO_SHOW),
        ("before allocation", booked.day < 0),
        ("after the last day of the data", booked.day > np.append(through, 0)[booked.client]),
    )
    usable = np.ones(number, dtype=bool)
    counts = []
    for reason, holds in reasons:
        counts.append((reason, int(np.count_nonzero(usable & holds))))
        usable &= ~holds
    used = np.flatnonzero(usable)
    return used, RowCount(number, used.size, tuple(counts), "sessions")


def _by_client(client: Integers, day: Integers, number: int) -> Iterator[tuple[int, ...]]:
    """Days of every client, in order."""
    order = np.lexsort((day, client))
    ends = np.searchsorted(client[order], np.arange(number + 1))
    days = day[order].tolist()
    for first, last in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True):
        yield tuple(days[first:last])


def _pauses(table: RecordTable, clients: Clients) -> dict[int, tuple[Pause, ...]]:
    """Pauses of every client who has any; intervals that end before they begin are left to the checks."""
    client = label_codes(table.columns["client"], clients.labels)
    start = _start(clients, client)
    first, last = table.columns["first_day"], table.columns["last_day"]
    usable = (client >= 0) & ~np.isnat(start) & (last >= first) & (last >= start)
    found: dict[int, list[Pause]] = {}
    recorded = table.columns["recorded_on"]
    for row in np.flatnonzero(usable).tolist():
        origin = start[row]
        entered = None if np.isnat(recorded[row]) else int((recorded[row] - origin).astype(int))
        pause = Pause(int((first[row] - origin).astype(int)), int((last[row] - origin).astype(int)), entered)
        found.setdefault(int(client[row]), []).append(pause)
    return {place: tuple(sorted(pauses, key=lambda pause: pause[:2])) for place, pauses in found.items()}


def _closures(table: RecordTable) -> list[tuple[int, int]]:
    """Closures as day numbers of the calendar."""
    first, last = table.columns["first_day"], table.columns["last_day"]
    usable = last >= first
    return list(
        zip(first[usable].astype(np.int64).tolist(), last[usable].astype(np.int64).tolist(), strict=True)
    )


def _days_known(one: Withdrawal, clients: Clients) -> int:
    """Days from allocation of which something may be used."""
    start = clients.allocated_on[clients.labels.index(one.client)]
    if one.what == "data" or np.isnat(start):
        return 0
    return max(int((np.datetime64(one.day) - start).astype(int)), 0)


def _departures(table: RecordTable, clients: Clients) -> tuple[list[str], NDArray[np.float64]]:
    """Reason and day of the last departure that was registered for each client."""
    client = label_codes(table.columns["client"], clients.labels)
    reasons = [""] * clients.number
    registered = np.full(clients.number, np.nan)
    dates = table.columns["date"]
    for row in np.argsort(dates, kind="stable").tolist():
        place = int(client[row])
        if place >= 0:
            reasons[place] = str(table.columns["reason"][row])
            since = dates[row] - clients.allocated_on[place]
            registered[place] = np.nan if np.isnat(since) else float(since.astype(int))
    return reasons, registered


def _undated(undated: Flags, clients: Clients) -> tuple[Finding, ...]:
    number = int(undated.sum())
    if not number:
        return ()
    first = clients.labels[int(np.flatnonzero(undated)[0])]
    return (
        Finding(
            "stop",
            "allocation, column date",
            "the day of allocation of every client, since retention is counted from it",
            f"none for {number} clients, {first} the first",
            "Fill in the column date, or take the retention outcome out of the protocol.",
        ),
    )


def session_rows(booked: Bookings, clients: Clients) -> Sessions | None:
    """Booked sessions of allocated clients whose day of allocation is known; ``None`` without any session."""
    if not booked.table.number:
        return None
    kept = np.flatnonzero(booked.dated)
    columns = {name: column[kept] for name, column in booked.table.columns.items()}
    return Sessions(
        clients,
        frozen_array(booked.client[kept]),
        frozen_array(booked.day[kept]),
        frozen_array(booked.status[kept] == _ATTENDED, bool),
        frozen_array(label_codes(columns["trainer"], clients.trainer_labels)),
        partner_reps=frozen_array(columns["partner_reps"]),
        partner_sets=frozen_array(columns["partner_sets"]),
        partner_sets_as_planned=frozen_array(columns["partner_sets_as_planned"]),
        conventional_sets=frozen_array(columns["conventional_sets"]),
        effort=frozen_array(columns["effort"]),
        discomfort=frozen_array(columns["discomfort"]),
        limit_reached=frozen_array(columns["limit_reached"]),
        harm_asked=frozen_array(columns["harm_asked"]),
        range_kept=frozen_array(columns["range_kept"]),
        end_code=tuple(columns["end_code"].tolist()),
    )
