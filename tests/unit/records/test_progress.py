"""Progress counts clients, tests and sessions, and can never tell one arm from another."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from studykit.protocol.types import Protocol
from studykit.records.progress import progress
from studykit.records.reading import read_records
from studykit.records.record_tables import Allocated, records_of

from .conftest import HARMS, SESSIONS

Write = Callable[..., Path]


def test_counts(write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]) -> None:
    shown = progress(
        read_records(write(), protocol=protocol), protocol, allocated, today=dt.date(2026, 4, 20)
    )
    assert (shown.screened, shown.eligible, shown.consented, shown.allocated) == (6, 5, 4, 4)
    assert (shown.departures, shown.pauses_now, shown.harms, shown.serious_harms) == (1, 0, 2, 0)
    baseline, week_6 = shown.visits
    assert (baseline.done, baseline.complete, baseline.open_now, baseline.overdue) == (4, 4, 0, 0)
    assert (week_6.done, week_6.complete, week_6.open_now, week_6.overdue) == (
        3,
        1,
        1,
        0,
    )  # C03: day 35 to 49
    assert [(week.begins.isoformat(), week.booked, week.attended) for week in shown.weeks] == [
        ("2026-03-02", 3, 2),
        ("2026-03-09", 2, 1),
        ("2026-04-13", 1, 1),
        ("2026-04-20", 1, 1),
    ]
    assert shown.sessions_per_week == pytest.approx(5 / (4 * 49 / 7))


def test_sessions_a_week_do_not_thin_out_after_the_records_end(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    records = read_records(write(), protocol=protocol)
    at_the_end = progress(records, protocol, allocated, today=dt.date(2026, 4, 20))
    years_later = progress(records, protocol, allocated, today=dt.date(2028, 4, 20))
    assert years_later.sessions_per_week == at_the_end.sessions_per_week


@pytest.mark.parametrize(
    ("today", "expected"),
    [
        ("2026-04-05", (0, 0, 0, 4)),  # day 34: the window opens on day 35
        ("2026-04-06", (4, 0, 0, 0)),
        ("2026-04-20", (4, 0, 0, 0)),  # day 49, the last of the window
        ("2026-04-21", (0, 3, 1, 0)),  # C04 had left before the window closed
    ],
)
def test_tests_fall_due_and_overdue(
    today: str,
    expected: tuple[int, int, int, int],
    write: Write,
    protocol: Protocol,
    allocated: tuple[Allocated, ...],
) -> None:
    records = read_records(
        write(strength="client,visit,date,exercise,load,unit,repetitions\n"), protocol=protocol
    )
    shown = progress(records, protocol, allocated, today=dt.date.fromisoformat(today))
    visit = shown.visits[1]
    assert (visit.open_now, visit.overdue, visit.after_departure, visit.later) == expected
    late = sorted(test.client for test in shown.due if test.overdue and test.visit == "week_6")
    assert late == (["C01", "C02", "C03"] if expected[1] else [])
    assert [test.client for test in shown.due if test.overdue and test.visit == "baseline"] == [
        "C01",
        "C02",
        "C03",
        "C04",
    ]


def test_nothing_depends_on_the_arms(
    write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    records = read_records(write(), protocol=protocol)
    same = tuple(
        Allocated(one.client, "conventional", one.allocated_on, one.trainer, one.factors) for one in allocated
    )
    day = dt.date(2026, 4, 20)
    shown = progress(records, protocol, allocated, today=day)
    assert shown == progress(records, protocol, same, today=day)
    assert "conventional" not in shown.text()
    assert "partner_reps" not in shown.text()


def test_a_pause_today(write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]) -> None:
    records = read_records(write(), protocol=protocol)
    assert progress(records, protocol, allocated, today=dt.date(2026, 3, 16)).pauses_now == 1


def test_an_empty_study(protocol: Protocol) -> None:
    shown = progress(records_of(), protocol, (), today=dt.date(2026, 4, 20))
    assert (shown.screened, shown.allocated, shown.weeks) == (0, 0, ())
    assert np.isnan(shown.sessions_per_week)
    assert "allocated 0 of 40 planned" in shown.text()


def test_every_line_of_the_text(write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]) -> None:
    """Of six weeks with sessions the last four, in order."""
    more = "".join(
        f"C0{client},{day},T1,{status},,,,,\n"
        for client, day, status in [
            (1, "2026-03-18", "attended"), (2, "2026-03-18", "no show"), (3, "2026-03-20", "attended"),
            (3, "2026-03-23", "cancelled"),
        ]
    )  # fmt: skip
    harm = "C03,,2026-03-09,fainted,leg_press,4,severe,yes,no,probable,rest,,SP\n"
    records = read_records(write(sessions=SESSIONS + more, harms=HARMS + harm), protocol=protocol)
    assert progress(records, protocol, allocated, today=dt.date(2026, 4, 21)).text().splitlines() == [
        "Progress on 2026-04-21 (all arms together)",
        "  screened 6, eligible 5, consented 4",
        "  allocated 4 of 40 planned",
        "  departures registered: 1; on a registered pause today: 0",
        "  baseline (baseline): 4 tested",
        "  week 6 (week_6): 3 tested, 2 of them incomplete, 1 overdue",
        "  overdue: C03 week_6",
        "  week of 2026-03-16: 2 of 3 booked sessions attended",
        "  week of 2026-03-23: 0 of 1 booked sessions attended",
        "  week of 2026-04-13: 1 of 1 booked sessions attended",
        "  week of 2026-04-20: 1 of 1 booked sessions attended",
        "  attended sessions per client and week: 0.25",
        "  harms recorded: 3, of these serious: 1",
    ]


@pytest.mark.parametrize(
    ("planned", "tests", "due"),
    [(6, 3, True), (8, 3, True), (9, 4, False), (16, 6, False), (20, 8, False)],
)
def test_a_planned_look_says_when_it_is_due(
    planned: int, tests: int, due: bool, write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    """Half of the final tests that the planned clients will bring, of whom three in four came so far."""
    looking = protocol.model_copy(
        update={
            "oversight": protocol.oversight.model_copy(update={"planned_looks": 1}),
            "planning": protocol.planning.model_copy(update={"clients": planned}),
        }
    )
    records = read_records(write(), protocol=looking)
    shown = progress(records, looking, allocated, today=dt.date(2026, 4, 21))
    final = shown.visits[-1]
    assert (final.done, final.overdue + final.after_departure) == (3, 1)
    (look,) = shown.looks
    assert (look.tests, look.done, look.is_due) == (tests, 3, due)
    words = "due" if due else "not yet due"
    assert f"look 1 of 1: {words}, from {look.tests} final tests on; 3 done" in shown.text()
    assert progress(records, protocol, allocated, today=dt.date(2026, 4, 21)).looks == ()


@pytest.mark.parametrize(("days", "due"), [(0, False), (1, True)])
def test_where_nothing_is_tested_a_look_waits_for_clients_at_the_horizon(
    days: int, due: bool, write: Write, protocol: Protocol, allocated: tuple[Allocated, ...]
) -> None:
    """On the very day on which one client more has reached the horizon, and not the day before."""
    assert protocol.retention_outcome is not None
    looking = protocol.model_copy(
        update={
            "outcomes": (protocol.retention_outcome,),
            "oversight": protocol.oversight.model_copy(update={"planned_looks": 1}),
            "planning": protocol.planning.model_copy(update={"clients": 2}),
        }
    )
    first = min(client.allocated_on for client in allocated if client.allocated_on)
    horizon = dt.timedelta(days=protocol.retention_outcome.horizon_day)
    today = first + horizon + dt.timedelta(days=days - 1)
    shown = progress(read_records(write(), protocol=looking), looking, allocated, today=today)
    (look,) = shown.looks
    assert (look.number, look.of, look.tests, look.done >= 1, look.is_due) == (1, 1, 1, due, due)
    assert f"from 1 clients followed to the horizon on; {look.done} done" in shown.text()
