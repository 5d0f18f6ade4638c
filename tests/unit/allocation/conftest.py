"""A small locked study with a clock, entropy and machine that the test holds in its hand."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from studykit.allocation.acts import Receipt
from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.ledger import Ledger
from studykit.allocation.refusals import REQUIRED_FACTS
from studykit.allocation.surroundings import Surroundings

METHOD = PermutedBlocks(("conventional", "partner_reps"), factors=("trainer",))
FACTS = dict.fromkeys(REQUIRED_FACTS, "2026-03-01")


class HandClock:
    """Moves on by one second at every reading."""

    def __init__(self) -> None:
        self.now = dt.datetime(2026, 3, 9, 8, 0, tzinfo=dt.UTC)

    def __call__(self) -> dt.datetime:
        self.now += dt.timedelta(seconds=1)
        return self.now


class CountedEntropy:
    """Different entropy at every call, the same in every run."""

    def __init__(self, name: str = "test") -> None:
        self.name, self.calls = name, 0

    def __call__(self) -> str:
        self.calls += 1
        return hashlib.sha256(f"{self.name} {self.calls}".encode()).hexdigest()


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def surroundings(clock: HandClock) -> Surroundings:
    return Surroundings(clock=clock, entropy=CountedEntropy(), machine="0123456789ab", simulated=True)


@pytest.fixture
def method() -> PermutedBlocks:
    return METHOD


@pytest.fixture
def ledger(tmp_path: Path, surroundings: Surroundings) -> Ledger:
    """Made and locked; two entries."""
    made = Ledger.create(tmp_path / "ledger.db", by="OW", surroundings=surroundings, timeout=0.3)
    made.lock(
        protocol="format = 1", protocol_hash="a" * 64, versions={"studykit": "0.1.0"}, by="OW", method=METHOD
    )
    return made


@pytest.fixture
def enrol() -> Callable[..., Receipt]:
    def _enrol(ledger: Ledger, client: str, trainer: str = "T1", **changed: object) -> Receipt:
        facts = {**FACTS, **changed}
        return ledger.allocate(client, stratum={"trainer": trainer}, facts=facts, method=METHOD, by="OW")

    return _enrol


@pytest.fixture
def elsewhere(surroundings: Surroundings) -> Surroundings:
    return replace(surroundings, machine="ba9876543210")
