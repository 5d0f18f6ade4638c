"""Studios that go into a pooling, from the lock to locked records, on a clock that the tests move."""

from __future__ import annotations

import datetime as dt
import hashlib
import itertools
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from studykit.allocation.asked import method_for
from studykit.allocation.ledger import Ledger
from studykit.allocation.refusals import REQUIRED_FACTS
from studykit.allocation.surroundings import Surroundings
from studykit.protocol import local_time
from studykit.protocol.protocol_file import ReadProtocol
from studykit.trial.models import StrengthModel
from studykit.trial.settings import TrialSettings
from synthetic_data.record_files import write_records
from synthetic_data.simulated_trial import simulate_trial
from tests.pipeline.simulated_study import one_day, ready_protocol

LOCKED, ENROLLED, OVER = dt.date(2026, 1, 5), dt.date(2026, 2, 2), dt.date(2026, 11, 2)
CLOSES, DUE = dt.date(2026, 1, 31), dt.date(2026, 11, 16)
CLIENTS = 24


class Clock:
    """The time at every studio; each look at it takes a second."""

    def __init__(self) -> None:
        self.seconds = itertools.count()
        self.day = LOCKED

    def __call__(self) -> dt.datetime:
        noon = dt.datetime.combine(self.day, dt.time(12), tzinfo=dt.UTC)
        return noon + dt.timedelta(seconds=next(self.seconds))


@dataclass(frozen=True)
class Studio:
    """One studio: its folder, its protocol, what is true there."""

    folder: Path
    read: ReadProtocol
    clock: Clock
    seed: int
    simulated: bool = False

    @property
    def ledger(self) -> Ledger:
        return Ledger.open(self.folder / "ledger.db", surroundings=self.surroundings())

    def surroundings(self) -> Surroundings:
        numbers = itertools.count()

        def entropy() -> str:
            return hashlib.sha256(f"{self.folder.name} {self.seed} {next(numbers)}".encode()).hexdigest()

        return Surroundings(entropy=entropy, simulated=self.simulated)

    def lock(self) -> None:
        """The protocol decided, nobody enrolled."""
        (self.folder / "records").mkdir(parents=True)
        (self.folder / "protocol.toml").write_text(self.read.text, encoding="utf-8", newline="\n")
        path = self.folder / "ledger.db"
        ledger = Ledger.create(path, by="OW", surroundings=self.surroundings())
        method = method_for(self.read.protocol)
        assert method is not None
        ledger.lock(
            protocol=self.read.text, protocol_hash=self.read.digest, versions={}, method=method, by="OW"
        )

    def run(self, settings: TrialSettings) -> None:
        """All clients enrolled today, and the records of the whole study."""
        from synthetic_data.simulated_trial import enrolments

        settings = replace(
            settings, calendar=replace(settings.calendar, first_day=self.clock.day, recruitment_days=0)
        )
        method, ledger = method_for(self.read.protocol), self.ledger
        assert method is not None
        for client in enrolments(settings, seed=self.seed):
            facts = {**dict.fromkeys(REQUIRED_FACTS, True), "trainer": client.trainer}
            ledger.allocate(client.client, stratum=dict(client.stratum), facts=facts, method=method, by="OW")
        arms = tuple(made.arm for made in ledger.allocations())
        trial = simulate_trial(replace(settings, calendar=one_day(settings)), seed=self.seed, arms=arms)
        write_records(self.folder / "records", trial.records())


def agreed_protocol(clients: int = CLIENTS) -> ReadProtocol:
    """What all studios have agreed on."""
    return ready_protocol(
        "parallel", ("clients = 40 ", f"clients = {clients} "), ("trainers = 3", "trainers = 2")
    )


def settings_of(read: ReadProtocol) -> TrialSettings:
    """As planned, with a difference in strength that one studio cannot see."""
    planned = TrialSettings.from_protocol(read.protocol)
    strength = replace(planned.strength, effects=(0.0, 0.05))
    assert isinstance(strength, StrengthModel)
    return replace(planned, strength=strength)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """The clock that every studio of a test goes by."""
    found = Clock()
    monkeypatch.setattr(local_time, "_now", found)
    return found
