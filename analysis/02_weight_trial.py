"""A real three-arm trial with one measurement before and one after, from a protocol file.

Purpose   show that an outcome "as measured", in a trial allocated elsewhere, goes through the same
          analysis, and that it agrees with independent software.
Protocol  analysis/weight_trial/protocol.toml (source of the data: there)
Input     analysis/weight_trial/records/
Output    printed
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import statsmodels.formula.api as smf

import studykit as sk

HERE = Path(__file__).parent


def regression(study: sk.Study) -> pd.DataFrame:
    """Weight after on weight before and arm, by least squares in a general library."""
    folder = study.folder / "records"
    values = pd.read_csv(folder / "measurements.csv").pivot_table(
        index="client", columns="visit", values="value"
    )
    wide = values.join(pd.read_csv(folder / "allocation.csv").set_index("client"))
    fit = smf.ols("after ~ before + C(arm, Treatment('control'))", wide).fit()
    table = pd.DataFrame({"estimate": fit.params, "standard error": fit.bse, "p": fit.pvalues})
    return table.rename(index=lambda name: name.replace("C(arm, Treatment('control'))", "arm "))


def main() -> None:
    study = sk.Study.open(HERE / "weight_trial")
    weight = study.analyse().strength

    # %% The protocol's primary contrast, the other arm, and the effect in standard deviations
    for estimate in (weight.primary, *weight.other_arms, weight.standardised):
        interval = estimate.confidence_interval()
        print(
            f"{estimate.contrast}: {estimate.value:.2f} {estimate.unit} "
            f"({interval.lower:.2f} to {interval.upper:.2f}), p = {estimate.p_value:.4f}"
        )
    print(weight.primary.method)
    print(weight.primary.rows)

    # %% Sensitivity, and independent software
    columns = ["name", "value", "lower", "upper", "p_value"]
    print(sk.to_frame(weight.sensitivity)[columns].round(4).to_string(index=False))
    print("Least squares in a general library:")
    print(regression(study).round(4).to_string())


if __name__ == "__main__":
    main()
