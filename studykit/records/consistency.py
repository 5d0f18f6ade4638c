"""What the tables say of each other: contradictions, gaps, values that are hardly meant.

No finding names an arm, and partner reps in the reference arm are none: they are a record of
contamination, which the outcomes report.

The checks of people and harms stand here: codes of clients and trainers over all tables, screening before
allocation, dates in the future, harms that contradict themselves (none is ever left out for that).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence

import numpy as np

from studykit.errors import Finding
from studykit.protocol.types import Protocol
from studykit.records.attendance_checks import attendance_findings
from studykit.records.check_context import Scene, first_of, listing, place, rows_by_value
from studykit.records.kind_rows import rows_of
from studykit.records.nearest import nearest_known
from studykit.records.record_tables import Allocated, Records
from studykit.records.schema import TABLES
from studykit.records.score_checks import score_findings

_INTRODUCING = frozenset({"screening", "clients"})


def people_findings(scene: Scene) -> Iterator[Finding]:
    """Unknown clients and trainers, clients without an arm, screening that contradicts it."""
    yield from _unknown_clients(scene)
    yield from _unknown_trainers(scene)
    yield from changed_facts(scene)
    yield from _not_allocated(scene)
    yield from _screening(scene)
    yield from _future(scene)


def _unknown_clients(scene: Scene) -> Iterator[Finding]:
    tables = scene.records.tables
    listed = set(tables["clients"].columns["client"]) | scene.records.unread_clients
    screened = set(tables["screening"].columns["client"])
    known = listed | screened | set(scene.allocated_on)
    for entry in TABLES:
        typed = tables[entry.name]
        if entry.name in _INTRODUCING or "client" not in typed.columns:
            continue
        strange = [
            row for row, client in enumerate(typed.columns["client"]) if client and client not in known
        ]
        for client, rows in rows_by_value(typed, "client", strange).items():
            near = nearest_known(client, sorted(known))
            yield first_of(
                "stop", typed, rows, column="client", expected="a client of clients.csv", got=client,
                todo=f"Is {near} meant? Correct the code, or add the client." if near
                else "Correct the code, or add the client.",
            )  # fmt: skip
    absent = [client for client in scene.allocated_on if client not in listed]
    if absent and (listed or not scene.protocol.is_external):
        others = f", nor for {len(absent) - 1} more: {listing(absent[1:])}" if len(absent) > 1 else ""
        yield Finding(
            "stop", tables["clients"].where, f"a row for {absent[0]}, who is allocated", f"none{others}",
            "Add what was known before allocation.",
        )  # fmt: skip


def changed_facts(scene: Scene) -> Iterator[Finding]:
    """Facts in ``clients`` that are no longer those under which the client was allocated."""
    typed = scene.records["clients"]
    rows = {str(client): row for row, client in enumerate(typed.columns["client"])}
    for client in scene.allocated:
        row = rows.get(client.client)
        for name, then in {"trainer": client.trainer, **client.factors}.items():
            now = "" if row is None or name not in typed.columns else str(typed.columns[name][row])
            if row is not None and then and now and now.casefold() != then.casefold():
                yield Finding(
                    "warn", place(typed, row, name), f"{then}, as {client.client} was allocated", now,
                    "Restore the cell; if it was mistyped then, record that with: studykit correct.",
                )  # fmt: skip


def _unknown_trainers(scene: Scene) -> Iterator[Finding]:
    known = set(scene.records["trainers"].columns["trainer"])
    if not known:
        if scene.allocated and not scene.protocol.is_external:
            yield Finding(
                "warn", scene.records["trainers"].where, "a row for each trainer", "none",
                "Put the table back; without it no trainer counts as signed off.",
            )  # fmt: skip
        return
    for name in ("clients", "sessions", "harms"):
        typed = scene.records[name]
        strange = [row for row, code in enumerate(typed.columns["trainer"]) if code and code not in known]
        for code, rows in rows_by_value(typed, "trainer", strange).items():
            near = nearest_known(code, sorted(known))
            yield first_of(
                "warn", typed, rows, column="trainer", expected="a trainer of trainers.csv", got=code,
                todo=f"Is {near} meant? Correct the code, or add the trainer." if near
                else "Correct the code, or add the trainer.",
            )  # fmt: skip


def _not_allocated(scene: Scene) -> Iterator[Finding]:
    """Clients who wait; after the first allocation a note says who."""
    typed = scene.records["clients"]
    waiting = [row for row, client in enumerate(typed.columns["client"]) if client not in scene.allocated_on]
    if waiting and scene.allocated_on:
        codes = [str(typed.columns["client"][row]) for row in waiting]
        yield Finding(
            "note", place(typed, waiting[0], "client"), "an allocated client",
            f"{len(codes)} without an arm: {listing(codes)}",
            "Enrol them, or leave them; they are not analysed.",
        )  # fmt: skip


def _screening(scene: Scene) -> Iterator[Finding]:
    """Allocated clients whose screening says otherwise."""
    typed = scene.records["screening"]
    if not typed.number:
        if scene.allocated and not scene.protocol.is_external:
            yield Finding(
                "warn", typed.where, "a row for everybody who was assessed", "none",
                "Put the table back; without it nobody can see how many were asked, and why some are not in.",
            )  # fmt: skip
        return
    columns = typed.columns
    for row, client in enumerate(columns["client"]):
        if client not in scene.allocated_on:
            continue
        for column, wrong in (
            ("eligible", columns["eligible"][row] == 0.0),
            ("consented", columns["consented"][row] == 0.0),
            ("cleared", columns["cleared"][row] == "no"),
        ):
            if wrong:
                yield Finding(
                    "warn", place(typed, row, column), f"yes, since {client} is allocated", "no",
                    "Correct the row, or report the allocation as a departure from the protocol.",
                )  # fmt: skip
        if columns["reason"][row]:
            yield Finding(
                "warn", place(typed, row, "reason"), f"nothing, since {client} is allocated",
                str(columns["reason"][row]), "Correct the row.",
            )  # fmt: skip
        consented, allocated = columns["consent_date"][row], scene.allocated_on[client]
        if consented > allocated:
            yield Finding(
                "warn", place(typed, row, "consent_date"), f"a day up to allocation, {allocated}",
                str(consented), "Correct it, or report it.",
            )  # fmt: skip
    for client in sorted(set(scene.allocated_on) - set(columns["client"]) - scene.records.unread_clients):
        yield Finding(
            "warn", typed.where, f"a row for {client}, who is allocated", "none", "Add the screening."
        )


def _future(scene: Scene) -> Iterator[Finding]:
    """Dates of things that cannot have happened yet; planned pauses and closures may lie ahead."""
    if scene.today is None:
        return
    today = np.datetime64(scene.today)
    for entry in TABLES:
        if entry.name in ("pauses", "closures"):
            continue
        typed = scene.records[entry.name]
        for column in entry.columns:
            if column.kind != "date":
                continue
            late = np.flatnonzero(typed.columns[column.name] > today)
            if entry.name == "sessions" and column.name == "date":
                late = late[typed.columns["status"][late] == "attended"]
            if late.size:
                yield first_of(
                    "stop", typed, late.tolist(), column=column.name,
                    expected=f"a day up to today, {scene.today}",
                    got=str(typed.columns[column.name][late[0]]),
                    todo="Correct the date.",
                )  # fmt: skip


def harm_findings(scene: Scene) -> Iterator[Finding]:
    """Everything noticed about harms."""
    typed = scene.records["harms"]
    columns = typed.columns
    since = scene.since(typed, "date", scene.allocated_on)
    for row in range(typed.number):
        severity = columns["severity"][row]
        if not columns["client"][row] and not columns["trainer"][row]:
            yield Finding(
                "stop", place(typed, row, "client"), "the client or the trainer who was hurt", "neither",
                "Fill one of them in.",
            )  # fmt: skip
        if columns["serious"][row] == 1.0 and severity == "mild":
            yield Finding(
                "warn", place(typed, row, "severity"), "moderate or severe, since the harm is serious",
                "mild", "Let the reviewer of the protocol judge both.",
            )  # fmt: skip
        if columns["expected"][row] == 1.0 and (columns["serious"][row] == 1.0 or severity == "severe"):
            yield Finding(
                "warn", place(typed, row, "expected"), "no: only ordinary soreness is expected", "yes",
                "Correct it; the harm would be counted apart.",
            )  # fmt: skip
        if np.isfinite(since[row]) and since[row] < 0:
            client = columns["client"][row]
            yield Finding(
                "note", place(typed, row, "date"), f"a day from allocation, {scene.allocated_on[client]}",
                str(columns["date"][row]), "It is counted; check the date.",
            )  # fmt: skip


def check_consistency(
    records: Records,
    protocol: Protocol,
    allocated: Sequence[Allocated] = (),
    *,
    today: dt.date | None = None,
) -> tuple[Finding, ...]:
    """Everything noticed across tables.

    Parameters
    ----------
    records : Records
    protocol : Protocol
    allocated : sequence of Allocated
        Their days of allocation and trainers are used, never their arms.
    today : date, optional
        With it, dates that lie in the future are found.

    Returns
    -------
    tuple of Finding
        ``stop`` where an answer would rest on a contradiction (unknown clients, a pause that ends
        before it begins, a load that cannot be right), else ``warn`` or ``note``.
    """
    scene = Scene(records, protocol, tuple(allocated), today)
    return (
        *people_findings(scene),
        *score_findings(scene),
        *(finding for outcome in protocol.outcomes for finding in rows_of(outcome).findings(scene, outcome)),
        *attendance_findings(scene),
        *harm_findings(scene),
    )
