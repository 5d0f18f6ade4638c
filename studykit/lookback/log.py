"""The attendance log: what was understood of a studio's records, in arrays.

Reading, simulation and analysis meet in this one type. Days are whole numbers, counted from 1970-01-01, so
that differences are days and `numpy.datetime64` converts without loss.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError, Finding, Severity
from studykit.results import RowCount, frozen_array

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Bools = NDArray[np.bool_]

EPOCH = dt.date(1970, 1, 1)
UNKNOWN_DAY = -1_000_000  # no day of any studio: before the year 800
NEVER = -UNKNOWN_DAY  # nor this: after the year 4700
UNKNOWN = -1  # a trainer or a mark of partner reps that was not recorded


def day_number(day: dt.date) -> int:
    """Days since 1970-01-01."""
    return (day - EPOCH).days


def day_of(number: int) -> dt.date:
    """The calendar day of a count of days."""
    return EPOCH + dt.timedelta(days=int(number))


@dataclass(frozen=True, slots=True, eq=False)
class ClientFact:
    """Something known of every client when he or she joined, such as the goal or an age band.

    Parameters
    ----------
    name : str
    levels : tuple of str
        The first is the reference.
    level : ndarray of int, shape (clients,)
        Index into ``levels``; `UNKNOWN` where it was not recorded.
    """

    name: str
    levels: tuple[str, ...]
    level: Integers


@dataclass(frozen=True, slots=True, eq=False)
class Spans:
    """Periods of clients, both ends included: registered pauses.

    Parameters
    ----------
    client : ndarray of int, shape (k,)
    first, last, recorded : ndarray of int, shape (k,)
        Days; ``recorded`` is `UNKNOWN_DAY` where nobody wrote when the pause was registered.
    """

    client: Integers
    first: Integers
    last: Integers
    recorded: Integers


@dataclass(frozen=True, slots=True, eq=False)
class NoticedRows:
    """Rows of a file that share one peculiarity.

    Parameters
    ----------
    reason : str
        What they share, in a few words.
    rows : ndarray of int
        Row numbers in the file.
    used : bool
        Whether the rows are used all the same.
    where : str
        File or sheet, and column.
    severity : {"note", "warn", "stop"}
        ``stop`` where something was not understood, so that a person must look.
    expected, got, todo : str
        As in a `Finding`.
    """

    reason: str
    rows: Integers
    used: bool
    where: str
    severity: Severity = "warn"
    expected: str = ""
    got: str = ""
    todo: str = ""

    def finding(self) -> Finding:
        """One finding for all of them, with the first row numbers.

        Examples
        --------
        >>> print(NoticedRows("future", np.array([4, 9]), False, "export.csv, column date", "stop",
        ...                   "a day up to 2026-01-31", "2062-01-05", "Correct the year.").finding())
        export.csv, column date, rows 4 and 9: expected a day up to 2026-01-31; found 2062-01-05. ...
        """
        return Finding(
            self.severity, f"{self.where}, {row_list(self.rows)}", self.expected, self.got, self.todo
        )


_SHOWN = 6


def row_list(rows: Integers) -> str:
    """Row numbers as people read them, the first few and how many more.

    Examples
    --------
    >>> row_list(np.array([7])), row_list(np.arange(2, 12))
    ('row 7', 'rows 2, 3, 4, 5, 6, 7 and 4 more')
    """
    numbers = [str(row) for row in rows[:_SHOWN]]
    rest = len(rows) - len(numbers)
    if len(rows) == 1:
        return f"row {numbers[0]}"
    if rest:
        return f"rows {', '.join(numbers)} and {rest} more"
    return f"rows {', '.join(numbers[:-1])} and {numbers[-1]}"


@dataclass(frozen=True, slots=True, eq=False)
class AttendanceLog:
    """Sessions of one studio, as far as they were understood.

    Parameters
    ----------
    clients, trainers : tuple of str
        Codes, sorted.
    session_client, session_day, session_trainer, session_partner_reps : ndarray of int, shape (s,)
        Attended sessions, sorted by client and day, at most one per client and day. Client and trainer
        are indices; trainer is `UNKNOWN` where not recorded; partner reps are 1 (done), 0 (not done) or
        `UNKNOWN`.
    missed_client, missed_day : ndarray of int, shape (b,)
        Bookings that were cancelled or not kept.
    joined : ndarray of int, shape (clients,)
        Day of joining, `UNKNOWN_DAY` where not recorded.
    notice : ndarray of int, shape (clients,)
        Day on which the client said that he or she stops, `UNKNOWN_DAY` where there was none.
    pauses : Spans
    closures : tuple of (int, int)
        First and last days on which the studio was closed for everybody.
    facts : tuple of ClientFact
    adopted : ndarray of int, shape (trainers,)
        Day from which a trainer worked with partner reps, `UNKNOWN_DAY` where not stated or never.
    marked : bool
        Whether the sessions say if partner reps were done. Without it only ``adopted`` tells.
    first_day, last_day : int
        Window of the records.
    practice_from : int
        Day from which anybody worked with partner reps, `UNKNOWN_DAY` where nobody said.
    empty : tuple of (int, int)
        Stretches in which nobody trained although the studio was open and recorded, as somebody said.
    rows : RowCount
        Rows of the file used and left out, with reasons.
    findings : tuple of Finding
    source : str
        Name of the file, for the report.
    noticed : tuple of NoticedRows
        Every row behind the findings, for the table of rows.
    hashes : tuple of (str, str)
        Files and their SHA-256.
    """

    clients: tuple[str, ...]
    trainers: tuple[str, ...]
    session_client: Integers
    session_day: Integers
    session_trainer: Integers
    session_partner_reps: Integers
    missed_client: Integers
    missed_day: Integers
    joined: Integers
    notice: Integers
    pauses: Spans
    closures: tuple[tuple[int, int], ...]
    facts: tuple[ClientFact, ...]
    adopted: Integers
    marked: bool
    first_day: int
    last_day: int
    rows: RowCount
    findings: tuple[Finding, ...] = field(default=())
    source: str = ""
    noticed: tuple[NoticedRows, ...] = field(default=())
    hashes: tuple[tuple[str, str], ...] = field(default=())
    practice_from: int = UNKNOWN_DAY
    empty: tuple[tuple[int, int], ...] = ()

    def __repr__(self) -> str:
        return (
            f"AttendanceLog({len(self.clients)} clients, {len(self.trainers)} trainers, "
            f"{len(self.session_day)} sessions, {len(self.findings)} findings; {self.rows})"
        )

    def __post_init__(self) -> None:
        counts = {
            "session": (
                self.session_client,
                self.session_day,
                self.session_trainer,
                self.session_partner_reps,
            ),
            "missed": (self.missed_client, self.missed_day),
        }
        for name, columns in counts.items():
            if len({len(column) for column in columns}) != 1:
                raise ArgumentError(
                    where=f"attendance log, {name} columns",
                    expected="one length",
                    got=", ".join(str(len(column)) for column in columns),
                )
        order = self.session_client * 10_000_000 + self.session_day
        if len(order) and not (np.diff(order) > 0).all():
            raise ArgumentError(
                where="attendance log, sessions",
                expected="sorted by client and day, one session per client and day",
                got="another order or a repeated day",
            )
        for name in ("joined", "notice"):
            if len(getattr(self, name)) != len(self.clients):
                raise ArgumentError(
                    where=f"attendance log, {name}",
                    expected=f"{len(self.clients)} days, one per client",
                    got=str(len(getattr(self, name))),
                )


def no_spans() -> Spans:
    """No pauses at all."""
    nothing = frozen_array(np.empty(0), np.int64)
    return Spans(nothing, nothing, nothing, nothing)
