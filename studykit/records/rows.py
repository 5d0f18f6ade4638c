"""Frozen rows: what the outcomes rooms get from records (or from simulation), and nothing else.

All arrays are read-only numpy arrays. Codes are indices into the tuples of labels beside them, so
that analysis works on numbers and never on texts that a person typed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.records.withdrawal import Withdrawal
from studykit.results import Result, RowCount
from studykit.retention.clock import ClientHistory

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Clients(Result):
    """The allocated clients, in order of allocation.

    Parameters
    ----------
    labels : tuple of str, length n
        Client codes.
    arm : ndarray of int, shape (n,)
        Index into ``arm_labels``; 0 is the reference arm.
    arm_labels : tuple of str
        Arm codes, the reference arm first.
    trainer : ndarray of int, shape (n,)
        Index into ``trainer_labels`` of the trainer recorded before allocation; -1 where none is recorded.
    trainer_labels : tuple of str
    factors : tuple of (str, ndarray of int shape (n,), tuple of str)
        Stratifiers of the protocol other than the trainer: name, level index (-1 missing), level labels.
    covariates : tuple of (str, ndarray of float shape (n,))
        Further client facts named in the protocol; ``nan`` where missing.
    allocated_on : ndarray of datetime64[D], shape (n,)
        ``NaT`` where the day is not known (trials allocated elsewhere).
    """

    labels: tuple[str, ...]
    arm: Integers
    arm_labels: tuple[str, ...]
    trainer: Integers
    trainer_labels: tuple[str, ...]
    factors: tuple[tuple[str, Integers, tuple[str, ...]], ...]
    covariates: tuple[tuple[str, Floats], ...]
    allocated_on: NDArray[np.datetime64]

    @property
    def number(self) -> int:
        """How many clients were allocated."""
        return len(self.labels)


@dataclass(frozen=True, slots=True)
class Scores(Result):
    """One row per client, visit and exercise with a score; for any continuous outcome.

    Parameters
    ----------
    outcome : str
        Outcome code of the protocol.
    client, visit, exercise : ndarray of int, shape (m,)
        Indices into ``clients.labels``, ``visit_labels`` and ``exercise_labels``.
    score : ndarray of float, shape (m,)
        In the outcome's unit (not logged); the best valid result of that client, visit and exercise.
    day : ndarray of float, shape (m,)
        Day of the test counted from allocation; ``nan`` where not known.
    visit_labels : tuple of str
        All visits of the protocol, by planned day.
    baseline_visits : tuple of int
        Indices of the visits before allocation.
    exercise_labels : tuple of str
        Exercises of the outcome; one label ("") where the outcome has none.
    rows : RowCount
        Rows of the records: supplied, used, left out with reasons.
    after_departure : frozenset of (int, int)
        Client and visit of tests that the hypothetical strategy leaves out.
    """

    outcome: str
    clients: Clients
    client: Integers
    visit: Integers
    exercise: Integers
    score: Floats
    day: Floats
    visit_labels: tuple[str, ...]
    baseline_visits: tuple[int, ...]
    exercise_labels: tuple[str, ...]
    rows: RowCount
    after_departure: frozenset[tuple[int, int]] = frozenset()


@dataclass(frozen=True, slots=True)
class RetentionSpells(Result):
    """The attendance of every allocated client on the retention clock (day 0 = allocation).

    Parameters
    ----------
    clients : Clients
    histories : tuple of ClientHistory, length n
        Attended days, pauses, closures and the last day of data, per client.
    reasons : tuple of str, length n
        Reason of the registered departure, "" where none is registered.
    registered_on : ndarray of float, shape (n,)
        Day of the registered departure, ``nan`` where none.
    rows : RowCount
        Session rows of the records: supplied, used, left out with reasons.
    """

    clients: Clients
    histories: tuple[ClientHistory, ...]
    reasons: tuple[str, ...]
    registered_on: Floats
    rows: RowCount


@dataclass(frozen=True, slots=True)
class Sessions(Result):
    """Booked sessions of allocated clients, for delivery and for person-time.

    Parameters
    ----------
    client : ndarray of int, shape (s,)
    day : ndarray of int, shape (s,)
        Counted from allocation; may be negative.
    attended : ndarray of bool, shape (s,)
    trainer : ndarray of int, shape (s,)
        Who trained the client that day; -1 where not recorded.
    partner_reps, partner_sets, partner_sets_as_planned, conventional_sets : ndarray of float, shape (s,)
        ``nan`` where not recorded.
    effort, discomfort : ndarray of float, shape (s,)
    limit_reached, harm_asked, range_kept : ndarray of float, shape (s,)
        1 yes, 0 no, ``nan`` not recorded.
    end_code : tuple of str, length s
    """

    clients: Clients
    client: Integers
    day: Integers
    attended: NDArray[np.bool_]
    trainer: Integers
    partner_reps: Floats
    partner_sets: Floats
    partner_sets_as_planned: Floats
    conventional_sets: Floats
    effort: Floats
    discomfort: Floats
    limit_reached: Floats
    harm_asked: Floats
    range_kept: Floats
    end_code: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Harm(Result):
    """One recorded harm."""

    client: int  # index into clients.labels; -1 for a trainer or a person not allocated
    trainer: str
    day: float
    kind: str
    exercise: str
    severity: str
    serious: bool
    expected: bool
    related: str
    partner_reps: float


@dataclass(frozen=True, slots=True)
class Screening(Result):
    """Counts of people assessed, for the flow diagram."""

    assessed: int
    excluded: tuple[tuple[str, int], ...]
    first_day: np.datetime64
    last_day: np.datetime64


@dataclass(frozen=True, slots=True)
class StudyRows(Result):
    """Everything that the outcomes need, derived from records or from simulation.

    Parameters
    ----------
    clients : Clients
    outcomes : mapping of str to rows
        By code, the rows of every outcome of the protocol, of its kind.
    retention : RetentionSpells or None
        The attendance of every client; ``None`` where no outcome tells who stays.
    sessions : Sessions or None
    harms : tuple of Harm
    screening : Screening or None
    assessor_blind : tuple of (str, int)
        Counts of strength rows by "yes", "no", "not recorded".
    data_through : datetime64[D]
        Last day that the records cover.
    table_hashes : tuple of (str, str)
        SHA-256 of every record file that was read.
    sign_offs : tuple of (str, datetime64[D])
        Trainers and the day on which each passed the competency check, ``NaT`` where none is on record.
    withdrawn : tuple of Withdrawal
        Clients who took back consent or data; their rows are not in here.
    """

    clients: Clients
    outcomes: Mapping[str, Any]
    retention: RetentionSpells | None
    sessions: Sessions | None
    harms: tuple[Harm, ...]
    screening: Screening | None
    assessor_blind: tuple[tuple[str, int], ...]
    data_through: np.datetime64
    table_hashes: tuple[tuple[str, str], ...]
    sign_offs: tuple[tuple[str, np.datetime64], ...] = ()
    withdrawn: tuple[Withdrawal, ...] = ()
