"""A published crossover from a frame: each child had both drugs, and the order was allocated.

Purpose   show how a trial of somebody else comes into the records, what the mixed model does within clients,
          and that it is the textbook's t test where nothing is missing.
Data      peak flow (l/min) of 13 children 8 hours after formoterol or salbutamol (Senn 2002, Cross-over
          Trials in Clinical Research, 2nd edition, chapter 3; numbers from memory, the difference of
          46.6 l/min is the book's)
Output    printed; analysis/output/crossover/ with protocol, records and report

    python analysis/18_crossover.py
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
from scipy import stats

import studykit as sk

OUTPUT = Path(__file__).parent / "output"
FORMOTEROL_FIRST = ((310, 270), (310, 260), (370, 300), (410, 390), (250, 210), (380, 350), (330, 365))
SALBUTAMOL_FIRST = ((370, 385), (310, 400), (380, 410), (290, 320), (260, 340), (90, 220))


def scores() -> pd.DataFrame:
    """One row for each child and period."""
    orders = (
        (FORMOTEROL_FIRST, ("formoterol", "salbutamol")),
        (SALBUTAMOL_FIRST, ("salbutamol", "formoterol")),
    )
    children = [(drugs, flows) for both, drugs in orders for flows in both]
    rows = [
        {"child": f"P{number:02}", "period": period, "drug": drug, "peak_flow": flow}
        for number, (drugs, flows) in enumerate(children, 1)
        for period, (drug, flow) in enumerate(zip(drugs, flows, strict=True), 1)
    ]
    return pd.DataFrame(rows)


def main() -> None:
    OUTPUT.mkdir(exist_ok=True)
    shutil.rmtree(OUTPUT / "crossover", ignore_errors=True)  # of an earlier run

    # %% From the frame to a study: what the frame cannot say is said here
    frame = scores()
    study, taken = sk.study_from_frame(
        frame,
        OUTPUT / "crossover",
        client="child",
        visit="period",
        arm="drug",
        score="peak_flow",
        reference="salbutamol",
        days={1: 1, 2: 8},  # the frame has no days, and with two periods nothing depends on them
        design="crossover",
        unit="l/min",
        title="Peak flow after formoterol and salbutamol: a published crossover",
        allocated="the order of the two drugs was allocated at random in the published trial",
    )
    print(taken)

    # %% The analysis: each child is compared with itself, and periods are means of their own
    results = study.analyse()
    found = results.primary.primary
    interval = found.confidence_interval()
    print(
        f"\n{found.contrast}: {found.value:.1f} l/min ({interval.lower:.1f} to {interval.upper:.1f}), "
        f"standard error {found.estimate.standard_error:.3f}, "
        f"t({found.estimate.degrees_of_freedom:.0f}) = {found.estimate.statistic:.3f}"
    )
    for remark in found.remarks:
        print(f"  {remark}")

    # %% The textbook's way: half the difference of the orders' mean differences between periods
    wide = frame.pivot_table("peak_flow", "child", "period")
    change = wide[1] - wide[2]
    first = frame[frame["period"] == 1].set_index("child")["drug"] == "formoterol"
    test = stats.ttest_ind(change[first], change[~first])
    half = (change[first].mean() - change[~first].mean()) / 2
    print(f"\nTwo-sample t test of the differences: {half:.1f} l/min, t = {test.statistic:.3f}")
    print(f"\nReport: {study.save(results)}")


if __name__ == "__main__":
    main()
