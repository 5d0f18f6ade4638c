"""A real trial with four follow-up visits and much drop-out, from a protocol file.

Purpose   show a repeated outcome with drop-out, first by the default model (baseline means equal by
          design, unstructured covariance over visits), then by the handbook's own random-intercept
          model through column names of a data frame.
Protocol  analysis/depression_trial/protocol.toml (source of the data: there)
Input     analysis/depression_trial/records/
Output    printed
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

import studykit as sk

HERE = Path(__file__).parent
MONTHS = {"month_2": 2.0, "month_3": 3.0, "month_5": 5.0, "month_8": 8.0}


def follow_up_rows(folder: Path) -> pd.DataFrame:
    """One row per follow-up score, with the score before therapy beside it."""
    rows = pd.read_csv(folder / "measurements.csv")
    before = rows[rows["visit"] == "pre"].set_index("client")["value"].rename("before")
    later = rows[rows["visit"] != "pre"].join(before, on="client")
    facts = pd.read_csv(folder / "clients.csv").set_index("client")
    arms = pd.read_csv(folder / "allocation.csv").set_index("client")
    later = later.join(facts, on="client").join(arms, on="client")
    return later.assign(month=later["visit"].map(MONTHS), score=later["value"])


def main() -> None:
    study = sk.Study.open(HERE / "depression_trial")
    result = study.analyse().strength

    # %% The default model: one contrast per visit
    for estimate in result.by_visit:
        interval = estimate.confidence_interval()
        print(
            f"{estimate.name}: {estimate.value:.2f} {estimate.unit} "
            f"({interval.lower:.2f} to {interval.upper:.2f}), p = {estimate.p_value:.3f}"
        )
    print(result.primary.method)
    print(sk.to_frame(result.missing).to_string(index=False))

    # %% What if those who are missing had done worse? Sensitivity analyses of the protocol's contrast
    columns = ["name", "value", "lower", "upper", "p_value"]
    print(sk.to_frame(result.sensitivity)[columns].round(4).to_string(index=False))

    # %% The handbook's model (Everitt & Hothorn, longitudinal chapter): random intercept, maximum likelihood
    frame = follow_up_rows(study.folder / "records")
    fit = sk.fit_frame(
        frame,
        outcome="score",
        fixed=["before", "month", "arm", "drug", "length"],
        random={"client": ["intercept"]},
        reference={"arm": "usual_care", "drug": "no", "length": "under 6 months"},
        reml=False,
    )
    for coefficient in fit.coefficients:
        print(f"  {coefficient.name:<28} {coefficient.value:9.5f}  ({coefficient.standard_error:.5f})")
    print(f"  log-likelihood {fit.log_likelihood:.3f}")


if __name__ == "__main__":
    main()
