"""One fit with Kenward-Roger for every coefficient, against lme4 + pbkrtest and statsmodels.

Trial A: 60 clients, 6 trainers, 4 visits, 15 % drop-out, client and trainer intercepts. Trial B: A with five
exercises and client by exercise. Trial C: A's size with client intercept and slope. Target: at most 1/20 of
lme4 + pbkrtest on each for a model that was fitted before (with another outcome, say), whose layout is kept;
the first fit of a model is shown beside it. How to run: see `timing`.
"""

from __future__ import annotations

import sys
import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
from statsmodels.regression.mixed_linear_model import MixedLM
from timing import Line, in_r, median_seconds, show
from trials import Trial, simulate

from studykit.mixed import MixedFit, RandomEffect, fit_linear_mixed

TRIALS = {
    "A": simulate(7),
    "B": simulate(7, exercises=5),
    "C": simulate(7, slopes=True),
}


def fit_with_degrees(trial: Trial) -> MixedFit:
    """One fit, and the degrees of freedom of all its coefficients."""
    fit = fit_linear_mixed(trial.y, trial.X, trial.effects, names=trial.names)
    for row in np.eye(len(trial.names)):
        _ = fit.contrast(row).degrees_of_freedom
    return fit


def made_anew(trial: Trial) -> Trial:
    """The same trial with new random effects, for which no layout is kept."""
    effects = (RandomEffect(e.name, e.groups, e.design, columns=e.columns) for e in trial.effects)
    return replace(trial, effects=tuple(effects))


def statsmodels_fit(name: str, trial: Trial) -> None:
    """The same model there; crossed or nested factors as components of one group."""
    frame = pd.DataFrame(trial.columns)
    groups = np.ones(len(frame)) if name != "C" else frame["client"].to_numpy()
    components = {"client": "0 + C(client)", "trainer": "0 + C(trainer)", "level": "0 + C(level)"}
    if name == "C":
        model = MixedLM(
            trial.y, trial.X, groups, exog_re=np.column_stack([np.ones(len(frame)), frame["time"]])
        )
    elif name == "A":
        model = MixedLM.from_formula(
            f"y ~ 0 + {' + '.join(trial.names)}", frame, groups="trainer", re_formula="1",
            vc_formula={"client": components["client"]},
        )  # fmt: skip
    else:
        model = MixedLM.from_formula(
            f"y ~ 0 + {' + '.join(trial.names)}", frame, groups="trainer", re_formula="1",
            vc_formula={key: components[key] for key in ("client", "level")},
        )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model.fit()


def main() -> int:
    """Time all three."""
    missed = 0
    for name, trial in TRIALS.items():
        ours = median_seconds(lambda trial=trial: fit_with_degrees(trial), repeats=31)
        first = median_seconds(lambda trial=trial: fit_with_degrees(made_anew(trial)), repeats=31)
        lines = []
        r = in_r("lme4.R", trial.columns, trial.formula, "kenward-roger", "7", packages=("lme4", "pbkrtest"))
        if r:
            fit = fit_with_degrees(trial)
            last = fit.contrast(np.eye(len(trial.names))[-1])
            assert abs(fit.log_likelihood - r["log_likelihood"]) < 1e-5
            assert abs(last.value - r["last_coefficient"]) < 1e-5
            assert abs(last.degrees_of_freedom / r["last_degrees"] - 1.0) < 1e-3
            lines.append(Line("fit and Kenward-Roger", ours, r["kenward_roger"], "lme4 + pbkrtest", 1 / 20))
            lines.append(Line("the first fit of a model", first, r["kenward_roger"], "lme4 + pbkrtest"))
            lines.append(Line("fit and Kenward-Roger", ours, r["fit"], "lme4, fit alone"))
        theirs = median_seconds(lambda name=name, trial=trial: statsmodels_fit(name, trial), repeats=3)
        lines.append(Line("fit and Kenward-Roger", ours, theirs, "statsmodels, no degrees"))
        missed |= show(f"Trial {name}, {len(trial.y)} rows", lines)
    return missed


if __name__ == "__main__":
    sys.exit(main())
