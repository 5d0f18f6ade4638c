"""From typed records to the frozen rows of the outcomes: the one way, for files and for simulation."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.errors import Finding
from studykit.protocol.types import Protocol
from studykit.records.attendance_rows import (
    NO_DAY,
    bookings,
    last_recorded_day,
    retention_spells,
    session_rows,
)
from studykit.records.client_rows import client_rows, label_codes
from studykit.records.kind_rows import rows_of
from studykit.records.record_tables import Allocated, Records
from studykit.records.rows import Clients, Harm, Screening, StudyRows
from studykit.records.withdrawal import withdrawal_findings, without_withdrawn


def derive_rows(
    records: Records,
    protocol: Protocol,
    allocated: Sequence[Allocated],
    *,
    data_through: dt.date | None = None,
) -> tuple[StudyRows, tuple[Finding, ...]]:
    """Everything that the outcomes need.

    Parameters
    ----------
    records : Records
        As read, or as simulated.
    protocol : Protocol
    allocated : sequence of Allocated
        In order of allocation; the only source of arms.
    data_through : date, optional
        Last day that the records cover. By default the latest session that was not cancelled, else the
        latest test: give it where the records are known to be complete beyond that day.

    Returns
    -------
    (StudyRows, tuple of Finding)
        Rows left out are counted by reason in each part; findings name those that somebody has to act
        on. Findings of reading stay with ``records``.

    Raises
    ------
    ArgumentError
        If a client is allocated twice or to an unknown arm.
    """
    records, withdrawn = without_withdrawn(records, allocated)
    clients = client_rows(records, protocol, allocated)
    booked = bookings(records, clients)
    through = last_recorded_day(records, booked) if data_through is None else np.datetime64(data_through)
    findings = list(withdrawal_findings(withdrawn))
    spells, undated = retention_spells(
        records, clients, booked=booked, data_through=through, withdrawn=withdrawn
    )
    outcomes: dict[str, Any] = {}
    for outcome in protocol.outcomes_to_report:
        outcomes[outcome.code], more = rows_of(outcome).derive(records, protocol, clients, outcome, spells)
        findings += more
    retention = None if protocol.absence_rule is None else spells
    findings += undated if retention is not None else ()
    rows_of_study = StudyRows(
        clients,
        outcomes,
        retention,
        session_rows(booked, clients),
        _harms(records, clients),
        _screening(records, clients),
        _assessor_blind(records, protocol, clients),
        through,
        records.hashes,
        _sign_offs(records),
        withdrawn,
    )
    return rows_of_study, tuple(dict.fromkeys(findings))


def _sign_offs(records: Records) -> tuple[tuple[str, np.datetime64], ...]:
    """Every trainer of the records' own table, with the day of the competency check."""
    columns = records["trainers"].columns
    pairs = zip(columns["trainer"].tolist(), columns["signed_off_on"], strict=True)
    return tuple(sorted((str(trainer), np.datetime64(day, "D")) for trainer, day in pairs))


def _harms(records: Records, clients: Clients) -> tuple[Harm, ...]:
    columns = records["harms"].columns
    client = label_codes(columns["client"], clients.labels)
    since = columns["date"] - np.append(clients.allocated_on, NO_DAY)[client]
    days = np.where(np.isnat(since), np.nan, since.astype("timedelta64[D]").astype(float))
    return tuple(
        Harm(
            int(client[row]),
            str(columns["trainer"][row]),
            float(days[row]),
            str(columns["kind"][row]),
            str(columns["exercise"][row]),
            str(columns["severity"][row]),
            bool(columns["serious"][row] == 1.0),
            bool(columns["expected"][row] == 1.0),
            str(columns["related"][row]),
            float(columns["partner_reps"][row]),
        )
        for row in range(records["harms"].number)
    )


def _screening(records: Records, clients: Clients) -> Screening | None:
    """People assessed; those who are allocated count as assessed even where their row is missing."""
    table = records["screening"]
    if not table.number:
        return None
    columns = table.columns
    people = columns["client"].tolist()
    allocated = set(clients.labels)
    counts: dict[str, int] = {}
    for row, person in enumerate(people):
        if person not in allocated:
            reason = _why_not(table.columns, row)
            counts[reason] = counts.get(reason, 0) + 1
    dates = columns["date"]
    return Screening(
        len(set(people) | allocated),
        tuple(sorted(counts.items(), key=lambda item: _REASONS.index(item[0]))),
        np.datetime64(dates.min(), "D"),
        np.datetime64(dates.max(), "D"),
    )


_REASONS = ("not eligible", "declined", "not cleared", "other", "not yet allocated")


def _why_not(columns: Mapping[str, NDArray[Any]], row: int) -> str:
    """The recorded reason, else what the answers say."""
    if columns["reason"][row]:
        return str(columns["reason"][row])
    if columns["eligible"][row] == 0.0:
        return "not eligible"
    if columns["consented"][row] == 0.0:
        return "declined"
    return "not cleared" if columns["cleared"][row] == "no" else "not yet allocated"


def _assessor_blind(records: Records, protocol: Protocol, clients: Clients) -> tuple[tuple[str, int], ...]:
    """Tests after allocation by whether the assessor knew the arm."""
    columns = records["strength"].columns
    follow_up = label_codes(columns["visit"], [visit.code for visit in protocol.follow_up_visits]) >= 0
    answers = columns["assessor_blind"][follow_up & (label_codes(columns["client"], clients.labels) >= 0)]
    counts = (
        int((answers == 1.0).sum()), int((answers == 0.0).sum()), int(np.isnan(answers).sum()),
    )  # fmt: skip
    return tuple(zip(("yes", "no", "not recorded"), counts, strict=True))
