"""Scores of continuous outcomes: one for each client, visit and exercise, every other row counted."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import Finding, Severity
from studykit.kinds.continuous.section import AsRecorded, ContinuousOutcome
from studykit.protocol.types import Protocol
from studykit.records.client_rows import label_codes
from studykit.records.leaving import AFTER_DEPARTURE, has_left, stops_at_departure
from studykit.records.record_tables import Records, RecordTable
from studykit.records.rows import Clients, RetentionSpells, Scores
from studykit.records.schema import STRENGTH
from studykit.records.scores import attempt_scores, unit_factor, without_logarithm
from studykit.results import RowCount, frozen_array

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Days = NDArray[np.datetime64]
UNITS = STRENGTH.column("unit").choices


@dataclass(frozen=True, slots=True)
class _Candidates:
    """Rows that could give a score, with reasons for those that cannot; all of shape (m,)."""

    table: RecordTable
    rows: Integers  # index into the table
    exercise: Integers
    score: Floats
    reasons: tuple[tuple[str, Flags], ...]


def outcome_exercises(protocol: Protocol, outcome: ContinuousOutcome) -> tuple[str, ...]:
    """Exercises that make up the outcome's score.

    Where the protocol names none, those that receive partner reps (all, where none does); one empty
    label where the outcome has no exercises.
    """
    if isinstance(outcome.score, AsRecorded):
        return ("",)
    named = outcome.exercises or tuple(
        exercise.code for exercise in protocol.exercises if exercise.partner_reps
    )
    return named or tuple(exercise.code for exercise in protocol.exercises) or ("",)


def visit_labels(protocol: Protocol) -> tuple[tuple[str, ...], tuple[int, ...]]:
    """Visit codes by planned day, the baseline visits first among equals, and the places of these."""
    ordered = sorted(protocol.visits, key=lambda visit: (visit.day, not visit.baseline))
    baseline = tuple(place for place, visit in enumerate(ordered) if visit.baseline)
    return tuple(visit.code for visit in ordered), baseline


@dataclass(frozen=True, slots=True)
class Scored:
    """The highest score of every client, visit and exercise, with the row that gave it; shapes (m,).

    Parameters
    ----------
    table : RecordTable
    row : ndarray of int
        Index into the table.
    client, visit, exercise : ndarray of int
        Indices into the clients asked for, ``visits`` and ``exercises``; sorted in that order.
    score : ndarray of float
    unit : str
    visits, exercises : tuple of str
    baseline : tuple of int
        Places of the baseline visits.
    rows : RowCount
    findings : tuple of Finding
        Loads without a logarithm, units that do not fit the machine.
    after_departure : frozenset of (int, int)
        Client and visit of tests that were left out for that reason.
    """

    table: RecordTable
    row: Integers
    client: Integers
    visit: Integers
    exercise: Integers
    score: Floats
    unit: str
    visits: tuple[str, ...]
    exercises: tuple[str, ...]
    baseline: tuple[int, ...]
    rows: RowCount
    findings: tuple[Finding, ...]
    after_departure: frozenset[tuple[int, int]] = frozenset()


def scored(
    records: Records,
    protocol: Protocol,
    outcome: ContinuousOutcome,
    *,
    clients: Sequence[str],
    departed: Callable[[Integers, Days], Flags] | None = None,
) -> Scored:
    """Scores of the given clients, one for each visit and exercise.

    Of several valid attempts at one visit the highest counts (the first among equals); the others are
    counted as left out for that reason. ``departed`` says of clients and dates whether the client had left
    by then: such tests are left out.
    """
    exercises = outcome_exercises(protocol, outcome)
    visits, baseline = visit_labels(protocol)
    found = (
        _measurements(records["measurements"], outcome)
        if isinstance(outcome.score, AsRecorded)
        else _attempts(records["strength"], protocol, outcome, exercises)
    )
    columns = found.table.columns
    client = label_codes(columns["client"][found.rows], clients)
    visit = label_codes(columns["visit"][found.rows], visits)
    date = columns["date"][found.rows]
    gone = np.zeros(client.size, dtype=bool) if departed is None else departed(client, date)
    undefined = without_logarithm(outcome, found.score)
    reasons = (
        ("client not allocated", client < 0),
        ("visit not in the protocol", visit < 0),
        *found.reasons,
        ("zero or assisted load, which has no logarithm", undefined),
        (AFTER_DEPARTURE, gone),
    )
    usable, left_out = _sieve(found.rows.size, reasons)
    key = (client * len(visits) + visit) * len(exercises) + found.exercise
    best = _best(key, found.score, date=date, usable=usable)
    passed = ("not the best of its visit", int(usable.sum()) - best.size)
    count = RowCount(found.rows.size, best.size, (*left_out, passed), "rows")
    known = (client >= 0) & (visit >= 0)
    findings = tuple(_findings(outcome, found, undefined & known, known))
    return Scored(
        found.table, found.rows[best], client[best], visit[best], found.exercise[best], found.score[best],
        outcome.unit, visits, exercises, baseline, count, findings,
        frozenset(zip(client[gone & known].tolist(), visit[gone & known].tolist(), strict=True)),
    )  # fmt: skip


def score_rows(
    records: Records,
    protocol: Protocol,
    clients: Clients,
    outcome: ContinuousOutcome,
    spells: RetentionSpells,
) -> tuple[Scores, tuple[Finding, ...]]:
    """The scores of one outcome for the allocated clients, as frozen rows.

    Where leaving the studio is handled as hypothetical, a test after the client has left is no test of the
    estimand, and is left out by `studykit.records.leaving.has_left`.
    """

    def since_allocation(client: Integers, date: Days) -> Floats:
        since = date - np.append(clients.allocated_on, np.datetime64("NaT", "D"))[client]
        return np.where(np.isnat(since), np.nan, since.astype("timedelta64[D]").astype(float))

    def departed(client: Integers, date: Days) -> Flags:
        return has_left(spells, client, since_allocation(client, date), protocol.absence_rule)

    stops = departed if stops_at_departure(outcome) else None
    found = scored(records, protocol, outcome, clients=clients.labels, departed=stops)
    day = since_allocation(found.client, found.table.columns["date"][found.row])
    rows = Scores(
        outcome.code,
        clients,
        frozen_array(found.client),
        frozen_array(found.visit),
        frozen_array(found.exercise),
        frozen_array(found.score),
        frozen_array(day),
        found.visits,
        found.baseline,
        found.exercises,
        found.rows,
        found.after_departure,
    )
    return rows, found.findings


def _attempts(
    table: RecordTable, protocol: Protocol, outcome: ContinuousOutcome, exercises: tuple[str, ...]
) -> _Candidates:
    """Attempts at the exercises of the outcome, in the outcome's unit."""
    columns = table.columns
    every = exercises == ("",)
    exercise = (
        np.zeros(table.number, dtype=np.int64) if every else label_codes(columns["exercise"], exercises)
    )
    rows = np.flatnonzero(exercise >= 0)
    exercise = exercise[rows]
    factor = _unit_factors(protocol, outcome, exercises)[exercise, label_codes(columns["unit"], UNITS)[rows]]
    load = columns["load"][rows]
    score, reasons = attempt_scores(
        outcome, load * factor, repetitions=columns["repetitions"][rows], success=columns["success"][rows]
    )
    unfit = np.isfinite(load) & ~np.isfinite(factor)
    return _Candidates(table, rows, exercise, score, (("unit does not fit the machine", unfit), *reasons))


def _unit_factors(protocol: Protocol, outcome: ContinuousOutcome, exercises: tuple[str, ...]) -> Floats:
    """From every unit of the records to the outcome's unit; shape (exercises, units).

    A machine whose labels are plates keeps them as they are: on the log scale they compare within the
    machine.
    """
    machine = {exercise.code: exercise.unit for exercise in protocol.exercises}
    factors = np.empty((len(exercises), len(UNITS)))
    for place, code in enumerate(exercises):
        own = machine.get(code, outcome.unit)
        onwards = unit_factor(own, to=outcome.unit)
        for column, unit in enumerate(UNITS):
            factor = unit_factor(unit, to=own)
            factors[place, column] = factor * (onwards if np.isfinite(onwards) else 1.0)
    return factors


def _measurements(table: RecordTable, outcome: ContinuousOutcome) -> _Candidates:
    columns = table.columns
    rows = np.flatnonzero(columns["outcome"] == outcome.code)
    score = columns["value"][rows]
    exercise = np.zeros(rows.size, dtype=np.int64)
    return _Candidates(table, rows, exercise, score, (("no value", ~np.isfinite(score)),))


def _sieve(number: int, reasons: Sequence[tuple[str, Flags]]) -> tuple[Flags, tuple[tuple[str, int], ...]]:
    """Count every row under the first reason that holds for it."""
    usable = np.ones(number, dtype=bool)
    counts = []
    for reason, holds in reasons:
        counts.append((reason, int(np.count_nonzero(usable & holds))))
        usable = usable & ~holds
    return usable, tuple(counts)


def _best(key: Integers, score: Floats, *, date: NDArray[np.datetime64], usable: Flags) -> Integers:
    """Places of the highest score of every key, in the order of the keys."""
    places = np.flatnonzero(usable)
    order = np.lexsort((date[places], -score[places], key[places]))
    ordered = key[places][order]
    first = np.ones(order.size, dtype=bool)
    first[1:] = ordered[1:] != ordered[:-1]
    return places[order[first]]


def _findings(
    outcome: ContinuousOutcome, found: _Candidates, undefined: Flags, of_clients: Flags
) -> list[Finding]:
    """What somebody has to act on: loads without a logarithm, units that do not fit."""
    column = "value" if isinstance(outcome.score, AsRecorded) else "load"
    findings = []
    severity: Severity = "stop" if outcome.zero_rule == "stop" else "note"
    for place in np.flatnonzero(undefined):
        row = found.rows[place]
        where = f"{found.table.where}, row {found.table.row_numbers[row]}, column {column}"
        todo = (
            'Correct it, or amend the protocol with zero_rule = "leave out" or scale = "as_measured".'
            if severity == "stop"
            else "Left out, by the protocol's zero_rule."
        )
        got = f"{found.table.columns[column][row]:g}"
        findings.append(
            Finding(severity, where, "a value above 0, since it is analysed on the log scale", got, todo)
        )
    unfit = dict(found.reasons).get("unit does not fit the machine")
    for place in np.flatnonzero(unfit & of_clients) if unfit is not None else ():
        row = found.rows[place]
        where = f"{found.table.where}, row {found.table.row_numbers[row]}, column unit"
        findings.append(
            Finding("stop", where, "a unit that can be converted to the machine's",
                    str(found.table.columns["unit"][row]), "Correct the unit, or the unit of the exercise.")
        )  # fmt: skip
    return findings
