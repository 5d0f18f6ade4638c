"""The demo study from Python, cell by cell, as a student would put it into a notebook.

Purpose   read a finished study, analyse it, look at strength and retention, and compare with a
          repeated-measures analysis of variance from a general library.
Protocol  the demo study's own (synthetic_data/demo_study/protocol.toml).
Input     a copy of the demo study, made in analysis/output/.
Output    analysis/output/01_*.csv and .png
"""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pingouin as pg

import studykit as sk

OUTPUT = Path(__file__).parent / "output"


# %% One table of scores: the composite of each client at each visit
def composite_scores(study: sk.Study) -> pd.DataFrame:
    """Mean log load over the machines, one row per client and visit with every machine tested."""
    scores = study.rows()[0].outcomes["strength"]
    frame = sk.to_frame(scores)
    frame["log_load"] = np.log(frame["score"])
    machines = len(scores.exercise_labels)
    cells = (
        frame.groupby(["client", "arm", "visit"], observed=True)["log_load"]
        .agg(["mean", "size"])
        .reset_index()
    )
    return cells[cells["size"] == machines].rename(columns={"mean": "log_load"}).drop(columns="size")


def main() -> None:
    OUTPUT.mkdir(exist_ok=True)
    study, _ = sk.Study.demo(OUTPUT / "demo_study")

    # %% The study's own analysis, as its protocol says
    results = study.analyse()
    strength, retention = results.strength, results.retention
    print("Strength:", strength.primary.contrast)
    interval = strength.primary.confidence_interval()
    print(f"  ratio {strength.primary.value:.3f} ({interval.lower:.3f} to {interval.upper:.3f})")
    print(f"  {strength.primary.method}")
    print(f"  {strength.primary.rows}")
    if retention is not None:
        interval = retention.primary.confidence_interval()
        print("Retention:", retention.definition)
        print(f"  difference {retention.primary.value:.3f} ({interval.lower:.3f} to {interval.upper:.3f})")

    # %% Tables and pictures
    sk.to_frame(strength.by_visit).to_csv(OUTPUT / "01_strength_by_visit.csv", index=False)
    figure, axis = plt.subplots(figsize=(7, 4.5))
    sk.figures.draw_trajectories(strength, axis)
    figure.savefig(OUTPUT / "01_trajectories.png", dpi=150)
    plt.close(figure)

    # %% The same question put to a mixed analysis of variance
    scores = composite_scores(study)
    table = pg.mixed_anova(scores, dv="log_load", within="visit", between="arm", subject="client")
    table.to_csv(OUTPUT / "01_mixed_anova.csv", index=False)
    visits = scores["visit"].nunique()
    complete = scores.groupby("client")["visit"].nunique().eq(visits).sum()
    dropped = scores["client"].nunique() - complete
    print("Mixed analysis of variance:")
    print(table.to_string(index=False))
    print(f"  It used {complete} clients with all {visits} visits; {dropped} with a missing one are gone.")
    print("  Its table says nothing of them.")
    print(f"  The mixed model used {strength.primary.rows.used} clients: all who have any score.")
    print("  The analysis of variance asks whether the arms' courses differ anywhere. It gives no size of a")
    print("  difference and no interval, takes equal correlation over visits for granted, and knows no")
    print("  machines, trainers or strata.")


if __name__ == "__main__":
    main()
