"""Invented scores for the three designs: ``python tests/external/outcomes_within/make_data.py``."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
SEED = 20260412


def write(name: str, rows: list[dict[str, object]]) -> None:
    with (HERE / "data" / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(rows)


def crossover(rng: np.random.Generator) -> list[dict[str, object]]:
    """18 clients, two exercises, two periods; some tests missing."""
    rows = []
    for client in range(18):
        order, base = client % 2, rng.normal(4.0, 0.2)
        own = rng.normal(0.0, 0.1, 2)
        for period in (0, 1):
            arm, form = (order + period) % 2, rng.normal(0.0, 0.06)
            for exercise in (0, 1):
                score = base + form + own[exercise] + 0.05 * period + 0.04 * arm + 0.3 * exercise
                if rng.random() > 0.12:
                    rows.append({"client": client, "order": order, "period": period, "exercise": exercise,
                                 "arm": arm, "score": f"{score + rng.normal(0.0, 0.05):.6f}"})  # fmt: skip
    return rows


def limbs(rng: np.random.Generator) -> list[dict[str, object]]:
    """16 clients, one pair; both sides before and after; some after missing."""
    rows = []
    for client in range(16):
        dominant, drawn, base = int(rng.random() < 0.7), client % 2, rng.normal(3.0, 0.2)
        for side in (0, 1):
            on_dominant = int(side == dominant)
            arm = drawn if on_dominant else 1 - drawn
            before = base + 0.05 * on_dominant + rng.normal(0.0, 0.05)
            after = before + 0.1 + 0.03 * arm + rng.normal(0.0, 0.06)
            seen = rng.random() > 0.1
            rows.append({"client": client, "side": side, "dominant": dominant, "drawn": drawn, "arm": arm,
                         "before": f"{before:.6f}", "after": f"{after:.6f}" if seen else ""})  # fmt: skip
    return rows


def stepped(rng: np.random.Generator) -> list[dict[str, object]]:
    """8 trainers with 4 clients each, a test before, four periods, three steps; some tests missing."""
    rows = []
    for trainer in range(8):
        step, of_trainer = trainer % 3 + 1, rng.normal(0.0, 0.06)
        at = rng.normal(0.0, 0.03, 5)
        for client in range(4):
            base = rng.normal(4.0, 0.2)
            for period in range(5):  # 0 is the test before
                arm = int(period > step)
                score = base + of_trainer + at[period] + 0.03 * period + 0.05 * arm + rng.normal(0.0, 0.06)
                if rng.random() > 0.1:
                    rows.append({"client": 4 * trainer + client, "trainer": trainer, "step": step,
                                 "period": period, "arm": arm, "score": f"{score:.6f}"})  # fmt: skip
    return rows


if __name__ == "__main__":
    (HERE / "data").mkdir(exist_ok=True)
    generator = np.random.default_rng(SEED)
    write("crossover", crossover(generator))
    write("limbs", limbs(generator))
    write("stepped", stepped(generator))
