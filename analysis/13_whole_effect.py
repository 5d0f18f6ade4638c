"""Coverage of the whole effect of beginning partner reps, where it goes through attendance and where not.

    python -m analysis.13_whole_effect [--studios N] [--clients N ...] [--only WORDS]

Simulated studios in which clients begin partner reps by chance, or the more so the more often they came
lately; and in which partner reps make clients stay directly, half through doubled attendance, wholly through
it, or not at all. The truth is found by letting the same clients live twice: all begun at the first session,
or none. Beside the whole effect stands the comparison at the same recent attendance, which cannot see what
goes through attendance and must miss it.

Output: a table on the screen, and analysis/validity/whole_effect.json with studios, seeds, versions and date.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from analysis.saved_rows import save_rows
from studykit.lookback.episodes import follow_clients, session_facts
from studykit.lookback.look_back_results import Answer
from studykit.lookback.session_clock import answer_session_clock
from studykit.lookback.whole_effect import answer_whole_effect
from studykit.trial.performance import Share
from synthetic_data.simulated_studio import FAR, Regime, StudioTruth, simulate_studio, simulated_log

HORIZON = 182
LEAST_EVENTS = 20
CHOSEN = {"starting": 0.02, "attendance_starting": 0.6}
STUDIOS: dict[str, StudioTruth] = {
    "no effect": StudioTruth(starting=0.03),
    "direct": StudioTruth(starting=0.03, hazard_ratio=0.7),
    "half through attendance": StudioTruth(
        starting=0.03, leaving=0.03, hazard_ratio=0.7, attendance_ratio=2.0, attendance_leaving=-1.0
    ),
    "all through attendance": StudioTruth(
        starting=0.03, leaving=0.04, attendance_ratio=2.0, attendance_leaving=-1.5
    ),
    "no effect, begun by attendance": StudioTruth(leaving=0.03, attendance_leaving=-1.0, **CHOSEN),
    "direct, begun by attendance": StudioTruth(
        leaving=0.03, hazard_ratio=0.7, attendance_leaving=-1.0, **CHOSEN
    ),
    "half through attendance, begun by attendance": StudioTruth(
        leaving=0.03, hazard_ratio=0.7, attendance_ratio=2.0, attendance_leaving=-1.0, **CHOSEN
    ),
    "all through attendance, begun by attendance": StudioTruth(
        leaving=0.04, attendance_ratio=2.0, attendance_leaving=-1.5, **CHOSEN
    ),
}


def true_difference(truth: StudioTruth, *, clients: int = 100_000) -> float:
    """Share left by the horizon had all begun at the first session, less that had none."""
    many = replace(truth, clients=clients, days=HORIZON + 30)
    begun, never = (
        simulate_studio(many, 1_000_000, regime=regime, all_join_on=0).confirmed_on() <= HORIZON
        for regime in (Regime(at_latest=0), Regime(not_before=FAR))
    )
    return float(begun.mean() - never.mean())


def row(name: str, truth: StudioTruth, true: float, studios: int) -> dict[str, object]:
    whole: list[Answer] = []
    beside: list[Answer] = []
    for seed in range(studios):
        log = simulated_log(truth, seed)
        episodes = follow_clients(log)
        facts = session_facts(log, episodes)
        for kept, ask in ((whole, answer_whole_effect), (beside, answer_session_clock)):
            kept.append(ask(log, episodes, horizon=HORIZON, least_events=LEAST_EVENTS, facts=facts))
    value, error, held = numbers(whole, true)
    other, _, others_held = numbers(beside, true)
    covered = Share.of(int(held.sum()), held.size)
    return {
        "studio": name,
        "clients": truth.clients,
        "truth": round(true, 4),
        "refused": studios - held.size,
        "bias": round(float(value.mean()) - true, 4),
        "bias_error": round(float(value.std(ddof=1)) / held.size**0.5, 4),
        "spread": round(float(value.std(ddof=1)), 4),
        "mean_standard_error": round(float(error.mean()), 4),
        "coverage": round(covered.value, 4),
        "low": round(covered.low, 4),
        "high": round(covered.high, 4),
        "at_the_same_attendance_bias": round(float(other.mean()) - true, 4),
        "at_the_same_attendance_coverage": round(float(others_held.mean()), 4),
        "verdict": covered.wanted(0.93, 0.97),
    }


def numbers(answers: list[Answer], true: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Values, standard errors and whether the interval held the truth, of those that gave a number."""
    given = [answer.risk_difference for answer in answers if answer.risk_difference is not None]
    return (
        np.array([one.value for one in given]),
        np.array([one.standard_error for one in given]),
        np.array([one.interval.contains(true) for one in given], dtype=bool),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--studios", type=int, default=2000)
    parser.add_argument("--clients", type=int, nargs="+", default=[100, 300, 1000])
    parser.add_argument("--only", default="", help="studios whose description begins with these words")
    said = parser.parse_args()
    rows: list[dict[str, object]] = []
    for name, truth in STUDIOS.items():
        if not name.startswith(said.only):
            continue
        true = true_difference(truth)
        for clients in said.clients:
            rows.append(row(name, replace(truth, clients=clients), true, said.studios))
            print("  ".join(f"{key} {value}" for key, value in rows[-1].items()), flush=True)
            # The grid takes hours: stopping it loses nothing.
            about, seed = "Coverage of the whole effect of beginning partner reps", f"0 to {said.studios - 1}"
            save_rows("whole_effect", about, __file__, rows, trials=said.studios, seed=seed)


if __name__ == "__main__":
    main()
