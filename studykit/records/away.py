"""Clients who stay away: countable days since they were last seen, counted up to today."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from studykit.errors import Finding
from studykit.protocol.types import Protocol
from studykit.records.attendance_rows import bookings, retention_spells
from studykit.records.check_context import listing
from studykit.records.client_rows import client_rows
from studykit.records.record_tables import Allocated, Records
from studykit.retention.clock import FOUR_WEEKS, countable_days

FIRST_CALL, SECOND_CALL = 14, 21  # days (judgement); the last word is the protocol's own absence


@dataclass(frozen=True, slots=True)
class Away:
    """One client who stays away.

    Parameters
    ----------
    client : str
    last : date or None
        Last attended session since allocation.
    days : int
        Countable days since then: closures and registered pauses, within their caps, do not count.
    counts_as_left : bool
        Whether the absence is as long as that of a departure.
    todo : str
    """

    client: str
    last: dt.date | None
    days: int
    counts_as_left: bool
    todo: str


def clients_away(
    records: Records, protocol: Protocol, allocated: Sequence[Allocated], *, today: dt.date
) -> tuple[Away, ...]:
    """Clients away for 14 countable days or more, the longest first.

    Parameters
    ----------
    records : Records
    protocol : Protocol
    allocated : sequence of Allocated
        Their arms are not looked at; those without a day of allocation are passed over.
    today : date
    """
    rule = protocol.absence_rule or FOUR_WEEKS
    dated = [client for client in allocated if client.allocated_on and client.allocated_on <= today]
    clients = client_rows(records, protocol, dated)
    spells, _ = retention_spells(
        records, clients, booked=bookings(records, clients), data_through=np.datetime64(today)
    )
    found = []
    for client, history in zip(dated, spells.histories, strict=True):
        assert client.allocated_on is not None
        day = min((today - client.allocated_on).days, protocol.last_day)  # later nobody is followed
        seen = max(history.attended, default=None)
        days = countable_days(history, rule, after=seen or 0, through=day)
        if days >= FIRST_CALL:
            last = None if seen is None else client.allocated_on + dt.timedelta(days=seen)
            left = days >= rule.absence_days
            found.append(Away(client.client, last, days, left, _todo(days, left, rule.absence_days)))
    return tuple(sorted(found, key=lambda away: -away.days))


def left_without_notice(
    records: Records, protocol: Protocol, allocated: Sequence[Allocated], *, today: dt.date
) -> tuple[Finding, ...]:
    """Clients whose absence counts as having left, and nobody wrote it down."""
    told = {str(client) for client in records["departures"].columns["client"]}
    here = [client for client in allocated if client.client not in told]
    left = [away for away in clients_away(records, protocol, here, today=today) if away.counts_as_left]
    if not left:
        return ()
    got = f"none for {len(left)} of {len(allocated)} clients, away for up to {left[0].days} countable days: "
    return (
        Finding(
            "warn", records["departures"].where, "a row for everybody who has left",
            got + listing([away.client for away in left], most=20),
            "Ask each for the reason, and write it down.",
        ),
    )  # fmt: skip


def _todo(days: int, left: bool, absence: int) -> str:
    if left:
        return f"{absence} days count as having left; ask for the reason, and write it in records/departures"
    if days >= SECOND_CALL:
        return f"call again; at {absence} days it counts as having left"
    return "call; a pause is registered before, not after"
