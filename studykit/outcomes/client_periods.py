"""Where one client gets both arms: rows with each client's periods apart.

A client's period is the client in one arm. Counted in place of clients, they give harms and delivery by the
arm that was given at the time, with every client once in each arm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.protocol.types import Protocol
from studykit.records.rows import Clients, Harm, RetentionSpells, Sessions, StudyRows
from studykit.results import RowCount, frozen_array
from studykit.retention.clock import ClientHistory

Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class ClientPeriod:
    """One client in one arm.

    Parameters
    ----------
    client, arm : int
        Index into the clients, and into the protocol's arm codes.
    first, last : int
        Days since allocation; a day after the last belongs to it until the next begins.
    """

    client: int
    arm: int
    first: int
    last: int


def client_periods(protocol: Protocol, clients: Clients) -> tuple[ClientPeriod, ...]:
    """Every client's periods in order; those that follow each other in one arm are one."""
    end = max((visit.day for visit in protocol.follow_up_visits), default=1)
    given = _arms_given(protocol, clients)
    if protocol.plan.within == "sides":
        return tuple(ClientPeriod(client, arm, 0, end) for client in range(clients.number) for arm in (0, 1))
    found: list[ClientPeriod] = []
    for client in range(clients.number):
        mine: list[ClientPeriod] = []
        for number, period in enumerate(protocol.periods):
            arm = int(given[clients.arm[client], number, 0])
            if mine and mine[-1].arm == arm:
                mine[-1] = replace(mine[-1], last=period.last_day)
            else:
                mine.append(ClientPeriod(client, arm, period.first_day, period.last_day))
        found += mine
    return tuple(found)


def _arms_given(protocol: Protocol, clients: Clients) -> Integers:
    """Arm by what was allocated, period and side: the order of the codes is that of the clients' labels."""
    codes = protocol.allocated_codes
    schedule = protocol.plan.schedule(len(codes), len(protocol.periods))
    return schedule[[codes.index(label) for label in clients.arm_labels]]


def by_client_period(protocol: Protocol, rows: StudyRows) -> StudyRows:
    """The same rows with every client's period as a client of its arm; as they are where all stay in one arm.

    Scores stay; sessions, harms and attendance go to the period of their day, days counted from its
    beginning. Where the two sides of a client have different arms, sessions count for both, partner reps for
    the side that gets them, and a harm for the side of its exercise, or for both where none is named.
    """
    if not protocol.plan.within:
        return rows
    periods = client_periods(protocol, rows.clients)
    clients = _clients(protocol, rows.clients, periods)
    return replace(
        rows,
        clients=clients,
        sessions=None if rows.sessions is None else _sessions(protocol, rows.sessions, clients, periods),
        harms=tuple(harm for own in _harms(protocol, rows, periods) for harm in own),
        retention=_attendance(rows, clients, periods),
    )


def _clients(protocol: Protocol, clients: Clients, periods: tuple[ClientPeriod, ...]) -> Clients:
    own = np.array([period.client for period in periods], dtype=np.int64)
    first = np.array([period.first for period in periods], dtype="timedelta64[D]")
    return Clients(
        labels=tuple(
            f"{clients.labels[period.client]}, {protocol.arm_codes[period.arm]}" for period in periods
        ),
        arm=frozen_array([period.arm for period in periods], np.int64),
        arm_labels=protocol.arm_codes,
        trainer=frozen_array(clients.trainer[own]),
        trainer_labels=clients.trainer_labels,
        factors=tuple((name, frozen_array(codes[own]), levels) for name, codes, levels in clients.factors),
        covariates=tuple((name, frozen_array(values[own])) for name, values in clients.covariates),
        allocated_on=frozen_array(clients.allocated_on[own] + first, "datetime64[D]"),
    )


def _places(
    protocol: Protocol, periods: tuple[ClientPeriod, ...], client: int, day: float, arm: int | None
) -> list[int]:
    """Periods that something on a day belongs to; ``arm`` where it is known to be of one arm only."""
    mine = [place for place, period in enumerate(periods) if period.client == client]
    if protocol.plan.within == "sides":
        return [place for place in mine if arm is None or periods[place].arm == arm]
    begun = [place for place in mine if periods[place].first <= day or np.isnan(day)]
    return [begun[-1] if begun else mine[0]]


def _sessions(
    protocol: Protocol, sessions: Sessions, clients: Clients, periods: tuple[ClientPeriod, ...]
) -> Sessions:
    pairs = [
        (row, place)
        for row, (client, day) in enumerate(zip(sessions.client.tolist(), sessions.day.tolist(), strict=True))
        for place in _places(protocol, periods, client, day, None)
    ]
    rows = np.array([row for row, _ in pairs], dtype=np.int64)
    places = np.array([place for _, place in pairs], dtype=np.int64)
    first = np.array([period.first for period in periods], dtype=np.int64)
    taken = {
        name: frozen_array(getattr(sessions, name)[rows])
        for name in ("attended", "trainer", "partner_reps", "partner_sets", "partner_sets_as_planned",
                     "conventional_sets", "effort", "discomfort", "limit_reached", "harm_asked", "range_kept")
    }  # fmt: skip
    if protocol.plan.within == "sides":
        without = ~np.array([_gets_partner_reps(protocol, period.arm) for period in periods])[places]
        for name in ("partner_reps", "partner_sets", "partner_sets_as_planned"):
            taken[name] = frozen_array(np.where(without, 0.0, taken[name]))
    return Sessions(
        clients=clients,
        client=frozen_array(places),
        day=frozen_array(sessions.day[rows] - first[places]),
        end_code=tuple(sessions.end_code[row] for row in rows),
        **taken,
    )


def _gets_partner_reps(protocol: Protocol, arm: int) -> bool:
    dose = protocol.arm(protocol.arm_codes[arm]).dose
    return dose is not None and dose.partner_reps_per_set > 0


def _harms(protocol: Protocol, rows: StudyRows, periods: tuple[ClientPeriod, ...]) -> list[list[Harm]]:
    found = []
    for harm in rows.harms:
        if harm.client < 0:
            found.append([harm])
            continue
        arm = _arm_of_harm(protocol, rows.clients, harm) if protocol.plan.within == "sides" else None
        places = _places(protocol, periods, harm.client, harm.day, arm)
        found.append([replace(harm, client=place, day=harm.day - periods[place].first) for place in places])
    return found


def _arm_of_harm(protocol: Protocol, clients: Clients, harm: Harm) -> int | None:
    """The arm of the side that a harm's exercise names; None where it names none."""
    side = next((own.side for own in protocol.exercises if own.code == harm.exercise), "")
    known = next(((codes, levels) for name, codes, levels in clients.factors if name == "dominant"), None)
    if known is None or not side or known[0][harm.client] < 0:
        return None
    dominant = known[1][known[0][harm.client]]
    return int(_arms_given(protocol, clients)[clients.arm[harm.client], 0, int(side != dominant)])


def _attendance(
    rows: StudyRows, clients: Clients, periods: tuple[ClientPeriod, ...]
) -> RetentionSpells | None:
    """Attendance within each period, for person-time; the day of the last record ends the last one."""
    sessions = rows.sessions
    if sessions is None:
        return None
    days: dict[int, list[int]] = {}
    for client, day in zip(sessions.client[sessions.attended], sessions.day[sessions.attended], strict=True):
        days.setdefault(int(client), []).append(int(day))
    through = (rows.data_through - rows.clients.allocated_on).astype("timedelta64[D]")
    histories = []
    for period in periods:
        known = not np.isnat(through[period.client])
        end = min(period.last, int(through[period.client].astype(int))) if known else period.last
        own = sorted({day for day in days.get(period.client, []) if period.first <= day <= end})
        histories.append(
            ClientHistory(
                attended=tuple(day - period.first for day in own), data_through=max(end - period.first, 0)
            )
        )
    empty = ("",) * len(periods)
    return RetentionSpells(clients, tuple(histories), empty, frozen_array(np.full(len(periods), np.nan)),
                           _no_rows(rows))  # fmt: skip


def _no_rows(rows: StudyRows) -> RowCount:
    number = 0 if rows.sessions is None else int(rows.sessions.client.size)
    return RowCount(number, number, (), "rows")
