"""What of a client's records is used after consent, or data, were taken back; the draw itself stays.

A withdrawal is an act in the ledger, never a row of a table. After a withdrawal of consent nothing later is
used; after a withdrawal of data no test and no session is used at all. Harms stay in both cases, so that
training does not look safer than it is, and so does what the draw was made of.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from studykit.errors import Finding

if TYPE_CHECKING:
    from studykit.records.record_tables import Allocated, Records, RecordTable

REASONS: Mapping[str, str] = {"consent": "consent withdrawn", "data": "data withdrawn"}
"""Why nothing more is known of a client, by what was taken back."""
_DAYS = dict.fromkeys(("strength", "measurements", "sessions", "sets", "health"), "date") | {
    "pauses": "first_day"
}
"""Tables whose rows are no longer used, with the column that says of which day a row is."""


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """What one client took back.

    Parameters
    ----------
    client : str
    what : str
        ``"consent"`` or ``"data"``; the larger where both.
    day : date
        Of the withdrawal.
    rows : int
        Rows of the records that are not used for it.
    """

    client: str
    what: str
    day: dt.date
    rows: int


def out_of_study_on(withdrawn: Mapping[str, dt.date]) -> dt.date | None:
    """The day from which a client is out of the study; None for one who took back touch alone, or nothing.

    Examples
    --------
    >>> out_of_study_on({"touch": dt.date(2026, 3, 2), "data": dt.date(2026, 4, 1)})
    datetime.date(2026, 4, 1)
    """
    return min((day for what, day in withdrawn.items() if what in REASONS), default=None)


def in_study(allocated: Sequence[Allocated], today: dt.date) -> list[Allocated]:
    """Clients who have taken back neither consent nor data by today: those to be asked for anything."""
    days = (out_of_study_on(client.withdrawn) for client in allocated)
    return [client for client, day in zip(allocated, days, strict=True) if day is None or day > today]


def without_withdrawn(
    records: Records, allocated: Sequence[Allocated]
) -> tuple[Records, tuple[Withdrawal, ...]]:
    """The records without the rows that may not be used, and whose they were.

    Parameters
    ----------
    records : Records
    allocated : sequence of Allocated
    """
    out = {one.client: out_of_study_on(one.withdrawn) for one in allocated}
    what = {one.client: "data" if "data" in one.withdrawn else "consent" for one in allocated}
    days = {client: day for client, day in out.items() if day is not None}
    counts = dict.fromkeys(days, 0)
    tables = dict(records.tables)
    for name, column in _DAYS.items() if days else ():
        table = tables[name]
        gone = np.zeros(table.number, dtype=bool)
        for row, (client, day) in enumerate(zip(table.columns["client"], table.columns[column], strict=True)):
            if client in days and (what[client] == "data" or not day <= np.datetime64(days[client])):
                gone[row] = True
                counts[client] += 1
        tables[name] = _kept(table, ~gone) if gone.any() else table
    told = tuple(Withdrawal(client, what[client], day, counts[client]) for client, day in days.items())
    return replace(records, tables=tables) if told else records, told


def _kept(table: RecordTable, rows: NDArray[np.bool_]) -> RecordTable:
    columns = {name: values[rows] for name, values in table.columns.items()}
    return replace(table, columns=columns, row_numbers=table.row_numbers[rows])


def withdrawal_findings(withdrawn: Sequence[Withdrawal]) -> tuple[Finding, ...]:
    """Rows that stand in the tables and are not used, one note for each client."""
    return tuple(
        Finding(
            "note", f"client {one.client}", f"no rows after {REASONS[one.what]}, {one.day}",
            f"{one.rows} rows, which no analysis uses", "Keep them, or delete them as the consent form says.",
        )
        for one in withdrawn
        if one.rows
    )  # fmt: skip
