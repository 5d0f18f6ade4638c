"""Make the demo study: an invented studio, simulated clients, and the truth behind them.

    python -m synthetic_data.make_demo [FOLDER]

writes FOLDER (default: demo_study beside this file) with protocol.toml, ledger.db, records/*.csv and
truth.json. Everything follows from the arguments and the seed below; two runs give the same records.
The allocations of a real study are drawn from the operating system's entropy. These are drawn from
the seed, and every entry of the ledger says so.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import itertools
import json
import math
import shutil
import sys
from dataclasses import asdict, replace
from pathlib import Path

from studykit.allocation.ledger import REQUIRED_FACTS, Ledger, Surroundings
from studykit.protocol.filling import fill_template
from studykit.protocol.protocol_file import ReadProtocol, parse_protocol
from studykit.shipped import shipped
from studykit.trial.models import (
    AttendanceModel,
    CalendarModel,
    ClientFactor,
    DeliveryModel,
    HarmModel,
    RetentionModel,
    StrengthModel,
)
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_clients import allocation_method
from studykit.trial.truth import TrueValue, composite_at_primary, true_retention, true_strength
from synthetic_data.record_files import write_records
from synthetic_data.simulated_trial import Enrolment, SimulatedTrial, enrolments, simulate_trial

SEED = 20260129  # of 40 tried, a draw without surprises: near the truth, the pause rule on harms not struck
TRUTH_TRIALS = 4000
LOCKED_AT = dt.datetime(2025, 1, 10, 9, 0, tzinfo=dt.UTC)
OPEN = {
    "usual_practice": "one machine set per exercise to the limit, no partner reps",
    "safety": "SR",
    "names_list": "the invented owner, in the safe of an invented office",
    "payment": "nothing; the invented sessions cost what they cost now",
    "emergency_number": "112",
    "first_aider": "whoever is at the desk, trained every two years",
    "defibrillator": "at the entrance, left of the door",
    "insurance": "an invented liability insurance, which knows of partner reps",
}
"""What only the studio knows, and the ready protocol leaves empty."""
ANSWERS = {
    "title": "Demo: conventional sets with and without partner reps in an invented studio",
    "setting": "an invented coached studio with four weight-stack machines; every record is simulated",
    "clients": "72",
    "trainers": "6",
    "ethics": "not needed",
    "ethics_answer": "the clients, the studio and all records are invented",
}
LEVELS = {"leg_press": 80.0, "chest_press": 28.0, "seated_row": 34.0, "leg_curl": 26.0}
"""Typical loads at the first test of a woman who is new to training, in kg (judgement)."""


def demo_protocol() -> ReadProtocol:
    """The ready protocol with the answers of the invented owner."""
    ready = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
    text = fill_template(ready, ANSWERS, today=dt.date(2025, 1, 6))
    for key, answer in OPEN.items():
        text = text.replace(f'{key} = ""', f'{key} = "{answer}"', 1)
    return parse_protocol(text.replace('code = "partner_reps_study"', 'code = "demo_study"', 1))


def demo_settings(read: ReadProtocol) -> TrialSettings:
    """What is true in the invented studio; not what its owner assumed for planning."""
    planned = TrialSettings.from_protocol(read.protocol)
    return replace(
        planned,
        machines=tuple(replace(machine, level=LEVELS[machine.code]) for machine in planned.machines),
        visits=tuple(
            visit if visit.baseline else replace(visit, missed=missed)
            for visit, missed in zip(planned.visits, (0.0, 0.08, 0.12), strict=True)
        ),
        factors=(
            ClientFactor("sex", ("female", "male"), (0.58, 0.42), (0.0, math.log(1.8))),
            ClientFactor("training_age", ("novice", "trained"), (0.7, 0.3), (0.0, 0.12), (1.0, 0.45)),
        ),
        strength=StrengthModel(
            sd_client=0.19,
            sd_client_exercise=0.15,
            measurement_sd=0.045,
            learning=0.03,
            gain=math.log(1.20),
            sd_gain=0.075,
            sd_gain_exercise=0.06,
            effects=(0.0, math.log(1.06)),
            sd_trainer=0.02,
            sd_trainer_by_arm=0.015,
        ),
        retention=RetentionModel(retained=(0.70, 0.76), sd_trainer=0.25, per_gain=-0.25, return_share=0.12),
        attendance=AttendanceModel(
            booked_per_week=2.0, attended=0.88, pause_share=0.18, closures=((81, 84), (131, 133))
        ),
        delivery=DeliveryModel(delivered=0.82, contaminated=0.10),
        harms=HarmModel(moderate=(0.04, 0.06), severe=(0.0, 0.01), serious=(0.0, 0.0), trainer=0.2),
        calendar=CalendarModel(first_day=dt.date(2025, 1, 13), recruitment_days=84),
        missed_exercise=0.02,
        missed_by_attendance=-0.4,
    )


def simulated_surroundings(ready: tuple[Enrolment, ...]) -> Surroundings:
    """A clock that follows the invented days, and entropy that follows from the seed."""
    numbers = itertools.count()
    times = iter(
        [LOCKED_AT, LOCKED_AT + dt.timedelta(minutes=20)]
        + [
            dt.datetime.combine(client.day, dt.time(10, tzinfo=dt.UTC)) + dt.timedelta(minutes=7 * index)
            for _, same_day in itertools.groupby(ready, key=lambda client: client.day)
            for index, client in enumerate(same_day)
        ]
    )
    return Surroundings(
        clock=lambda: next(times),
        entropy=lambda: hashlib.sha256(f"demo study {SEED} {next(numbers)}".encode()).hexdigest(),
        machine="demonstration",
        simulated=True,
    )


def write_ledger(path: Path, read: ReadProtocol, settings: TrialSettings) -> tuple[str, ...]:
    """Lock the protocol and allocate every client; the arms in order of entry."""
    ready = enrolments(settings, seed=SEED)
    method = allocation_method(settings)
    ledger = Ledger.create(path, by="OW", surroundings=simulated_surroundings(ready))
    ledger.lock(
        protocol=read.whole,
        protocol_hash=read.digest,
        versions={"made by": "synthetic_data/make_demo.py"},
        method=method,
        by="OW",
    )
    for client in ready:
        facts = {**dict.fromkeys(REQUIRED_FACTS, True), "trainer": client.trainer}
        ledger.allocate(client.client, stratum=dict(client.stratum), facts=facts, method=method, by="OW")
    return tuple(allocation.arm for allocation in ledger.allocations())


def truth_of(settings: TrialSettings, trial: SimulatedTrial, *, trials: int) -> dict[str, object]:
    """The truth of the studio, and of the very clients of the demo."""
    values = (
        true_strength(settings, seed=SEED, trials=trials), true_retention(settings, seed=SEED, trials=trials)
    )  # fmt: skip
    control, compared = (composite_at_primary(batch)[0] for batch in trial.under_arm)
    stays = [float(batch.retained[0].mean()) for batch in trial.under_arm]
    return {
        "note": (
            "Simulated data. These values are the truth that the analysis of the demo study tries to "
            "estimate: computed from complete simulated data in which every client is seen under both "
            "arms and nobody leaves or misses a test. 'value' is a difference of logarithms for strength "
            "and of shares for retention; 'monte_carlo_error' is the error of computing it by simulation. "
            "'these_clients' is the same contrast in the 72 clients of the demo alone. The records beside "
            "this file are one draw, picked as an ordinary one among 40 seeds: their estimates differ from "
            "the truth by chance, as in life, but less than many other draws would."
        ),
        "made_by": "synthetic_data/make_demo.py",
        "seed": SEED,
        "truth": [_plain(value) for value in values],
        "these_clients": {
            "strength": float((compared - control).mean()),
            "retention": stays[1] - stays[0],
            "would_be_retained": dict(zip(settings.arms, stays, strict=True)),
        },
        "seen": {
            "clients": settings.clients,
            "retained": {
                code: int(trial.seen.retained[0][trial.seen.arm[0] == arm].sum())
                for arm, code in enumerate(settings.arms)
            },
            "tests_at_primary_visit": int(trial.seen.observed[0, :, settings.primary_visit].any(-1).sum()),
        },
        "settings": json.loads(json.dumps(asdict(settings), default=str)),
    }


def _plain(value: TrueValue) -> dict[str, object]:
    plain: dict[str, object] = asdict(value)
    if value.unit == "log ratio":
        plain["ratio"] = value.ratio
    return plain


def make_demo(folder: Path, *, truth_trials: int = TRUTH_TRIALS) -> SimulatedTrial:
    """Write the whole demo study into ``folder``; what was there before is replaced."""
    read = demo_protocol()
    settings = demo_settings(read)
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "records").mkdir(parents=True)
    (folder / "protocol.toml").write_bytes(read.text.encode("utf-8"))
    arms = write_ledger(folder / "ledger.db", read, settings)
    trial = simulate_trial(settings, seed=SEED, arms=arms)
    write_records(folder / "records", trial.records(with_sets=True))
    truth = json.dumps(truth_of(settings, trial, trials=truth_trials), indent=1, ensure_ascii=False)
    (folder / "truth.json").write_bytes((truth + "\n").encode("utf-8"))
    return trial


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent / "demo_study"
    trial = make_demo(folder)
    size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    print(f"{folder}: {trial.settings.clients} clients, {size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
