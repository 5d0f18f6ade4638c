"""The default strength model: one fit with Kenward-Roger, and 1,000 trials.

Three visits, 60 clients under 6 trainers, 15 % drop-out; unstructured over visits, trainer on follow-up
visits, client by exercise where there are four exercises. Limits on one core: 5 ms and 30 ms for one fit
with one and with four exercises; 1 s and 10 s for 1,000 trials. How to run: see `timing`.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray
from timing import Line, median_seconds, show

from studykit.kinds.continuous.model import random_part
from studykit.mixed import RandomEffect, ResidualStructure, fit_linear_mixed, fit_many_linear_mixed

CLIENTS, TRAINERS, VISITS, FITS = 60, 6, 3, 1000
LIMITS = {1: (0.005, 1.0), 4: (0.030, 10.0)}
Array = NDArray[np.float64]


def model(exercises: int) -> tuple[NDArray[np.intp], Array, list[RandomEffect], ResidualStructure | None]:
    """Rows, fixed effects, random effects and residual structure of the default model."""
    client, visit, exercise = (
        part.ravel()
        for part in np.meshgrid(np.arange(CLIENTS), np.arange(VISITS), np.arange(exercises), indexing="ij")
    )
    arm = client // TRAINERS % 2
    cell = visit * exercises + exercise
    later = [c for c in range(VISITS * exercises) if c >= exercises]
    X = np.column_stack(
        [cell == c for c in range(VISITS * exercises)] + [(cell == c) & (arm == 1) for c in later]
    ).astype(float)
    effects, residual = random_part(
        client, visit, exercise,
        visit_labels=("before", "middle", "end"), exercises=exercises, trainer=client % TRAINERS,
        follow_up=(visit > 0).astype(float),
    )  # fmt: skip
    return np.stack([client, visit, exercise]), X, list(effects), residual


def outcomes(rows: NDArray[np.intp], number: int) -> tuple[Array, NDArray[np.bool_]]:
    """Levels and gains of clients, levels by exercise, error; and who was still there."""
    rng = np.random.default_rng(3)
    client, visit, exercise = rows
    y = 0.25 * rng.standard_normal((number, CLIENTS))[:, client]
    y += 0.06 * visit * rng.standard_normal((number, CLIENTS))[:, client]
    y += 0.1 * rng.standard_normal((number, CLIENTS * 10))[:, client * 10 + exercise]
    y += (
        0.05 * rng.standard_normal(y.shape)
        + 0.02 * (visit > 0) * rng.standard_normal((number, TRAINERS))[:, client % TRAINERS]
    )
    last = np.where(rng.random((number, CLIENTS)) < 0.15, rng.integers(1, VISITS, (number, CLIENTS)), VISITS)
    return y, visit < last[:, client]


def lines_for(exercises: int) -> list[Line]:
    """One fit, then all trials."""
    rows, X, effects, residual = model(exercises)
    y, observed = outcomes(rows, FITS)
    weights = np.zeros(X.shape[1])
    weights[-exercises:] = 1.0 / exercises
    here = observed[0]
    own = [RandomEffect(e.name, e.groups[here], e.design[here], columns=e.columns) for e in effects]
    kept = None if residual is None else ResidualStructure("unstructured", rows[0, here], rows[1, here])

    def one() -> float:
        fit = fit_linear_mixed(y[0, here], X[here], own, residual=kept)
        return fit.contrast(weights).degrees_of_freedom

    def many() -> object:
        return fit_many_linear_mixed(y, X, effects, contrasts=weights, observed=observed, residual=residual)

    what = f"{exercises} exercise{'s' if exercises > 1 else ''}"
    one_limit, many_limit = LIMITS[exercises]
    return [
        Line(f"{what}: one fit", median_seconds(one), one_limit, "limit", 1.0),
        Line(f"{what}: {FITS} trials", median_seconds(many, repeats=3), many_limit, "limit", 1.0),
    ]


def main() -> int:
    """Print one table."""
    return show("Default strength model", [line for number in LIMITS for line in lines_for(number)])


if __name__ == "__main__":
    sys.exit(main())
