"""Whole studies of designs other than the demo's, simulated, in a folder as an owner would have it."""

from __future__ import annotations

import datetime as dt
import hashlib
import itertools
from dataclasses import replace
from pathlib import Path

from studykit.allocation.asked import method_for, split_plan_for
from studykit.allocation.ledger import Ledger
from studykit.allocation.refusals import REQUIRED_FACTS
from studykit.allocation.surroundings import Surroundings
from studykit.allocation.together import allocate_trainers
from studykit.allocation.with_trainer import WithTrainer
from studykit.protocol.protocol_file import ReadProtocol, parse_protocol
from studykit.shipped import shipped
from studykit.study import Study
from studykit.trial.settings import TrialSettings
from synthetic_data.record_files import write_records
from synthetic_data.simulated_trial import enrolments, simulate_trial
from tests.support.answered import ANSWERED


def ready_protocol(design: str, *changes: tuple[str, str]) -> ReadProtocol:
    """A ready protocol with the reviewer's answer and some changes, as with a text editor."""
    text = (shipped("protocols") / f"{design}.toml").read_text(encoding="utf-8")
    for old, new in (*ANSWERED, *changes):
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    return parse_protocol(text)


def simulated_surroundings(first: dt.datetime, seed: int) -> Surroundings:
    """A clock that moves on by a minute, and entropy that follows from a seed."""
    minutes, numbers = itertools.count(), itertools.count()
    return Surroundings(
        clock=lambda: first + dt.timedelta(minutes=next(minutes)),
        entropy=lambda: hashlib.sha256(f"simulated {seed} {next(numbers)}".encode()).hexdigest(),
        machine="simulated",
        simulated=True,
    )


def parallel_study(folder: Path, read: ReadProtocol, settings: TrialSettings, *, seed: int) -> Study:
    """Clients drawn one by one by the protocol's own method, and the records of the whole study."""
    (folder / "records").mkdir(parents=True)
    (folder / "protocol.toml").write_text(read.text, encoding="utf-8", newline="\n")
    method, ready = method_for(read.protocol), enrolments(settings, seed=seed)
    assert method is not None
    begin = dt.datetime.combine(ready[0].day, dt.time(8), tzinfo=dt.UTC)
    ledger = Ledger.create(folder / "ledger.db", by="OW", surroundings=simulated_surroundings(begin, seed))
    ledger.lock(protocol=read.text, protocol_hash=read.digest, versions={}, method=method, by="OW")
    for client in ready:
        facts = {**dict.fromkeys(REQUIRED_FACTS, True), "trainer": client.trainer}
        ledger.allocate(client.client, stratum=dict(client.stratum), facts=facts, method=method, by="OW")
    arms = tuple(made.arm for made in ledger.allocations())
    trial = simulate_trial(replace(settings, calendar=one_day(settings)), seed=seed, arms=arms)
    write_records(folder / "records", trial.records())
    return Study.open(folder)


def trainers_study(folder: Path, read: ReadProtocol, settings: TrialSettings, *, seed: int) -> Study:
    """Trainers drawn, their clients enrolled, and the records of the whole study."""
    (folder / "records").mkdir(parents=True)
    (folder / "protocol.toml").write_text(read.text, encoding="utf-8", newline="\n")
    plan = split_plan_for(read.protocol)
    assert plan is not None
    ready = enrolments(settings, seed=seed)
    begin = dt.datetime.combine(ready[0].day, dt.time(8), tzinfo=dt.UTC)
    ledger = Ledger.create(folder / "ledger.db", by="OW", surroundings=simulated_surroundings(begin, seed))
    ledger.lock(protocol=read.text, protocol_hash=read.digest, versions={}, method=plan, by="OW")
    trainers = sorted({client.trainer for client in ready})
    numbers = {
        code: {name: float((place * 7 + row * 3) % 11 + 1) for row, name in enumerate(plan.covariates)}
        for place, code in enumerate(trainers)
    }
    split = allocate_trainers(ledger, numbers, plan=plan, by="OW", clients_listed=True)
    method = WithTrainer(plan.arms, dict(split.arm_of))
    for client in ready:
        facts = {**dict.fromkeys(REQUIRED_FACTS, True), "trainer": client.trainer}
        stratum = {"trainer": client.trainer}
        ledger.allocate(client.client, stratum=stratum, facts=facts, method=method, by="OW")
    arms = tuple(made.arm for made in ledger.allocations())
    # Every client is allocated on the same day here; the records count days from it.
    trial = simulate_trial(replace(settings, calendar=one_day(settings)), seed=seed, arms=arms)
    write_records(folder / "records", trial.records())
    add_columns(folder / "records" / "trainers.csv", numbers)
    return Study.open(folder)


def one_day(settings: TrialSettings) -> object:
    """A calendar on which everybody enters on the first day."""
    return replace(settings.calendar, recruitment_days=0)


def add_columns(path: Path, numbers: dict[str, dict[str, float]]) -> None:
    """Numbers known of every trainer, beside the columns that are there."""
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    names = list(next(iter(numbers.values())))
    out = [",".join([lines[0], *names])]
    place = lines[0].split(",").index("trainer")
    for line in lines[1:]:
        own = numbers[line.split(",")[place]]
        out.append(",".join([line, *(f"{own[name]:g}" for name in names)]))
    path.write_text("\n".join(out) + "\n", encoding="utf-8")
