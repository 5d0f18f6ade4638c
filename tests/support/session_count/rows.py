"""Counts of sessions from the attendance of every client."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from studykit.errors import Finding
from studykit.protocol.types import Protocol
from studykit.records.check_context import Scene
from studykit.records.record_tables import Records
from studykit.records.rows import Clients, Floats, RetentionSpells
from studykit.results import frozen_array

from .section import SessionCount


@dataclass(frozen=True)
class Counts:
    clients: Clients
    sessions: Floats  # nan where the records end before the last day


def tables(outcome: SessionCount) -> tuple[str, ...]:
    return ()


def derive(
    records: Records, protocol: Protocol, clients: Clients, outcome: SessionCount, spells: RetentionSpells
) -> tuple[Counts, tuple[Finding, ...]]:
    found = [
        sum(0 <= day <= outcome.days for day in history.attended)
        if history.data_through >= outcome.days
        else np.nan
        for history in spells.histories
    ]
    return Counts(clients, frozen_array(found, float)), ()


def tested(records: Records, protocol: Protocol, outcome: SessionCount, clients: Sequence[str]) -> None:
    return None


def findings(scene: Scene, outcome: SessionCount) -> Iterator[Finding]:
    return iter(())
