"""Type I error of the mixed model of retention, over sizes, numbers of trainers and their spread.

    python analysis/12_retention_model_null.py [--trials N]

Null studies in which 65 % of clients are retained, a little fewer of one sex, and trainers differ on the
log-odds scale by a standard deviation of 0, 0.6 or 1.2. Trainers who deliver both arms: as many clients of
each arm with each trainer, as near as can be; the share of p-values up to 0.05 among studies that could be
analysed should be at most 5.8 %. Trainers who deliver one arm each: shown, to see where intervals are too
narrow. Beside it stands the primary analysis of the same studies: score test within trainers, or t of
trainers' shares.

Output: a table on the screen, and analysis/validity/retention_mixed_null.json with trials, seed, versions and
date.
"""

from __future__ import annotations

import argparse

import numpy as np

from analysis.saved_rows import save_rows
from studykit.kinds.retention.analysis import answer
from studykit.kinds.retention.mixed import answer_by_model
from studykit.outcomes.clients import ClientArrays
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Protocol
from studykit.randomness import stream
from studykit.shipped import shipped
from studykit.trial.performance import Share

SEED = 1212
CROSSED = ((24, 2), (40, 3), (80, 3), (60, 6), (120, 10))  # clients, trainers
CLUSTERS = ((60, 6), (120, 10))
SPREADS = (0.0, 0.6, 1.2)  # between trainers, log odds
AT_ONCE = 250


def delivering(deliver: str) -> Protocol:
    protocol = read_protocol(shipped("protocols") / "parallel.toml").protocol
    trainers = protocol.trainers.model_copy(update={"deliver": deliver})
    return protocol.model_copy(update={"trainers": trainers})


def drawn(
    clients: int, trainers: int, spread: float, *, nested: bool, studies: int, rng: np.random.Generator
) -> tuple[ClientArrays, np.ndarray]:
    """Studies without any effect, and who is retained."""
    trainer = np.sort(np.arange(clients) % trainers)
    if nested:
        of_trainer = rng.permuted(np.tile(np.arange(trainers) % 2, (studies, 1)), axis=1)
        arm = of_trainer[:, trainer]
    else:
        place = rng.random((studies, clients)) + trainer
        within = np.argsort(np.argsort(place, axis=1), axis=1) - np.searchsorted(trainer, trainer)
        arm = (within + rng.integers(0, 2, (studies, trainers))[:, trainer]) % 2
    sex = rng.integers(0, 2, (studies, clients))
    log_odds = 0.62 + 0.4 * (0.5 - sex) + rng.normal(0.0, spread, (studies, trainers))[:, trainer]
    status = (rng.random((studies, clients)) < 1.0 / (1.0 + np.exp(-log_odds))).astype(float)
    labels = tuple(f"T{number}" for number in range(trainers))
    arrays = ClientArrays(
        arm, ("reference", "compared"), 1, np.tile(trainer, (studies, 1)), labels,
        (("sex", sex, ("female", "male")),),
    )  # fmt: skip
    return arrays, status


def row(clients: int, trainers: int, spread: float, *, nested: bool, trials: int) -> dict[str, object]:
    protocol = delivering("one arm" if nested else "both arms")
    model, primary, boundary = [], [], 0
    for start in range(0, trials, AT_ONCE):
        rng = stream(SEED, "retention null", clients, trainers, str(spread), nested, start)
        studies = min(AT_ONCE, trials - start)
        arrays, status = drawn(clients, trainers, spread, nested=nested, studies=studies, rng=rng)
        found = answer_by_model(arrays, status, confidence_level=0.95)
        model.append(found.p_value)
        boundary += int(found.at_boundary.sum())
        primary.append(answer(protocol, arrays, status).p_value)
    p_values, others = np.concatenate(model), np.concatenate(primary)
    known = np.isfinite(p_values)
    share = Share.of(int((p_values[known] <= 0.05).sum()), int(known.sum()))
    return {
        "trainers_deliver": "one arm" if nested else "both arms",
        "clients": clients,
        "trainers": trainers,
        "trainer_spread": spread,
        "not_fitted": int((~known).sum()),
        "at_boundary": round(boundary / trials, 4),
        "type_one_error": round(share.value, 4),
        "low": round(share.low, 4),
        "high": round(share.high, 4),
        "primary_analysis": round(float(np.mean(others[np.isfinite(others)] <= 0.05)), 4),
        "verdict": "" if nested else share.wanted(0.0, 0.058),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=50_000)
    trials = parser.parse_args().trials
    rows = []
    for nested, sizes in ((False, CROSSED), (True, CLUSTERS)):
        for clients, trainers in sizes:
            for spread in SPREADS:
                rows.append(row(clients, trainers, spread, nested=nested, trials=trials))
                print("  ".join(f"{name} {value}" for name, value in rows[-1].items()), flush=True)
    save_rows(
        "retention_mixed_null",
        "Type I error of the mixed model of retention",
        __file__,
        rows,
        trials=trials,
        seed=SEED,
    )


if __name__ == "__main__":
    main()
