"""Type I error of the strength contrast when gains fan out and nothing differs between the arms.

    python analysis/06_validity_type_one_error.py [--trials N] [--workers N] [--exercises N]

Simulates trials without any effect, of 12 to 60 clients, by the ready parallel protocol: gains differ
between clients and grow apart with time, clients leave, tests are missed. The share of p-values below
0.05 should lie between 4.2 and 5.8 %, of the trials that could be analysed; where departures leave too
few clients, the analysis refuses, which is no rejection: "failed", and "rejected_of_all" trials.

A verdict is passed only where the trials suffice for one (99.7 % interval, Wilson); else the share is "not
excluded": 2,000 trials leave a point to either side, and --trials 40000 a third of that. With four machines
and 12 clients 2,000 trials gave 6.1 %, another 40,000 gave 5.1 %.

Output: a table on the screen, and analysis/output/validity_type_one_error_1.csv (the number of machines).
"""

from __future__ import annotations

import argparse
import csv
from dataclasses import replace
from pathlib import Path

from studykit.planning.simulation import simulate_study
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Protocol
from studykit.shipped import shipped
from studykit.trial.performance import Share, with_exercises, without_effect
from studykit.trial.settings import TrialSettings

SEED = 606
SIZES = ((12, 2), (24, 4), (36, 6), (48, 6), (60, 6))  # clients, trainers
OUTPUT = Path(__file__).parent / "output"
COLUMNS = (
    "exercises", "clients", "trainers", "trials", "failed", "by_model", "type_one_error",
    "low", "high", "rejected_of_all", "coverage", "spread", "mean_width", "verdict",
)  # fmt: skip


def study(
    protocol: Protocol, clients: int, trainers: int, arguments: argparse.Namespace
) -> dict[str, object]:
    planned = TrialSettings.from_protocol(protocol, clients=clients)
    settings = without_effect(replace(planned, trainers=trainers))
    simulated = simulate_study(
        protocol,
        settings,
        trials=arguments.trials,
        seed=SEED + clients,
        workers=arguments.workers,
        null_trials=False,
        only=["strength"],
    )
    found = simulated.outcome("strength").with_effect
    analysed = Share.of(found.rejected.count, found.trials - found.failed)
    return {
        "exercises": len(settings.machines),
        "clients": clients,
        "trainers": trainers,
        "trials": found.trials,
        "failed": found.failed,
        "by_model": found.by_model.count,
        "type_one_error": f"{analysed.value:.4f}",
        "low": f"{analysed.low:.4f}",
        "high": f"{analysed.high:.4f}",
        "rejected_of_all": f"{found.rejected.value:.4f}",
        "coverage": f"{found.coverage.value:.4f}",
        "spread": f"{found.spread:.4f}",
        "mean_width": f"{found.mean_width:.4f}",
        "verdict": analysed.wanted(0.042, 0.058),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=2000)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument(
        "--exercises", type=int, default=1, help="how many machines make up the score, 1 to 4"
    )
    arguments = parser.parse_args()
    protocol = read_protocol(shipped("protocols") / "parallel.toml").protocol
    chosen = with_exercises(protocol, protocol.continuous_outcomes[0].exercises[: arguments.exercises])
    OUTPUT.mkdir(exist_ok=True)
    print("  ".join(COLUMNS))
    name = f"validity_type_one_error_{arguments.exercises}.csv"
    with (OUTPUT / name).open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        for clients, trainers in SIZES:
            row = study(chosen, clients, trainers, arguments)
            writer.writerow(row)
            file.flush()
            print("  ".join(str(row[column]) for column in COLUMNS), flush=True)


if __name__ == "__main__":
    main()
