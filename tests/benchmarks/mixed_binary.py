"""Binary mixed models against glmer: one fit, and 1,000 trials of 60 clients under 6 trainers.

Targets: 1,000 trials in 10 s at most, and per trial at most 1/20 of glmer. The trials differ in their
outcomes; glmer is timed on the first of them, in a process of its own. How to run: see `timing`.
"""

from __future__ import annotations

import sys

import numpy as np
from timing import Line, in_r, median_seconds, show

from studykit.mixed import RandomEffect, fit_binary_mixed, fit_many_binary_mixed

CLIENTS, TRAINERS, TRIALS = 60, 6, 1000


def main() -> int:
    """Laplace, then fifteen quadrature points."""
    rng = np.random.default_rng(12)
    trainer = np.arange(CLIENTS) % TRAINERS
    arm = (np.arange(CLIENTS) // TRAINERS % 2).astype(float)
    X = np.column_stack([np.ones(CLIENTS), arm])
    eta = 1.0 + 0.3 * arm + 0.7 * rng.standard_normal((TRIALS, TRAINERS))[:, trainer]
    y = (rng.random((TRIALS, CLIENTS)) < 1.0 / (1.0 + np.exp(-eta))).astype(float)
    effect = RandomEffect("trainer", trainer)
    missed = 0
    for points in (1, 15):
        single = median_seconds(
            lambda points=points: fit_binary_mixed(y[0], X, effect, quadrature_points=points)
        )
        many = median_seconds(
            lambda points=points: fit_many_binary_mixed(
                y, X, effect, contrasts=[0.0, 1.0], quadrature_points=points
            ),
            repeats=3,
        )
        columns = {"y": y[0].astype(int), "arm": arm, "trainer": trainer}
        r = in_r(
            "lme4.R", columns, "y ~ arm + (1 | trainer)", "binomial", "9", str(points),
            packages=("lme4", "pbkrtest"),
        )  # fmt: skip
        lines = [Line("1,000 trials", many, 10.0, "limit", 1.0)]
        if r:
            fit = fit_binary_mixed(y[0], X, effect, quadrature_points=points)
            assert abs(fit.values[-1] - r["last_coefficient"]) < 1e-2
            lines.append(Line("one fit", single, r["fit"], "glmer", 1.0))
            lines.append(Line("one of 1,000", many / TRIALS, r["fit"], "glmer", 1 / 20))
        missed |= show("Laplace" if points == 1 else f"{points} quadrature points", lines)
    return missed


if __name__ == "__main__":
    sys.exit(main())
