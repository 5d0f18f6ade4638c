"""The smallest studies: how many get an answer, which terms their regression keeps, and the type I error.

    python analysis/14_smallest_studies.py [--trials N]

Null studies of the ready parallel protocol, arms balanced within each trainer as far as numbers allow, a
score before allocation and one at the primary visit whose gains differ between trainers, 30 % of the latter
missing. The rung is the number of parts that left the regression: trainers, then stratifiers, then the
score before allocation. Beside the error over all studies that were answered stands that of the studies on
the lowest rung and of those on the highest, since choosing the rung must not bring in anything.

Output: a table on the screen, and analysis/validity/smallest_studies.json with trials, seed, versions and
date.
"""

from __future__ import annotations

import argparse

import numpy as np

from analysis.saved_rows import save_rows
from studykit.kinds.continuous.primary import answer, regression_at
from studykit.kinds.continuous.scores import ScoreArrays
from studykit.outcomes.clients import ClientArrays
from studykit.outcomes.trainers import trainer_roles
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Protocol
from studykit.randomness import stream
from studykit.shipped import shipped
from studykit.trial.performance import Share

SEED = 1414
SIZES = ((12, 2), (12, 4), (12, 6), (18, 4), (24, 6))  # clients, trainers
SPREADS = (0.0, 0.1)  # of gains between trainers, in the log score
MISSING = 0.3
AT_ONCE = 1000


def drawn(
    clients: int, trainers: int, spread: float, *, studies: int, rng: np.random.Generator
) -> ScoreArrays:
    """Studies without any effect."""
    trainer = np.tile(np.sort(np.arange(clients) % trainers), (studies, 1))
    place = np.argsort(np.argsort(rng.random((studies, clients)) + trainer, axis=1), axis=1)
    first = np.searchsorted(trainer[0], trainer[0])
    arm = (place - first + rng.integers(0, 2, (studies, trainers))[:, trainer[0]]) % 2
    before = rng.normal(4.0, 0.25, (studies, clients))
    gain = 0.1 + rng.normal(0.0, 0.12, (studies, clients))
    gain += rng.normal(0.0, spread, (studies, trainers))[:, trainer[0]]
    after = np.where(rng.random((studies, clients)) < MISSING, np.nan, before + gain)
    arrays = ClientArrays(
        arm, ("reference", "compared"), 1, trainer, tuple(f"T{number}" for number in range(trainers)),
        (("sex", rng.integers(0, 2, (studies, clients)), ("female", "male")),),
    )  # fmt: skip
    scores = np.stack([before, after], axis=2)[..., None]
    return ScoreArrays("strength", arrays, scores, ("baseline", "week_12"), ("",), 1, (0,))


def rungs(protocol: Protocol, scores: ScoreArrays) -> np.ndarray:
    """How many parts left the regression, by study."""
    roles, _ = trainer_roles(protocol, scores.clients)
    return regression_at(scores, roles[0], 1, (0,)).rung


def row(protocol: Protocol, clients: int, trainers: int, spread: float, *, trials: int) -> dict[str, object]:
    p_values, stood = [], []
    for start in range(0, trials, AT_ONCE):
        rng = stream(SEED, "smallest studies", clients, trainers, str(spread), start)
        scores = drawn(clients, trainers, spread, studies=min(AT_ONCE, trials - start), rng=rng)
        p_values.append(answer(protocol, scores).p_value)
        stood.append(rungs(protocol, scores))
    p_value, rung = np.concatenate(p_values), np.concatenate(stood)
    known = np.isfinite(p_value)
    share = Share.of(int((p_value[known] <= 0.05).sum()), int(known.sum()))

    def error_on(chosen: np.ndarray) -> float | str:
        own = p_value[known & chosen]
        return round(float(np.mean(own <= 0.05)), 4) if own.size >= 400 else "few"

    return {
        "clients": clients,
        "trainers": trainers,
        "trainer_spread": spread,
        "answered": round(float(known.mean()), 4),
        "all_terms": round(float((rung == 0).mean()), 4),
        "without_trainers": round(float((rung == 1).mean()), 4),
        "without_stratifiers": round(float((rung >= 2).mean()), 4),
        "type_one_error": round(share.value, 4),
        "low": round(share.low, 4),
        "high": round(share.high, 4),
        "error_with_all_terms": error_on(rung == 0),
        "error_without_stratifiers": error_on(rung >= 2),
        "verdict": share.wanted(0.042, 0.058),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=10_000)
    trials = parser.parse_args().trials
    protocol = read_protocol(shipped("protocols") / "parallel.toml").protocol
    rows = []
    for clients, trainers in SIZES:
        for spread in SPREADS:
            rows.append(row(protocol, clients, trainers, spread, trials=trials))
            print("  ".join(f"{name} {value}" for name, value in rows[-1].items()), flush=True)
    save_rows(
        "smallest_studies",
        "The smallest studies: answers and type I error",
        __file__,
        rows,
        trials=trials,
        seed=SEED,
    )


if __name__ == "__main__":
    main()
