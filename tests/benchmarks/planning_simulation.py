"""Planning by simulation, from drawing clients to the decision: trials, searches, the page, two workers.

60 clients under 6 trainers who deliver both arms, 3 visits, by the ready parallel protocol: allocation,
missing tests and departures in each trial. Limits on one core, in processor time: 0.5 s for 1,000 trials with
a constant client effect (and 1/150 of lme4 + pbkrtest in a loop, by one fit of theirs), 1 s for the default
model, 10 s with four exercises, 0.5 s for retention, 10 s for the binary mixed model; 8 s for the smallest
number of clients to two clients or 2 %, 15 s for the whole page of the default study, 3 s for its first
answer. Two workers against one are timed by the clock, so that they need two idle cores: at least 1.7 times
as fast with 20,000 trials. How to run: see `timing`; name parts, such as `workers`, to run only these.
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
from timing import Line, in_r, median_seconds, show

from studykit.kinds.continuous.model import default_model
from studykit.mixed import RandomEffect, fit_many_linear_mixed
from studykit.planning.plan_text import plan_text
from studykit.planning.sample_size_search import search_number
from studykit.planning.simulation import simulate_study
from studykit.protocol.protocol_file import read_protocol
from studykit.shipped import shipped
from studykit.study import Study
from studykit.trial.arrays import score_arrays
from studykit.trial.batch import simulate_batch
from studykit.trial.performance import batch_size, batches_of, estimate_batch, with_exercises
from studykit.trial.settings import TrialSettings

TRIALS = 1000
FOUR = read_protocol(shipped("protocols") / "parallel.toml").protocol
ONE = with_exercises(FOUR, FOUR.continuous_outcomes[0].exercises[:1])


def world(protocol):
    """The size that the limits are for."""
    return replace(TrialSettings.from_protocol(protocol, clients=60), trainers=6)


def analysed(protocol, outcome="strength", *, supporting=False):
    """All trials by the protocol's own analysis, as planning does it."""
    settings = world(protocol)
    for number, size in enumerate(batches_of(TRIALS, batch_size(settings))):
        estimate_batch(protocol, settings, size, seed=7, batch=number, outcome=outcome, supporting=supporting)


def constant_client_effect():
    """The same trials with a client effect that is constant over visits, which the house does not offer."""
    settings = world(ONE)
    for number, size in enumerate(batches_of(TRIALS, batch_size(settings))):
        batch = simulate_batch(settings, size, seed=7, batch=number, attendance=False)
        scores = score_arrays(ONE, batch)
        model, layout = default_model(scores, "random")
        weights, _ = layout.effect(1, scores.primary_visit, scores.exercises)
        clients = RandomEffect("client", np.repeat(np.arange(60), 3))
        rejected = False
        for _, studies in model.groups():
            found = fit_many_linear_mixed(
                studies.outcome, studies.fixed_effects, (clients, *studies.random_effects),
                contrasts=weights[studies.kept], observed=studies.observed,
            )  # fmt: skip
            rejected |= bool((found.p_value <= 0.05).any())
        assert rejected


def loop_in_r():
    """Seconds that as many fits with Kenward-Roger take in R, from one of the trials; None without R."""
    batch = simulate_batch(world(ONE), 1, seed=7, attendance=False)
    study = default_model(score_arrays(ONE, batch), "random")[0].alone()
    columns = {"y": study.outcome[0], "client": study.residual.groups}
    names = [f"x{number}" for number in range(study.fixed_effects.shape[-1])]
    columns |= dict(zip(names, study.fixed_effects[0].T, strict=True))
    (trainer,) = study.random_effects
    columns |= {"trainer": trainer.groups, "later": trainer.design[:, 0]}
    formula = f"y ~ 0 + {' + '.join(names)} + (1 | client) + (0 + later | trainer)"
    found = in_r("lme4.R", columns, formula, "kenward-roger", "7", packages=("lme4", "pbkrtest"))
    return TRIALS * found["kenward_roger"] if found else None


def whole_page(folder):
    """Plan, simulate, write."""
    study = Study.open(folder)
    study.save_plan(study.simulate(study.plan()))


def by_the_clock(workers, trials):
    """Seconds for the default model; the first call starts the processes and is not counted."""
    settings = world(ONE)
    simulate_study(ONE, settings, trials=1000, workers=workers, null_trials=False, only=["strength"])
    start = time.perf_counter()
    simulate_study(ONE, settings, trials=trials, workers=workers, null_trials=False, only=["strength"])
    return time.perf_counter() - start


def trials_lines():
    """1,000 trials from drawing clients to the decision."""
    calls = (
        ("constant client effect", constant_client_effect, 0.5),
        ("default model", lambda: analysed(ONE), 1.0),
        ("default model, four exercises", lambda: analysed(FOUR), 10.0),
        ("retention", lambda: analysed(FOUR, "retention"), 0.5),
        ("retention, binary mixed model", lambda: analysed(FOUR, "retention", supporting=True), 10.0),
    )
    lines = [
        Line(f"{TRIALS} trials, {what}", median_seconds(call, repeats=3), limit, "limit", 1.0)
        for what, call, limit in calls
    ]
    loop = Line(lines[0].what, lines[0].ours, loop_in_r(), "lme4 + pbkrtest in a loop", 1.0 / 150.0)
    return [loop, *lines]


def search_lines():
    """The smallest number of clients for 80 % power."""
    lines = []
    for percent in (6, 10):
        seconds = median_seconds(partial(search_number, ONE, effect=math.log1p(percent / 100)), repeats=1)
        lines.append(Line(f"clients for a difference of {percent} %", seconds, 8.0, "limit", 1.0))
    return lines


def page_lines():
    """The default study, as a new one is made."""
    with tempfile.TemporaryDirectory() as folder:
        study = Study.create(Path(folder) / "mine")
        first = median_seconds(lambda: plan_text(Study.open(study.folder).plan()), repeats=3)
        page = median_seconds(lambda: whole_page(study.folder), repeats=1)
    return [Line("first answer", first, 3.0, "limit", 1.0), Line("whole page", page, 15.0, "limit", 1.0)]


def workers_lines():
    """Two processes against one."""
    one, two = (by_the_clock(workers, 20_000) for workers in (1, 2))
    return [Line("20,000 trials, two workers", two, one, "one worker", 1.0 / 1.7)]


PARTS = {"trials": trials_lines, "search": search_lines, "page": page_lines, "workers": workers_lines}


def main() -> int:
    """Print one table."""
    wanted = sys.argv[1:] or list(PARTS)
    return show("Planning by simulation", [line for part in wanted for line in PARTS[part]()])


if __name__ == "__main__":
    sys.exit(main())
