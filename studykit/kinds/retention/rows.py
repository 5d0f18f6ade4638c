"""Attendance for retention: the records that every study derives, and whether there are any."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from studykit.errors import Finding
from studykit.kinds.retention.section import RetentionOutcome
from studykit.protocol.types import Protocol
from studykit.records.check_context import Scene
from studykit.records.record_tables import Records
from studykit.records.rows import Clients, RetentionSpells


def tables(outcome: RetentionOutcome) -> tuple[str, ...]:
    """None of its own: attendance is recorded in every study."""
    del outcome
    return ()


def derive(
    records: Records,
    protocol: Protocol,
    clients: Clients,
    outcome: RetentionOutcome,
    spells: RetentionSpells,
) -> tuple[RetentionSpells, tuple[Finding, ...]]:
    """The attendance of every client."""
    del records, protocol, clients, outcome
    return spells, ()


def tested(records: Records, protocol: Protocol, outcome: RetentionOutcome, clients: Sequence[str]) -> None:
    """Nothing is tested."""
    del records, protocol, outcome, clients


def findings(scene: Scene, outcome: RetentionOutcome) -> Iterator[Finding]:
    """A table of sessions that is missing or empty: without it everybody would seem to have departed."""
    typed = scene.records["sessions"]
    days = [day for day in scene.allocated_on.values() if not np.isnat(day)]
    if typed.number or not days:
        return
    tests = scene.records["strength"].columns["date"]
    seen = [np.datetime64(scene.today, "D")] if scene.today is not None else []
    seen += [tests[~np.isnat(tests)].max()] if (~np.isnat(tests)).any() else []
    if seen and max(seen) - min(days) >= np.timedelta64(outcome.absence_days, "D"):
        yield Finding(
            "stop", typed.where, f"sessions of the clients allocated from {min(days)} on", "none",
            "Put the table back, or enter the sessions; without them every client would count as departed.",
        )  # fmt: skip
