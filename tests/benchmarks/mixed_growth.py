"""Growth with the rows, against lme4: 4 visits, 5 exercises, clients under trainers, up to 100,000 rows.

Targets: time grows no faster than rows to the power 1.15, never slower than lme4 (fit alone, where ours has
Kenward-Roger degrees of freedom too), peak memory below 1.5 GB; clients who change trainer (crossed factors)
at most three times lme4. The two programs must agree on the log-likelihood. How to run: see `timing`.
"""

from __future__ import annotations

import math
import resource
import sys

from timing import Line, in_r, median_seconds, show
from trials import Trial, simulate

from studykit.mixed import MixedFit, fit_linear_mixed

NESTED = {
    "500 clients, 50 trainers": simulate(3, clients=500, trainers=50, exercises=5, dropout=0.0),
    "5,000 clients, 50 trainers": simulate(3, clients=5000, trainers=50, exercises=5, dropout=0.0),
    "5,000 clients, 500 trainers": simulate(3, clients=5000, trainers=500, exercises=5, dropout=0.0),
}
CROSSED = {
    "2,000 clients, 50 trainers": simulate(3, clients=2000, trainers=50, dropout=0.0, changing=0.4),
    "2,000 clients, 200 trainers": simulate(3, clients=2000, trainers=200, dropout=0.0, changing=0.4),
}


def fit(trial: Trial) -> MixedFit:
    """One fit with the degrees of freedom of every coefficient."""
    result = fit_linear_mixed(trial.y, trial.X, trial.effects, names=trial.names)
    for name in trial.names:
        _ = result.contrast({name: 1}).degrees_of_freedom
    return result


def compare(what: str, trial: Trial, at_most: float) -> Line:
    """Ours against lme4's fit alone."""
    ours = median_seconds(lambda: fit(trial), repeats=5)
    theirs = None
    r = in_r("lme4.R", trial.columns, trial.formula, "fit", "3", packages=("lme4", "pbkrtest"))
    if r:
        theirs = r["fit"]
        # lme4 stops its search at a relative change of its own; it may end a little lower, never higher.
        gap = fit(trial).log_likelihood - r["log_likelihood"]
        assert -1e-6 < gap < 1e-2, f"{what}: log-likelihoods differ by {gap}"
    return Line(f"{what}, {len(trial.y):,} rows", ours, theirs, "lme4, fit alone", at_most)


def main() -> int:
    """Print all three tables."""
    nested = [compare(what, trial, 1.0) for what, trial in NESTED.items()]
    missed = show("Clients under trainers, client by exercise", nested)
    missed |= show(
        "Clients who change trainer", [compare(what, trial, 3.0) for what, trial in CROSSED.items()]
    )
    rows = [len(trial.y) for trial in NESTED.values()]
    powers = [
        math.log(line.ours / nested[0].ours) / math.log(n / rows[0])
        for line, n in zip(nested[1:], rows[1:], strict=True)
    ]
    growth = [Line("power of the rows", max(powers), 1.15, "at most", 1.0)]
    missed |= show("Growth from the first line to the others", growth, unit="exponent", factor=1.0)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0**2
    return missed | show("Memory", [Line("peak", peak, 1.5, "at most", 1.0)], unit="GB", factor=1.0)


if __name__ == "__main__":
    sys.exit(main())
