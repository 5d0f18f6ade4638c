"""Frozen rows depend neither on the order of the rows in a file nor on the unit of the loads."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from studykit.protocol.types import Protocol
from studykit.records.derive import derive_rows
from studykit.records.record_tables import Allocated, RecordTable, record_table, records_of

CLIENTS = ("C1", "C2", "C3")
START = dt.date(2026, 3, 2)
PROTOCOL = Protocol.model_validate(
    {
        "format": 1,
        "design": "parallel",
        "study": {"title": "t", "code": "t", "version": "1", "date": "2026-01-01", "question": "?"},
        "arms": [{"code": "a", "name": "a"}, {"code": "b", "name": "b"}],
        "exercises": [{"code": "press", "name": "press"}, {"code": "row", "name": "row"}],
        "visits": [
            {"code": "before", "name": "before", "day": 0, "baseline": True},
            {"code": "after", "name": "after", "day": 42},
        ],
        "outcomes": [
            {"kind": "continuous", "code": "s", "name": "s", "unit": "kg", "primary_visit": "after",
             "score": {"rule": "estimated maximum", "equation": "brzycki"}},
            {"kind": "retention", "code": "r", "name": "r"},
        ],
        "allocation": {"method": "permuted blocks"},
    }
)  # fmt: skip
ALLOCATED = tuple(Allocated(client, "ab"[place % 2], START, "", {}) for place, client in enumerate(CLIENTS))

ATTEMPTS = st.lists(
    st.tuples(
        st.sampled_from((*CLIENTS, "X")),
        st.sampled_from(("before", "after", "never")),
        st.sampled_from(("press", "row", "curl")),
        st.integers(-2, 40).map(lambda steps: steps * 2.5),
        st.integers(0, 14),
        st.sampled_from(("yes", "no", None)),
        st.integers(-5, 60),
    ),
    max_size=25,
)
VISITS_PAID = st.lists(
    st.tuples(
        st.sampled_from((*CLIENTS, "X")),
        st.integers(-10, 90),
        st.sampled_from(("attended", "cancelled", "no show")),
    ),
    max_size=30,
    unique_by=lambda row: row[:2],
)


def strength(rows: list[Any], unit: str = "kg", factor: float = 1.0) -> RecordTable:
    names = ("client", "visit", "exercise", "load", "repetitions", "success", "days")
    columns = dict(zip(names, map(list, zip(*rows, strict=True)), strict=True)) if rows else {}
    days = columns.pop("days", [])
    if rows:
        columns["load"] = [load * factor for load in columns["load"]]
        columns |= {"unit": [unit] * len(rows), "date": [START + dt.timedelta(days=day) for day in days]}
    return record_table("strength", columns)


def sessions(rows: list[Any]) -> RecordTable:
    columns = {
        "client": [row[0] for row in rows],
        "date": [START + dt.timedelta(days=row[1]) for row in rows],
        "status": [row[2] for row in rows],
    }
    return record_table("sessions", columns)


@settings(max_examples=80, deadline=None)
@given(ATTEMPTS, VISITS_PAID, st.randoms(use_true_random=False))
def test_order_of_rows_means_nothing(attempts: list[Any], paid: list[Any], rng: Any) -> None:
    first, _ = derive_rows(records_of([strength(attempts), sessions(paid)]), PROTOCOL, ALLOCATED)
    rng.shuffle(attempts)
    rng.shuffle(paid)
    second, _ = derive_rows(records_of([strength(attempts), sessions(paid)]), PROTOCOL, ALLOCATED)
    for name in ("client", "visit", "exercise", "score", "day"):
        np.testing.assert_array_equal(getattr(first.outcomes["s"], name), getattr(second.outcomes["s"], name))
    assert first.outcomes["s"].rows == second.outcomes["s"].rows
    assert first.retention is not None
    assert second.retention is not None
    assert first.retention.histories == second.retention.histories
    assert first.retention.rows == second.retention.rows


@settings(max_examples=60, deadline=None)
@given(ATTEMPTS)
def test_pounds_and_kilograms_give_the_same_scores(attempts: list[Any]) -> None:
    kilograms, _ = derive_rows(records_of([strength(attempts)]), PROTOCOL, ALLOCATED)
    pounds, _ = derive_rows(records_of([strength(attempts, "lb", 1.0 / 0.45359237)]), PROTOCOL, ALLOCATED)
    # Twelve digits: a conversion there and back costs a few units in the last place.
    np.testing.assert_allclose(pounds.outcomes["s"].score, kilograms.outcomes["s"].score, rtol=1e-12)
    assert pounds.outcomes["s"].rows == kilograms.outcomes["s"].rows


@settings(max_examples=80, deadline=None)
@given(ATTEMPTS)
def test_scores_are_the_best_by_a_loop_over_rows(attempts: list[Any]) -> None:
    """A slow twin: one loop, a dictionary, the formula 36w/(37 - r) written out."""
    best: dict[tuple[int, int, int], float] = {}
    for client, visit, exercise, load, repetitions, success, _ in attempts:
        usable = client in CLIENTS and visit != "never" and exercise != "curl" and load > 0
        if usable and success != "no" and 1 <= repetitions <= 10:
            key = (CLIENTS.index(client), ("before", "after").index(visit), ("press", "row").index(exercise))
            best[key] = max(best.get(key, 0.0), 36.0 * load / (37.0 - repetitions))
    rows, _ = derive_rows(records_of([strength(attempts)]), PROTOCOL, ALLOCATED)
    found = rows.outcomes["s"]
    keys = list(zip(found.client.tolist(), found.visit.tolist(), found.exercise.tolist(), strict=True))
    assert keys == sorted(best)
    np.testing.assert_allclose(found.score, [best[key] for key in sorted(best)], rtol=1e-14)
    assert found.rows.supplied == sum(attempt[2] != "curl" for attempt in attempts)
