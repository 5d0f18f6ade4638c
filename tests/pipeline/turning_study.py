"""A whole study in which clients get both arms: allocated in a ledger, with scores of known truth."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import numpy as np

from studykit.allocation.asked import method_for, split_plan_for
from studykit.allocation.ledger import Ledger
from studykit.allocation.refusals import REQUIRED_FACTS
from studykit.allocation.together import allocate_trainers
from studykit.allocation.with_trainer import WithTrainer
from studykit.protocol.protocol_file import ReadProtocol
from studykit.protocol.within_client import arm_given
from studykit.records.writing import write_empty_tables
from studykit.study import Study
from tests.pipeline.simulated_study import simulated_surroundings

FIRST = dt.date(2026, 1, 12)
TRAINERS = tuple(f"T{number}" for number in range(1, 10))


def add(folder: Path, table: str, rows: list[dict[str, object]]) -> None:
    path = folder / "records" / f"{table}.csv"
    heading = next(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    with path.open("a", encoding="utf-8", newline="") as file:
        csv.DictWriter(file, heading, lineterminator="\n").writerows(rows)


def allocate(
    folder: Path, read: ReadProtocol, clients: dict[str, dict[str, str]], *, seed: int
) -> dict[str, str]:
    """What every client was allocated, by a ledger with simulated draws."""
    begin = dt.datetime.combine(FIRST, dt.time(8), tzinfo=dt.UTC)
    ledger = Ledger.create(folder / "ledger.db", by="OW", surroundings=simulated_surroundings(begin, seed))
    plan = split_plan_for(read.protocol)
    method = method_for(read.protocol)
    ledger.lock(protocol=read.text, protocol_hash=read.digest, versions={}, method=plan or method, by="OW")
    if plan is not None:
        split = allocate_trainers(
            ledger, {code: {} for code in TRAINERS}, plan=plan, by="OW", clients_listed=True
        )
        method = WithTrainer(plan.arms, dict(split.arm_of))
    assert method is not None
    for client, facts in clients.items():
        stratum = {name: facts[name] for name in method.factors}
        ready = {**dict.fromkeys(REQUIRED_FACTS, True), **facts}
        ledger.allocate(client, stratum=stratum, facts=ready, method=method, by="OW")
    return {made.client: made.arm for made in ledger.allocations()}


def turning_study(
    folder: Path, read: ReadProtocol, *, clients: int, effect: float, seed: int, missing: float = 0.1
) -> Study:
    """Clients with a level of their own, a change with time, and the compared arm ``effect`` better (log)."""
    protocol, rng = read.protocol, np.random.default_rng(seed)
    folder.mkdir()
    (folder / "protocol.toml").write_text(read.text, encoding="utf-8", newline="\n")
    write_empty_tables(folder / "records", protocol)
    known = {
        f"C{number:03d}": {
            "trainer": TRAINERS[number % len(TRAINERS)],
            "dominant": ("left", "right")[int(rng.random() < 0.7)],
        }
        for number in range(clients)
    }
    allocated = allocate(folder, read, known, seed=seed)
    add(
        folder,
        "trainers",
        [{"trainer": code, "signed_off_on": "2026-01-02", "observer": "OB"} for code in TRAINERS],
    )
    add(folder, "screening", [
        {"client": client, "date": "2026-01-05", "eligible": "yes", "cleared": "yes", "consented": "yes",
         "touch_consented": "yes", "consent_date": "2026-01-05"} for client in known])  # fmt: skip
    own = {"sex": "female", "age": 40}
    heading = (folder / "records" / "clients.csv").read_text(encoding="utf-8-sig").splitlines()[0].split(",")
    add(folder, "clients", [
        {name: value for name, value in {"client": client, **own, **facts}.items() if name in heading}
        for client, facts in known.items()])  # fmt: skip
    compared = protocol.comparison_arm.code
    scores, sessions = [], []
    for client, facts in known.items():
        level = rng.normal(4.0, 0.2)
        for visit in protocol.visits:
            if not visit.baseline and rng.random() < missing:
                continue
            day = visit.day if not visit.baseline else -5
            date = (FIRST + dt.timedelta(days=day)).isoformat()
            form = {"": rng.normal(0.0, 0.03), "left": rng.normal(0.0, 0.03), "right": rng.normal(0.0, 0.03)}
            for place, exercise in enumerate(protocol.exercises):
                arm = arm_of(read, allocated[client], facts, visit.code, exercise.side)
                score = level + 0.1 * place + 0.0005 * max(day, 0) + effect * (arm == compared)
                score += form[exercise.side]
                load = float(np.exp(score + rng.normal(0.0, 0.04)))
                scores.append({
                    "client": client, "visit": visit.code, "date": date,
                    "exercise": exercise.code, "load": f"{load:.2f}", "unit": exercise.unit,
                    "repetitions": 10, "success": "yes", "assessor_blind": "yes"})  # fmt: skip
        for day in range(2, max(visit.day for visit in protocol.visits) + 8, 7):
            arm = arm_on(read, allocated[client], day)
            reps = 6 if arm == compared else 0
            sessions.append({
                "client": client, "date": (FIRST + dt.timedelta(days=day)).isoformat(), "status": "attended",
                "trainer": facts["trainer"], "conventional_sets": 8, "partner_reps": reps,
                "partner_sets": 2 if reps else 0, "partner_sets_as_planned": 2 if reps else 0,
                "harm_asked": "yes"})  # fmt: skip
    add(folder, "strength", scores)
    add(folder, "sessions", sessions)
    return Study.open(folder)


def arm_of(read: ReadProtocol, allocated: str, facts: dict[str, str], visit: str, side: str) -> str:
    """The arm that a score belongs to; empty for tests that end no period."""
    protocol = read.protocol
    if protocol.plan.within == "sides":
        if protocol.visit(visit).baseline:
            return ""
        return arm_given(protocol, allocated, dominant=side == facts["dominant"])
    ends = {period.visit: number for number, period in enumerate(protocol.periods, 1)}
    return arm_given(protocol, allocated, period=ends[visit]) if visit in ends else ""


def arm_on(read: ReadProtocol, allocated: str, day: int) -> str:
    protocol = read.protocol
    if protocol.plan.within == "sides":
        return protocol.comparison_arm.code
    inside = [number for number, period in enumerate(protocol.periods, 1)
              if period.first_day <= day <= period.last_day]  # fmt: skip
    return arm_given(protocol, allocated, period=inside[0]) if inside else ""
