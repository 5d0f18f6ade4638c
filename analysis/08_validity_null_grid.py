"""Type I error of the strength contrast over sizes, numbers of trainers and their spread; as clusters too.

    python analysis/08_validity_null_grid.py [--trials N] [--workers N]

Null trials by the ready parallel protocol with one machine: gains fan out, who gains stays (scores missing at
random given the scores seen), tests are missed more by those who attend less. Trainers who deliver both arms:
12, 24 and 60 clients under 2, 4 and 6 trainers, at least 2 clients per trainer and arm, without any spread
between trainers and with a large one; the share of p-values up to 0.05 among trials that could be analysed
should lie between 4.2 and 5.8 %. Trainers who deliver one arm each: 6 and 10 trainers; at most 5.8 %, and the
t-test on trainers' means (the protocol's fallback, used for all) stands beside it as the reference.

Output: a table on the screen, and analysis/output/validity_null_grid.csv.
"""

from __future__ import annotations

import argparse
import csv
from dataclasses import replace
from pathlib import Path

from studykit.planning.simulation import SimulatedOutcome, simulate_study
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Protocol
from studykit.shipped import shipped
from studykit.trial.performance import Share, with_exercises, without_effect
from studykit.trial.settings import TrialSettings

SEED = 808
CROSSED = ((12, 2), (24, 2), (24, 4), (24, 6), (60, 2), (60, 4), (60, 6))  # clients, trainers
CLUSTERS = ((60, 6), (60, 10))
SPREADS = {"none": 0.0, "large": 0.08}  # between trainers, of the log gain; clients differ by 0.12
EVERYBODY = 10**6
OUTPUT = Path(__file__).parent / "output"
COLUMNS = (
    "trainers_deliver", "clients", "trainers", "trainer_spread", "trials", "failed", "by_model",
    "type_one_error", "low", "high", "coverage", "mean_width", "cluster_t", "verdict",
)  # fmt: skip


def delivering(protocol: Protocol, deliver: str) -> Protocol:
    trainers = protocol.trainers.model_copy(update={"deliver": deliver})
    return protocol.model_copy(update={"trainers": trainers})


def by_fallback(protocol: Protocol) -> Protocol:
    analysis = protocol.analysis.model_copy(update={"composite_below_clients": EVERYBODY})
    return protocol.model_copy(update={"analysis": analysis})


def world(protocol: Protocol, clients: int, trainers: int, spread: float) -> TrialSettings:
    planned = TrialSettings.from_protocol(protocol, clients=clients)
    settings = replace(
        planned,
        trainers=trainers,
        strength=replace(planned.strength, sd_trainer=spread),
        retention=replace(planned.retention, per_gain=-0.4),
        missed_by_attendance=-0.4,
    )
    return without_effect(settings)


def rejected(found: SimulatedOutcome) -> Share:
    """Of the trials that could be analysed."""
    own = found.with_effect
    return Share.of(own.rejected.count, own.trials - own.failed)


def study(
    protocol: Protocol, clients: int, trainers: int, spread: str, arguments: argparse.Namespace
) -> dict[str, object]:
    settings = world(protocol, clients, trainers, SPREADS[spread])
    clusters = protocol.trainers.deliver == "one arm"
    found, reference = (
        simulate_study(
            used, settings, trials=arguments.trials, seed=SEED + clients + trainers,
            workers=arguments.workers, null_trials=False, only=["strength"],
        ).outcomes[0]
        if used is not None
        else None
        for used in (protocol, by_fallback(protocol) if clusters else None)
    )  # fmt: skip
    assert found is not None
    share = rejected(found)
    low = 0.0 if clusters else 0.042
    return {
        "trainers_deliver": protocol.trainers.deliver,
        "clients": clients,
        "trainers": trainers,
        "trainer_spread": spread,
        "trials": found.with_effect.trials,
        "failed": found.with_effect.failed,
        "by_model": f"{found.with_effect.by_model.value:.3f}",
        "type_one_error": f"{share.value:.4f}",
        "low": f"{share.low:.4f}",
        "high": f"{share.high:.4f}",
        "coverage": f"{found.with_effect.coverage.value:.4f}",
        "mean_width": f"{found.with_effect.mean_width:.4f}",
        "cluster_t": "" if reference is None else f"{rejected(reference).value:.4f}",
        "verdict": share.wanted(low, 0.058),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=10_000)
    parser.add_argument("--workers", type=int, default=1)
    arguments = parser.parse_args()
    ready = read_protocol(shipped("protocols") / "parallel.toml").protocol
    one = with_exercises(ready, ready.continuous_outcomes[0].exercises[:1])
    plans = [(delivering(one, "both arms"), *sizes) for sizes in CROSSED]
    plans += [(delivering(one, "one arm"), *sizes) for sizes in CLUSTERS]
    OUTPUT.mkdir(exist_ok=True)
    print("  ".join(COLUMNS))
    with (OUTPUT / "validity_null_grid.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        for protocol, clients, trainers in plans:
            for spread in SPREADS:
                row = study(protocol, clients, trainers, spread, arguments)
                writer.writerow(row)
                file.flush()
                print("  ".join(str(row[column]) for column in COLUMNS), flush=True)


if __name__ == "__main__":
    main()
