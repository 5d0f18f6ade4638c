"""Invented scores for the comparison with independent software; run in this folder: data/scores.csv.

36 clients under 3 trainers who deliver both arms, 3 exercises, one visit before allocation and two
after; gains that fan out, one missing exercise here and there, drop-out that depends on the baseline score.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np


def main() -> None:
    rng = np.random.default_rng(20261125)
    clients, visits, exercises = 36, 3, 3
    trainer = np.arange(clients) % 3
    arm = (np.arange(clients) // 3) % 2
    sex = rng.integers(0, 2, clients)
    start = 4.1 + 0.35 * sex + rng.normal(0.0, 0.22, clients)
    first_gain = rng.normal(0.12, 0.08, clients)
    second_gain = rng.normal(0.10, 0.10, clients) + 0.04 * arm
    level = np.array([0.6, 0.0, -0.2])
    own = rng.normal(0.0, 0.12, (clients, exercises))
    with Path("data/scores.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["client", "trainer", "arm", "sex", "visit", "exercise", "log_score"])
        for client in range(clients):
            gone = rng.random() < 0.25 - 0.3 * (start[client] - 4.3)
            gains = (0.0, first_gain[client], first_gain[client] + second_gain[client])
            for visit in range(visits):
                if visit == 2 and gone:
                    continue
                for exercise in range(exercises):
                    score = start[client] + gains[visit] + level[exercise] + own[client, exercise]
                    score += rng.normal(0.0, 0.05) + 0.02 * trainer[client] * (visit > 0)
                    if rng.random() < 0.04:
                        continue
                    writer.writerow(
                        [client, trainer[client], arm[client], sex[client], visit, exercise, f"{score:.6f}"]
                    )


if __name__ == "__main__":
    main()
