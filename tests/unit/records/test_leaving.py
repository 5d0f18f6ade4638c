"""Who has left by a day, and the tests that the hypothetical strategy leaves out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from studykit.kinds.continuous.assembly import NO_TEST, missing_counts
from studykit.outcomes.results import LEFT_BEFORE
from studykit.protocol.types import Protocol
from studykit.records.derive import derive_rows
from studykit.records.leaving import has_left
from studykit.records.reading import read_records
from studykit.records.record_tables import Allocated
from studykit.records.rows import RetentionSpells
from studykit.results import RowCount
from studykit.retention.clock import ClientHistory

from .conftest import SESSIONS, STRENGTH, protocol_of

NEVER = float("nan")


def spells_of(*histories: ClientHistory, notices: tuple[float, ...], sessions: int = 9) -> RetentionSpells:
    reasons = ("",) * len(histories)
    return RetentionSpells(None, histories, reasons, np.array(notices), RowCount(sessions, sessions))


def left(spells: RetentionSpells, client: int, *days: float, rule: bool = True) -> list[bool]:
    absence = protocol_of().absence_rule if rule else None
    found = has_left(spells, np.full(len(days), client), np.array(days, dtype=float), absence)
    return found.tolist()


def test_left_from_the_28th_day_away_until_the_next_session() -> None:
    spells = spells_of(ClientHistory((2, 10, 60), 200), ClientHistory((1,), 200), notices=(NEVER, NEVER))
    assert left(spells, 0, -3, 37, 38, 59, 60, 87, 88) == [False, False, True, True, False, False, True]
    assert left(spells, 1, 28, 29, 250, NEVER) == [False, True, True, False]
    assert left(spells, -1, 150) == [False]


def test_a_notice_counts_from_the_day_after_it_unless_the_client_trains_again() -> None:
    history = ClientHistory((5, 40), 200)
    spells = spells_of(history, history, notices=(41.0, 20.0))
    assert left(spells, 0, 40, 41, 42) == [False, False, True]
    assert left(spells, 1, 20, 21, 32, 39, 40, 67, 68) == [False, True, True, True, False, False, True]


def test_without_sessions_or_without_a_rule_the_notices_alone_count() -> None:
    history = ClientHistory((), 200)
    nobody_recorded = spells_of(history, history, notices=(NEVER, 30.0), sessions=0)
    assert left(nobody_recorded, 0, 199) == [False]
    assert left(nobody_recorded, 1, 30, 31) == [False, True]
    recorded = spells_of(history, notices=(NEVER,))
    assert left(recorded, 0, 28) == [True]
    assert left(recorded, 0, 28, rule=False) == [False]


def hypothetical(strategy: str = "hypothetical", **changes: Any) -> Protocol:
    content = protocol_of().model_dump(mode="json", exclude_none=True)
    first = content["outcomes"][0] | {
        "estimand": {"summary": "ratio of geometric means", "strategies": {"leaves_studio": strategy}}
    }
    return protocol_of(outcomes=[first, *content["outcomes"][1:]], **changes)


# C04 trains once, on day 7, and gives notice on day 18; C01 stays away from day 8 to day 49 and then trains.
LATE = STRENGTH.replace("C04,week_6,2026-04-15", "C04,week_6,2026-03-21").replace(
    "C01,week_6,2026-04-13,chest_press,33", "C01,week_6,2026-04-20,chest_press,33"
)


def derived(
    write: Callable[..., Path], allocated: tuple[Allocated, ...], protocol: Protocol, **tables: str
) -> Any:
    records = read_records(write(strength=LATE, pauses="", **tables), protocol=protocol)
    rows, _ = derive_rows(records, protocol, allocated, data_through=dt.date(2026, 5, 1))
    return rows


def test_hypothetical_leaves_out_the_tests_after_departure_and_counts_them(
    write: Callable[..., Path], allocated: tuple[Allocated, ...]
) -> None:
    """C01's test on day 42 comes after 28 countable days away, that of day 49 on the day of the return."""
    rows = derived(write, allocated, hypothetical()).outcomes["strength"]
    tests = {
        (rows.clients.labels[client], rows.exercise_labels[exercise], day)
        for client, visit, exercise, day in zip(rows.client, rows.visit, rows.exercise, rows.day, strict=True)
        if visit == 1
    }
    assert tests == {("C01", "chest_press", 49.0), ("C02", "leg_press", 43.0)}
    counted = {reason: number for reason, number in rows.rows.left_out if number}
    assert counted.pop("after departure") == 2
    assert rows.rows.supplied == 13
    assert rows.rows.used + 2 + sum(counted.values()) == 13
    assert rows.after_departure == {(0, 1), (3, 1)}


@pytest.mark.parametrize("strategy", ["treatment policy", "while on programme"])
def test_other_strategies_leave_none_out_here(
    strategy: str, write: Callable[..., Path], allocated: tuple[Allocated, ...]
) -> None:
    rows = derived(write, allocated, hypothetical(strategy)).outcomes["strength"]
    assert dict(rows.rows.left_out)["after departure"] == 0
    assert rows.after_departure == frozenset()


@pytest.mark.parametrize(("day", "reason"), [("2026-03-13", NO_TEST), ("2026-03-12", LEFT_BEFORE)])
def test_a_missing_test_is_explained_by_the_absence_rule(
    day: str, reason: str, write: Callable[..., Path], allocated: tuple[Allocated, ...]
) -> None:
    """C03 trained for the last time 31 or 32 days before the visit, four of them closed: 27 or 28 count."""
    protocol = hypothetical()
    rows = derived(write, allocated, protocol, sessions=f"{SESSIONS}C03,{day},T1,attended,8,3,1,1,{day}\n")
    cube = np.full((4, 2), np.nan)
    setting = SimpleNamespace(protocol=protocol, rows=rows.outcomes["strength"], composite=cube)
    counts = {(count.arm, count.visit): count.reasons for count in missing_counts(setting, rows.retention)}
    # C02 came back on the day after the visit; C04 had given notice, and was tested a day too late.
    assert counts["partner_reps", "week_6"] == (
        ((LEFT_BEFORE, 1), (NO_TEST, 1)) if reason == NO_TEST else ((LEFT_BEFORE, 2),)
    )
    assert counts["conventional", "week_6"] == ((LEFT_BEFORE, 2),)
    assert counts["conventional", "baseline"] == ((NO_TEST, 2),)


def test_a_test_left_out_is_explained_even_where_the_planned_day_was_before_the_departure(
    write: Callable[..., Path], allocated: tuple[Allocated, ...]
) -> None:
    protocol = hypothetical()
    table = "client,date,reason,still_reachable,recorded_on\nC02,2026-04-14,time,yes,2026-04-14\n"
    text = LATE.replace("C02,week_6,2026-04-14", "C02,week_6,2026-04-15")
    records = read_records(write(strength=text, departures=table, pauses=""), protocol=protocol)
    rows, _ = derive_rows(records, protocol, allocated, data_through=dt.date(2026, 5, 1))
    assert (1, 1) in rows.outcomes["strength"].after_departure
    setting = SimpleNamespace(
        protocol=protocol, rows=rows.outcomes["strength"], composite=np.full((4, 2), np.nan)
    )
    for spells in (None, rows.retention):
        counts = {(c.arm, c.visit): dict(c.reasons) for c in missing_counts(setting, spells)}
        assert counts["partner_reps", "week_6"][LEFT_BEFORE] >= 1
