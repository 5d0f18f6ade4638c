"""Tests and measurements whatever outcome they are for: dates, windows, units, loads that are hardly meant.

Bounds on loads and repetitions are the project's judgement.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from studykit.errors import Finding
from studykit.records.check_context import Scene, first_of, rows_by_value
from studykit.records.record_tables import RecordTable

MOST_REPETITIONS = 30
LARGEST_LOAD = {"kg": 500.0, "lb": 1100.0, "N": 5000.0, "plates": 100.0}
"""More is on no weight stack; loads of the two legs on a plate-loaded press come near it."""


def score_findings(scene: Scene) -> Iterator[Finding]:
    """Everything noticed about tests."""
    for name in ("strength", "measurements"):
        yield from _before_consent(scene, scene.records[name])
        yield from _outside_window(scene, scene.records[name])
    yield from _units(scene)
    yield from _large_loads(scene)
    yield from _repetitions(scene)
    yield from _own_trainer(scene)


def _before_consent(scene: Scene, typed: RecordTable) -> Iterator[Finding]:
    early = np.flatnonzero(scene.since(typed, "date", scene.consented_on) < 0)
    for client, rows in rows_by_value(typed, "client", early.tolist()).items():
        yield first_of(
            "warn", typed, rows, column="date",
            expected=f"a day from consent, {scene.consented_on[client]}",
            got=str(typed.columns["date"][rows[0]]), todo="Correct the date, or report it.",
        )  # fmt: skip


def _outside_window(scene: Scene, typed: RecordTable) -> Iterator[Finding]:
    """Tests too early or too late for their visit, and baseline tests after allocation."""
    day = scene.since(typed, "date", scene.allocated_on)
    for visit in scene.protocol.visits:
        own = typed.columns["visit"] == visit.code
        early, late = visit.day + visit.window[0], visit.day + visit.window[1]
        if visit.baseline:
            late = min(late, 0)
        outside = np.flatnonzero(own & ((day < early) | (day > late)))
        for client, rows in rows_by_value(typed, "client", outside.tolist()).items():
            first = rows[0]
            after = visit.baseline and day[first] > 0
            yield first_of(
                "warn", typed, rows, column="date",
                expected="a baseline before allocation" if after
                else f"visit {visit.code} from day {early} to day {late} after allocation",
                got=f"day {day[first]:.0f} of {client}",
                todo="Correct the date or the visit; a test outside its window is used all the same.",
            )  # fmt: skip


def _units(scene: Scene) -> Iterator[Finding]:
    """One unit for each machine, the one that the protocol names."""
    typed = scene.records["strength"]
    for exercise in scene.protocol.exercises:
        own = np.flatnonzero(typed.columns["exercise"] == exercise.code)
        by_unit = rows_by_value(typed, "unit", own.tolist())
        for unit, rows in by_unit.items():
            if unit != exercise.unit:
                yield first_of(
                    "warn", typed, rows, column="unit",
                    expected=f"{exercise.unit}, the unit of {exercise.code}", got=unit,
                    todo="If the machine shows another unit, correct the load or the unit; "
                    "a unit that is right is converted.",
                )  # fmt: skip


def _large_loads(scene: Scene) -> Iterator[Finding]:
    """Loads that no machine has, whatever the baseline."""
    typed = scene.records["strength"]
    load, unit = typed.columns["load"], typed.columns["unit"]
    limit = np.array([LARGEST_LOAD.get(str(name), np.inf) for name in unit])
    large = np.flatnonzero(load > limit)
    if large.size:
        first = int(large[0])
        yield first_of(
            "warn", typed, large.tolist(), column="load", expected=f"at most {limit[first]:g} {unit[first]}",
            got=f"{load[first]:g} {unit[first]}", todo="Check the decimal point and the unit.",
        )  # fmt: skip


def _repetitions(scene: Scene) -> Iterator[Finding]:
    typed = scene.records["strength"]
    repetitions = typed.columns["repetitions"]
    many = np.flatnonzero(repetitions > MOST_REPETITIONS)
    if many.size:
        yield first_of(
            "warn", typed, many.tolist(), column="repetitions", expected=f"at most {MOST_REPETITIONS}",
            got=f"{repetitions[many[0]]:g}", todo="Check the number.",
        )  # fmt: skip


def _own_trainer(scene: Scene) -> Iterator[Finding]:
    """Assessors who train the client they test."""
    typed = scene.records["strength"]
    trainer = {client.client: client.trainer for client in scene.allocated if client.trainer}
    pairs = zip(typed.columns["client"], typed.columns["assessor"], strict=True)
    rows = [
        row for row, (client, assessor) in enumerate(pairs) if assessor and trainer.get(client) == assessor
    ]
    if rows:
        yield first_of(
            "warn", typed, rows, column="assessor", expected="somebody who does not train the client",
            got=str(typed.columns["assessor"][rows[0]]), todo="Let somebody else test; the report says so.",
        )  # fmt: skip
