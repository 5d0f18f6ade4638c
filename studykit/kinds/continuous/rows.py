"""Scores of a continuous outcome from the records, and what is odd about them.

Bounds on ratios are the project's judgement, but for the ratio of pound and kilogram (2.2046), whose mix-up
shows as a follow-up of 0.42 to 0.49 or 2.0 to 2.4 times the baseline.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from studykit.errors import Finding
from studykit.kinds.continuous.section import (
    AsRecorded,
    ContinuousOutcome,
    EstimatedMaximum,
    LoadAtRepetitions,
)
from studykit.protocol.types import Protocol
from studykit.records.check_context import Scene, first_of, place
from studykit.records.kind_rows import Tested
from studykit.records.record_tables import Records
from studykit.records.rows import Clients, RetentionSpells, Scores
from studykit.records.score_rows import Scored, outcome_exercises, score_rows, scored

POUND_MIX_UP = ((0.42, 0.49), (2.0, 2.4))
UNUSUAL_RATIO = (0.8, 1.6)
IMPOSSIBLE_RATIO = (0.3, 4.0)


def tables(outcome: ContinuousOutcome) -> tuple[str, ...]:
    """The table that holds its values."""
    return ("measurements",) if isinstance(outcome.score, AsRecorded) else ("strength",)


def derive(
    records: Records,
    protocol: Protocol,
    clients: Clients,
    outcome: ContinuousOutcome,
    spells: RetentionSpells,
) -> tuple[Scores, tuple[Finding, ...]]:
    """One score for each client, visit and exercise."""
    return score_rows(records, protocol, clients, outcome, spells)


def tested(
    records: Records, protocol: Protocol, outcome: ContinuousOutcome, clients: Sequence[str]
) -> Tested:
    """Scores as they are on record, of any clients."""
    return scored(records, protocol, outcome, clients=clients)


def findings(scene: Scene, outcome: ContinuousOutcome) -> Iterator[Finding]:
    """Attempts that do not fit the score's rule, missing baselines, implausible changes."""
    rule = outcome.score
    if isinstance(rule, LoadAtRepetitions):
        yield from _prescribed(scene, outcome, rule.repetitions)
    elif isinstance(rule, EstimatedMaximum):
        yield from _without_repetition(scene)
    found = scored(scene.records, scene.protocol, outcome, clients=tuple(scene.allocated_on))
    yield from _no_baseline(scene, outcome, found)
    if not isinstance(rule, AsRecorded):
        yield from _ratios(scene, found)


def _without_repetition(scene: Scene) -> Iterator[Finding]:
    typed = scene.records["strength"]
    none = np.flatnonzero((typed.columns["repetitions"] < 1) & (typed.columns["success"] == 1.0))
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
