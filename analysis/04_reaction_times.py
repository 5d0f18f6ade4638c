"""Sleep deprivation and reaction time: the engine from a data frame, step by step.

Purpose   show repeated measures outside a trial: the mixed model, what its numbers mean, how sure they are,
          what hangs on single people, and pictures of it.
Data      mean reaction time (ms) of 18 people, day 0 to day 9 of an experiment in which they slept three
          hours a night (Belenky et al. 2003, Journal of Sleep Research 12:1; the data as published with
          Bates, Maechler, Bolker & Walker 2015, Journal of Statistical Software 67(1), in the R package lme4)
Input     analysis/reaction_times/reaction_times.csv
Output    printed, and analysis/output/reaction_times.png and reaction_times_fit.png

    python analysis/04_reaction_times.py [--draws N]
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

import studykit as sk
from studykit.frames import FrameModel
from studykit.mixed import Influence, MixedFit
from studykit.report.fit_figures import draw_influence, draw_normal_quantiles, draw_variance_profile
from studykit.report.numbers import number, p_value
from studykit.report.style import FAINT, INK, SOFT, drawing_style, png_bytes

HERE = Path(__file__).parent
OUTPUT = HERE / "output"
SEED = 404
FAR = 3.0  # standard deviations
SPREADS = (
    sk.StandardDeviation("person", "intercept"),
    sk.StandardDeviation("person", "days"),
    sk.Correlation("person", "intercept", "days"),
    sk.ResidualDeviation(),
)


def make_model(frame: pd.DataFrame, columns: list[str]) -> FrameModel:
    """Reaction time on days; ``columns`` vary between people."""
    return sk.model_from_frame(frame, outcome="reaction", fixed=["days"], random={"person": columns})


def draw_data(frame: pd.DataFrame, fit: MixedFit, path: Path) -> None:
    """Each person with the line that the model gives him or her, in the order of the slopes."""
    lines = fit.random_effect_predictions("person")
    order = np.argsort(lines.values[:, 1])
    days = np.array([0.0, 9.0])
    with drawing_style():
        figure = Figure(figsize=(7.2, 6.0), layout="constrained")
        axes = figure.subplots(3, 6, sharex=True, sharey=True)
        for ax, place in zip(axes.flat, order, strict=True):
            own = frame[frame["person"].astype(str) == lines.levels[place]]
            intercept, slope = fit.values + lines.values[place]
            ax.plot(days, fit.values[0] + fit.values[1] * days, color=FAINT, linewidth=2.2)
            ax.plot(own["days"], own["reaction"], "o", color=SOFT, markersize=2.8)
            ax.plot(days, intercept + slope * days, color=INK, linewidth=1.4)
            ax.set_title(f"person {lines.levels[place]}\n{number(slope, signed=True)} ms a day", fontsize=7.5)
        figure.supxlabel("days of three hours' sleep", fontsize=9)
        figure.supylabel("reaction time, ms (grey line: the average person)", fontsize=9)
    path.write_bytes(png_bytes(figure))


def draw_fit(model: FrameModel, fit: MixedFit, influence: Influence, path: Path) -> None:
    """How well the model fits: quantiles, profiles of two spreads, and leaving out one person at a time."""
    with drawing_style():
        figure = Figure(figsize=(7.2, 7.6), layout="constrained")
        axes = figure.subplots(3, 2)
        draw_normal_quantiles(sk.residual_quantiles(fit), axes[0, 0], named=False)
        draw_normal_quantiles(sk.random_effect_quantiles(fit, "person", column="days"), axes[0, 1])
        for ax, quantity in zip(axes[1], SPREADS[:2], strict=True):
            interval = sk.profile_interval(model.model, quantity, reml=True)
            profile = sk.variance_profile(model.model, quantity, reml=True)
            draw_variance_profile(profile, ax, interval=interval, unit="ms")
        axes[2, 0].remove()
        axes[2, 1].remove()
        below = figure.add_subplot(axes[2, 0].get_gridspec()[2, :])
        draw_influence(influence, below, who="person", unit="ms a day")
    path.write_bytes(png_bytes(figure))


def print_intervals(model: FrameModel, draws: int) -> None:
    """Profile and bootstrap intervals of the spreads beside each other."""
    found = sk.bootstrap_intervals(model.model, SPREADS, seed=SEED, draws=draws)
    print(f"95 % intervals by profile, and by {found.draws.used} of {found.draws.supplied} refits:")
    for quantity, drawn in zip(SPREADS, found.intervals, strict=True):
        profile = sk.profile_interval(model.model, quantity, reml=True).interval
        by_draws = drawn.interval
        print(
            f"  {quantity!s:<55} {drawn.estimate:7.2f}   {profile.lower:7.2f} to {profile.upper:6.2f}"
            f"   {by_draws.lower:7.2f} to {by_draws.upper:6.2f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=1000, help="refits of the bootstrap")
    draws = parser.parse_args().draws
    frame = pd.read_csv(HERE / "reaction_times" / "reaction_times.csv")

    # %% The model: everybody has an own level and an own slope, drawn from a normal distribution
    model = make_model(frame, ["intercept", "days"])
    fit = model.fit()
    print(f"{model.rows}; {fit.fit!r}")
    slope = fit.contrast({"days": 1})
    interval = slope.confidence_interval()
    print(
        f"Each day of short sleep costs {slope.value:.2f} ms (95 % interval {interval.lower:.2f} to "
        f"{interval.upper:.2f}; t with {slope.degrees_of_freedom:.1f} degrees of freedom, {slope.method})."
    )

    # %% How much do people differ? A statement with an interval, never a z-test of a variance
    for sentence in sk.describe_variances(model.model, unit="ms"):
        print(sentence)
    print_intervals(model, draws)

    # %% Are the slopes needed, and are they tied to the levels?
    full = fit.fit
    same_slope = make_model(frame, ["intercept"]).fit().fit
    ratio = sk.likelihood_ratio(same_slope, full)
    print(
        f"Against one slope for everybody: chi-square {ratio.statistic:.1f} on {ratio.degrees_of_freedom}, "
        f"{p_value(ratio.p_value)}."
    )

    # %% What would happen to the slope without any one person?
    influence = sk.influence_of(model.model, "person", contrast={"days": 1})
    person, change = influence.largest()
    without = influence.contrast_values[influence.levels.index(person)]
    print(
        f"Without person {person} the slope would be {without:.2f} ms a day, {abs(change):.2f} standard "
        "errors away; nobody changes it more."
    )

    # %% And without the days that fit worst?
    residuals = sk.residual_quantiles(full)
    far = [row for row, size in zip(residuals.labels, residuals.observed, strict=True) if abs(size) > FAR]
    calmer = make_model(frame.drop(index=far), ["intercept", "days"]).fit().contrast({"days": 1})
    print(
        f"The residuals are straight against the normal but for {len(far)} of {model.rows.used} days beyond "
        f"{FAR:g} standard deviations; without these days the slope would be {calmer.value:.2f} ms a day."
    )

    OUTPUT.mkdir(exist_ok=True)
    draw_data(frame, full, OUTPUT / "reaction_times.png")
    draw_fit(model, full, influence, OUTPUT / "reaction_times_fit.png")


if __name__ == "__main__":
    main()
