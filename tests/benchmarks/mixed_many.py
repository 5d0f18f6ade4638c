"""1,000 fits with Kenward-Roger at once, per fit against one fit by lme4 + pbkrtest.

Targets per fit: on one design 1/300 (A), 1/100 (B), 1/200 (C); with a new allocation and drop-out in every
trial 1/150 (A). The trials are those of `mixed_single`. How to run: see `timing`.
"""

from __future__ import annotations

import sys

import numpy as np
from mixed_single import TRIALS
from numpy.typing import NDArray
from timing import Line, in_r, median_seconds, show
from trials import VISITS, Trial

from studykit.mixed import RandomEffect, fit_linear_mixed, fit_many_linear_mixed

FITS = 1000
TARGETS = {"A": 1 / 300, "B": 1 / 100, "C": 1 / 200}
Array = NDArray[np.float64]


def outcomes(trial: Trial, number: int) -> Array:
    """New outcomes of the same design: client, trainer and row by row."""
    rng = np.random.default_rng(1)
    y = 0.1 * rng.standard_normal((number, len(trial.y)))
    for effect in trial.effects:
        levels, codes = np.unique(effect.groups, return_inverse=True)
        drawn = 0.15 * rng.standard_normal((number, len(levels), effect.design.shape[1]))
        y += (drawn[:, codes] * effect.design).sum(axis=2)
    return y


def one_design(name: str, trial: Trial, theirs: float | None) -> Line:
    """All 1,000 on one design, the contrast of the last coefficient; held to single fits."""
    y, last = outcomes(trial, FITS), np.eye(len(trial.names))[-1]

    def call() -> object:
        return fit_many_linear_mixed(y, trial.X, trial.effects, contrasts=last)

    ours = median_seconds(call, repeats=3) / FITS
    single = fit_linear_mixed(y[7], trial.X, trial.effects).contrast(last)
    many = fit_many_linear_mixed(y[7:8], trial.X, trial.effects, contrasts=last)
    assert abs(many.degrees_of_freedom[0, 0] / single.degrees_of_freedom - 1.0) < 1e-6
    return Line(f"{name}, one design", ours, theirs, "lme4 + pbkrtest, one fit", TARGETS[name])


def new_allocation(theirs: float | None) -> Line:
    """Trial A: 60 clients under 6 trainers, arms and drop-out drawn anew in every trial."""
    rng = np.random.default_rng(2)
    client, visit = np.repeat(np.arange(60), VISITS), np.tile(np.arange(VISITS), 60)
    effects = [RandomEffect("client", client), RandomEffect("trainer", client % 6)]

    def call() -> object:
        order = rng.random((FITS, 6, 10)).argsort(axis=2) < 5
        arm = np.zeros((FITS, 60))
        arm[:, np.arange(60).reshape(10, 6).T] = order
        last = np.where(rng.random((FITS, 60)) < 0.3, rng.integers(1, VISITS + 1, (FITS, 60)), VISITS)
        y = 0.2 * rng.standard_normal((FITS, 60))[:, client] + 0.1 * rng.standard_normal((FITS, len(client)))
        means = np.broadcast_to(visit[:, None] == np.arange(VISITS), (FITS, len(client), VISITS))
        later = (visit[:, None] == np.arange(1, VISITS)) * arm[:, client, None]
        X = np.concatenate([means, later], axis=2)
        return fit_many_linear_mixed(
            y, X, effects, contrasts=np.eye(X.shape[2])[-1], observed=visit < last[:, client]
        )

    ours = median_seconds(call, repeats=3) / FITS
    what = "A, new allocation and drop-out, data drawn too"
    return Line(what, ours, theirs, "lme4 + pbkrtest, one fit", 1 / 150)


def main() -> int:
    """Print one table."""
    lines = []
    for name, trial in TRIALS.items():
        r = in_r("lme4.R", trial.columns, trial.formula, "kenward-roger", "7", packages=("lme4", "pbkrtest"))
        theirs = r.get("kenward_roger")
        lines.append(one_design(name, trial, theirs))
        if name == "A":
            lines.append(new_allocation(theirs))
    return show(f"{FITS} fits, per fit", lines)


if __name__ == "__main__":
    sys.exit(main())
