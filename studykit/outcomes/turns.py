"""Where one client gets both arms: which arm a test belongs to, and rows with a client's turns apart.

A turn is a client in one arm. Counting turns in place of clients gives harms and delivery by the arm that
was given at the time, with every client once in each arm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.protocol.turns import arm_of_period, arm_of_side
from studykit.protocol.types import Protocol
from studykit.records.rows import Clients, Harm, RetentionSpells, Sessions, StrengthRows, StudyRows
from studykit.results import RowCount, frozen_array
from studykit.retention.clock import ClientHistory

Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Turn:
    """One client in one arm.

    Parameters
    ----------
    client, arm : int
        Index into the clients, and into the protocol's arm codes.
    first, last : int
        Days since allocation; a day after the last belongs to it until the next turn begins.
    """

    client: int
    arm: int
    first: int
    last: int


def turns_of(protocol: Protocol, clients: Clients) -> tuple[Turn, ...]:
    """Every client's turns in order; periods that follow each other in one arm are one turn."""
    end = max((visit.day for visit in protocol.follow_up_visits), default=1)
    found: list[Turn] = []
    for client in range(clients.number):
        if protocol.design == "limbs":
            found += [Turn(client, arm, 0, end) for arm in (0, 1)]
            continue
        mine: list[Turn] = []
        for number, period in enumerate(protocol.periods, 1):
            code = arm_of_period(protocol, clients.arm_labels[clients.arm[client]], number)
            arm = protocol.arm_codes.index(code)
            if mine and mine[-1].arm == arm:
                mine[-1] = replace(mine[-1], last=period.last_day)
            else:
                mine.append(Turn(client, arm, period.first_day, period.last_day))
        found += mine
    return tuple(found)


def arms_of_scores(protocol: Protocol, rows: StrengthRows) -> Integers:
    """Arm of every score, an index into the protocol's arm codes; -1 for tests that end no period.

    Returns
    -------
    ndarray of int, shape (m,)
    """
    codes, labels = protocol.arm_codes, rows.clients.arm_labels
    if protocol.design == "limbs":
        dominant = next(
            [levels[code] if code >= 0 else "" for code in values]
            for name, values, levels in rows.clients.factors
            if name == "dominant"
        )
        sides = [protocol.exercise(label).side for label in rows.exercise_labels]
        follow_up = ~np.isin(rows.visit, rows.baseline_visits)
        found = [
            codes.index(
                arm_of_side(
                    labels[rows.clients.arm[client]], sides[exercise], dominant=dominant[client], arms=codes
                )
            )
            if dominant[client]
            else -1
            for client, exercise in zip(rows.client, rows.exercise, strict=True)
        ]
        return np.where(follow_up, np.array(found, dtype=np.int64), -1)
    periods = periods_of_scores(protocol, rows)
    numbers = range(1, len(protocol.periods) + 1)
    table = np.array(
        [[codes.index(arm_of_period(protocol, label, number)) for number in numbers] for label in labels]
    )
    own = table[rows.clients.arm[rows.client], np.maximum(periods, 0)]
    return np.where(periods >= 0, own, -1)


def periods_of_scores(protocol: Protocol, rows: StrengthRows) -> Integers:
    """Period of every score, from 0; -1 for tests that end no period.

    Returns
    -------
    ndarray of int, shape (m,)
    """
    ends = {period.visit: number for number, period in enumerate(protocol.periods)}
    by_visit = np.array([ends.get(label, -1) for label in rows.visit_labels], dtype=np.int64)
    return np.asarray(by_visit[rows.visit], dtype=np.int64)


def in_turns(protocol: Protocol, rows: StudyRows) -> StudyRows:
    """The same rows with every turn as a client of its arm; the rows themselves where nobody turns.

    Scores stay as they are; sessions, harms and attendance go to the turn of their day, days counted from its
    beginning. Where the two sides of a client have different arms, sessions count for both, partner reps for
    the side that gets them, and a harm for the side of its exercise, or for both where none is named.
    """
    if not protocol.turns:
        return rows
    turns = turns_of(protocol, rows.clients)
    clients = _clients(protocol, rows.clients, turns)
    return replace(
        rows,
        clients=clients,
        sessions=None if rows.sessions is None else _sessions(protocol, rows.sessions, clients, turns),
        harms=tuple(harm for turn_harms in _harms(protocol, rows, turns) for harm in turn_harms),
        retention=_attendance(rows, clients, turns),
    )


def _clients(protocol: Protocol, clients: Clients, turns: tuple[Turn, ...]) -> Clients:
    own = np.array([turn.client for turn in turns], dtype=np.int64)
    first = np.array([turn.first for turn in turns], dtype="timedelta64[D]")
    return Clients(
        labels=tuple(f"{clients.labels[turn.client]}, {protocol.arm_codes[turn.arm]}" for turn in turns),
        arm=frozen_array([turn.arm for turn in turns], np.int64),
        arm_labels=protocol.arm_codes,
        trainer=frozen_array(clients.trainer[own]),
        trainer_labels=clients.trainer_labels,
        factors=tuple((name, frozen_array(codes[own]), levels) for name, codes, levels in clients.factors),
        covariates=tuple((name, frozen_array(values[own])) for name, values in clients.covariates),
        allocated_on=frozen_array(clients.allocated_on[own] + first, "datetime64[D]"),
    )


def _places(
    protocol: Protocol, turns: tuple[Turn, ...], client: int, day: float, arm: int | None
) -> list[int]:
    """Turns that something on a day belongs to; ``arm`` where it is known to be of one arm only."""
    mine = [place for place, turn in enumerate(turns) if turn.client == client]
    if protocol.design == "limbs":
        return [place for place in mine if arm is None or turns[place].arm == arm]
    begun = [place for place in mine if turns[place].first <= day or np.isnan(day)]
    return [begun[-1] if begun else mine[0]]


def _sessions(protocol: Protocol, sessions: Sessions, clients: Clients, turns: tuple[Turn, ...]) -> Sessions:
    pairs = [
        (row, place)
        for row, (client, day) in enumerate(zip(sessions.client.tolist(), sessions.day.tolist(), strict=True))
        for place in _places(protocol, turns, client, day, None)
    ]
    rows = np.array([row for row, _ in pairs], dtype=np.int64)
    places = np.array([place for _, place in pairs], dtype=np.int64)
    first = np.array([turn.first for turn in turns], dtype=np.int64)
    taken = {
        name: frozen_array(getattr(sessions, name)[rows])
        for name in ("attended", "trainer", "partner_reps", "partner_sets", "partner_sets_as_planned",
                     "conventional_sets", "effort", "discomfort", "limit_reached", "harm_asked", "range_kept")
    }  # fmt: skip
    if protocol.design == "limbs":
        without = ~np.array([_gets_partner_reps(protocol, turn.arm) for turn in turns])[places]
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


def _harms(protocol: Protocol, rows: StudyRows, turns: tuple[Turn, ...]) -> list[list[Harm]]:
    found = []
    for harm in rows.harms:
        if harm.client < 0:
            found.append([harm])
            continue
        arm = _arm_of_harm(protocol, rows.clients, harm) if protocol.design == "limbs" else None
        places = _places(protocol, turns, harm.client, harm.day, arm)
        found.append([replace(harm, client=place, day=harm.day - turns[place].first) for place in places])
    return found


def _arm_of_harm(protocol: Protocol, clients: Clients, harm: Harm) -> int | None:
    """The arm of the side that a harm's exercise names; None where it names none."""
    known = {exercise.code: exercise.side for exercise in protocol.exercises}
    levels = next((entry for entry in clients.factors if entry[0] == "dominant"), None)
    if not known.get(harm.exercise) or levels is None or levels[1][harm.client] < 0:
        return None
    dominant = levels[2][levels[1][harm.client]]
    allocated = clients.arm_labels[clients.arm[harm.client]]
    arm = arm_of_side(allocated, known[harm.exercise], dominant=dominant, arms=protocol.arm_codes)
    return protocol.arm_codes.index(arm)


def _attendance(rows: StudyRows, clients: Clients, turns: tuple[Turn, ...]) -> RetentionSpells | None:
    """Attendance within each turn, for person-time; the day of the last record ends the last turn."""
    sessions = rows.sessions
    if sessions is None:
        return None
    days: dict[int, list[int]] = {}
    for client, day in zip(sessions.client[sessions.attended], sessions.day[sessions.attended], strict=True):
        days.setdefault(int(client), []).append(int(day))
    through = (rows.data_through - rows.clients.allocated_on).astype("timedelta64[D]")
    histories = []
    for turn in turns:
        known = not np.isnat(through[turn.client])
        end = min(turn.last, int(through[turn.client].astype(int))) if known else turn.last
        own = sorted({day for day in days.get(turn.client, []) if turn.first <= day <= end})
        histories.append(
            ClientHistory(
                attended=tuple(day - turn.first for day in own), data_through=max(end - turn.first, 0)
            )
        )
    empty = ("",) * len(turns)
    return RetentionSpells(clients, tuple(histories), empty, frozen_array(np.full(len(turns), np.nan)),
                           _no_rows(rows))  # fmt: skip


def _no_rows(rows: StudyRows) -> RowCount:
    number = 0 if rows.sessions is None else int(rows.sessions.client.size)
    return RowCount(number, number, (), "rows")
