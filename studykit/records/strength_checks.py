"""Strength tests and measurements: dates, windows, units, loads that are hardly meant.

Bounds on loads and repetitions are the project's judgement, but for the ratio of pound and kilogram
(2.2046), whose mix-up shows as a follow-up of 0.42 to 0.49 or 2.0 to 2.4 times the baseline.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from studykit.errors import Finding
from studykit.protocol.types import AsRecorded, ContinuousOutcome, EstimatedMaximum, LoadAtRepetitions
from studykit.records.check_context import Scene, first_of, place, rows_by_value
from studykit.records.score_rows import Scored, outcome_exercises, scored
from studykit.records.tables import RecordTable

POUND_MIX_UP = ((0.42, 0.49), (2.0, 2.4))
UNUSUAL_RATIO = (0.8, 1.6)
IMPOSSIBLE_RATIO = (0.3, 4.0)
MOST_REPETITIONS = 30
LARGEST_LOAD = {"kg": 500.0, "lb": 1100.0, "N": 5000.0, "plates": 100.0}
"""More is on no weight stack; loads of the two legs on a plate-loaded press come near it."""


def strength_findings(scene: Scene) -> Iterator[Finding]:
    """Everything noticed about tests."""
    for name in ("strength", "measurements"):
        yield from _before_consent(scene, scene.records[name])
        yield from _outside_window(scene, scene.records[name])
    yield from _units(scene)
    yield from _large_loads(scene)
    yield from _repetitions(scene)
    yield from _own_trainer(scene)
    for outcome in scene.protocol.continuous_outcomes:
        found = scored(scene.records, scene.protocol, outcome, clients=tuple(scene.allocated_on))
        yield from _no_baseline(scene, outcome, found)
        if not isinstance(outcome.score, AsRecorded):
            yield from _ratios(scene, found)


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
    repetitions, success = typed.columns["repetitions"], typed.columns["success"]
    many = np.flatnonzero(repetitions > MOST_REPETITIONS)
    if many.size:
        yield first_of(
            "warn", typed, many.tolist(), column="repetitions", expected=f"at most {MOST_REPETITIONS}",
            got=f"{repetitions[many[0]]:g}", todo="Check the number.",
        )  # fmt: skip
    for outcome in scene.protocol.continuous_outcomes:
        if isinstance(outcome.score, LoadAtRepetitions):
            yield from _prescribed(scene, outcome, outcome.score.repetitions)
        elif isinstance(outcome.score, EstimatedMaximum):
            none = np.flatnonzero((repetitions < 1) & (success == 1.0))
            if none.size:
                yield first_of(
                    "warn", typed, none.tolist(), column="success", expected="no, without a full repetition",
                    got="yes", todo="Correct it; the attempt is not used.",
                )  # fmt: skip


def _prescribed(scene: Scene, outcome: ContinuousOutcome, prescribed: int) -> Iterator[Finding]:
    """Attempts marked as successful although repetitions are missing, and other numbers than prescribed."""
    typed = scene.records["strength"]
    repetitions, success = typed.columns["repetitions"], typed.columns["success"]
    own = np.isin(typed.columns["exercise"].astype(str), outcome_exercises(scene.protocol, outcome))
    short = np.flatnonzero(own & (success == 1.0) & (repetitions < prescribed))
    if short.size:
        yield first_of(
            "warn", typed, short.tolist(), column="success",
            expected=f"no, or {prescribed} repetitions as prescribed",
            got=f"yes with {repetitions[short[0]]:g}", todo="Correct one of them; the attempt is not used.",
        )  # fmt: skip
    over = np.flatnonzero(own & (success != 0.0) & (repetitions > prescribed))
    if over.size:
        yield first_of(
            "note", typed, over.tolist(), column="repetitions", expected=f"{prescribed}, as prescribed",
            got=f"{repetitions[over[0]]:g}",
            todo="The load counts as lifted, and no more than that.",
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


def _no_baseline(scene: Scene, outcome: ContinuousOutcome, found: Scored) -> Iterator[Finding]:
    if not found.baseline or not scene.allocated_on:
        return
    tested = set(found.client[np.isin(found.visit, found.baseline)].tolist())
    absent = [client for place_, client in enumerate(scene.allocated_on) if place_ not in tested]
    if absent:
        shown = ", ".join(absent[:5]) + (", …" if len(absent) > 5 else "")
        yield Finding(
            "warn", found.table.where, f"a baseline score for {outcome.code} of every allocated client",
            f"none for {len(absent)}: {shown}", "Add the test if there was one; the client stays in.",
        )  # fmt: skip


def _ratios(scene: Scene, found: Scored) -> Iterator[Finding]:
    """Follow-up scores that are no plausible multiple of the client's own baseline."""
    base: dict[tuple[int, int], float] = {}
    clients = tuple(scene.allocated_on)
    for client, visit, exercise, score in zip(
        found.client.tolist(),
        found.visit.tolist(),
        found.exercise.tolist(),
        found.score.tolist(),
        strict=True,
    ):
        if visit in found.baseline:
            base[client, exercise] = score
    for index in np.flatnonzero(~np.isin(found.visit, found.baseline)).tolist():
        own = base.get((int(found.client[index]), int(found.exercise[index])), 0.0)
        if own <= 0.0 or found.score[index] <= 0.0:
            continue
        ratio = float(found.score[index]) / own
        where = place(found.table, int(found.row[index]), "load")
        got = f"{ratio:.2f} times the baseline of {clients[found.client[index]]}"
        if any(low <= ratio <= high for low, high in POUND_MIX_UP):
            todo = "Check the unit of this test and of the baseline."
            yield Finding("warn", where, "pound and kilogram not mixed up", got, todo)
        elif not IMPOSSIBLE_RATIO[0] <= ratio <= IMPOSSIBLE_RATIO[1]:
            expected = f"{IMPOSSIBLE_RATIO[0]:g} to {IMPOSSIBLE_RATIO[1]:g} times the baseline"
            yield Finding("stop", where, expected, got, "Correct this load or the baseline.")
        elif not UNUSUAL_RATIO[0] <= ratio <= UNUSUAL_RATIO[1]:
            expected = f"{UNUSUAL_RATIO[0]:g} to {UNUSUAL_RATIO[1]:g} times the baseline"
            yield Finding("warn", where, expected, got, "Check both tests.")
