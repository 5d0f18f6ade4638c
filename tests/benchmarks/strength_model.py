"""The default strength model: one fit with Kenward-Roger, and 1,000 trials.

Three visits, 60 clients under 6 trainers, 15 % drop-out; unstructured over visits, trainer on follow-up
visits, client by exercise where there are four exercises. Limits on one core: 5 ms and 30 ms for one fit
with one and with four exercises; 1 s and 10 s for 1,000 trials. How to run: see `timing`.
"""

from __future__ import annotations

import sys

import numpy as np
from timing import Line, median_seconds, show

from studykit.kinds.continuous.model import default_model, single_model
from studykit.kinds.continuous.scores import ScoreArrays
from studykit.mixed import fit_many_linear_mixed
from studykit.outcomes.clients import ClientArrays

CLIENTS, TRAINERS, VISITS, FITS = 60, 6, 3, 1000
LIMITS = {1: (0.005, 1.0), 4: (0.030, 10.0)}


def studies(exercises: int) -> ScoreArrays:
    """Levels and gains of clients, levels by exercise, error; and who was still there."""
    rng = np.random.default_rng(3)
    client, visit = np.arange(CLIENTS), np.arange(VISITS)[:, None]
    trainer = client % TRAINERS
    y = 0.25 * rng.standard_normal((FITS, CLIENTS, 1, 1)) + 0.05 * rng.standard_normal(
        (FITS, CLIENTS, VISITS, exercises)
    )
    y = y + 0.06 * visit * rng.standard_normal((FITS, CLIENTS, 1, 1))
    y = y + 0.1 * rng.standard_normal((FITS, CLIENTS, 1, exercises))
    y = y + 0.02 * (visit > 0) * rng.standard_normal((FITS, TRAINERS, 1, 1))[:, trainer]
    leaves = rng.random((FITS, CLIENTS)) < 0.15
    last = np.where(leaves, rng.integers(1, VISITS, (FITS, CLIENTS)), VISITS)
    clients = ClientArrays(
        np.tile(client // TRAINERS % 2, (FITS, 1)), ("reference", "compared"), 1,
        np.tile(trainer, (FITS, 1)), tuple("ABCDEF"),
    )  # fmt: skip
    seen = visit < last[..., None, None]
    names = tuple(f"e{number}" for number in range(exercises))
    return ScoreArrays(
        "strength", clients, np.where(seen, y, np.nan), ("before", "middle", "end"), names, 2, (0,)
    )


def lines_for(exercises: int) -> list[Line]:
    """One fit, then all trials; all of them have the same fixed effects."""
    scores = studies(exercises)
    model, layout = default_model(scores, "random")
    weights, _ = layout.effect(1, 2, scores.exercises)
    ((_, group),) = model.groups()
    first = default_model(scores.take([0]), "random")[0].alone()
    alone = single_model(first)

    def one() -> float:
        return alone.fit().contrast(weights[first.kept]).degrees_of_freedom

    def many() -> object:
        return fit_many_linear_mixed(
            group.outcome, group.fixed_effects[0], group.random_effects, contrasts=weights[group.kept],
            observed=group.observed, residual=group.residual,
        )  # fmt: skip

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
