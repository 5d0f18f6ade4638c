"""A data frame of one's own, from reading it to tables and pictures: one step at a time.

Purpose   show what a student does with repeated measures that were not collected with studykit: count rows,
          describe, fit, read the model table, compare means by name, look at the residuals, plan the next
          study, and put all of it into one document.
Data      scores of 60 invented people of two groups at three times, as the package pingouin ships them for
          its examples (Vallat 2018, Journal of Open Source Software 3:1026); balanced, so that the F tests
          must be those of its mixed analysis of variance
Output    printed; analysis/output/own_frame/ with write_up.docx, its tables (CSV, HTML, TeX) and figures

    python analysis/16_own_frame.py
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pingouin
from matplotlib.figure import Figure

import studykit as sk
from studykit.frames import FrameFit
from studykit.report.style import drawing_style

OUTPUT = Path(__file__).parent / "output"
SEED = 1515
WORTHWHILE = 0.5  # points a student would care about, said before looking


def read() -> pd.DataFrame:
    """The scores, with a column of ordered times: its first time is the reference without being named."""
    frame = pingouin.read_dataset("mixed_anova")
    times = pd.CategoricalDtype(["August", "January", "June"], ordered=True)
    return frame.astype({"Time": times})


def fit_scores(frame: pd.DataFrame) -> FrameFit:
    """Scores by group, time and their product; people differ in their level."""
    return sk.fit_frame(
        frame,
        outcome="Scores",
        fixed=["Group", "Time", ("Group", "Time")],
        random={"Subject": ["intercept"]},
        reference={"Group": "Control"},
    )


def draw(fit: FrameFit) -> Figure:
    """Means of the groups over time, and the residuals."""
    with drawing_style():
        figure = Figure(figsize=(7.2, 3.6), layout="constrained")
        left, right = figure.subplots(1, 2)
        sk.figures.draw_interaction(fit.means("Group", by="Time"), left, unit="points")
        sk.figures.draw_residuals(fit, right, unit="points")
    return figure


def main() -> None:
    # %% Read, and fit: what was left out is said, and so is what repeats
    frame = read()
    fit = fit_scores(frame)
    print(fit.rows)

    # %% The model table
    summary = fit.summary()
    print(summary)

    # %% Is there a difference in time courses? Type III, each term given the others
    terms = fit.test_terms()
    print(f"\n{terms}")

    # %% Where? Means by name, and their differences within each time
    means = fit.means("Group", by="Time")
    contrasts = means.pairwise()
    print(f"\n{means}\n\n{contrasts}")

    # %% Does it hang on normal residuals? The groups drawn again between people, many times
    again = fit.rerandomise("Group", unit="Subject", seed=SEED)
    print(f"\n{again}")

    # %% How large, in standard deviations of single measurements
    effect = fit.effect_size({"Group[Meditation]:Time[June]": 1})
    interval = effect.confidence_interval()
    print(
        f"\n{effect.value:.2f} ({interval.lower:.2f} to {interval.upper:.2f}), over the {effect.denominator}"
    )

    # %% How many people would a study need to see what is worthwhile?
    named = {"Group[Meditation]:Time[June]": WORTHWHILE}
    print(f"\n{sk.simulated_power(fit, named, copies=(1, 2), draws=200, seed=SEED)}")

    # %% One document: methods, Table 1, everything above, the figure with its caption
    table_1 = sk.describe(frame, ["Scores"], by="Group")
    caption = "Means of the groups over time with 95 % intervals, and residuals against fitted scores."
    things = [table_1, fit, terms, again, means, contrasts, (draw(fit), caption)]
    print(f"\nDocument: {sk.write_up(things, OUTPUT / 'own_frame', title='Scores of two groups')}")


if __name__ == "__main__":
    main()
