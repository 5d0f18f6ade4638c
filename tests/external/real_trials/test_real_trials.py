"""Two real randomised trials, from a protocol file to an estimate, held to nlme, lme4 and least squares."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

import studykit as sk
from studykit.kinds.continuous.results import ContinuousResult
from studykit.results import Estimate

HERE = Path(__file__).parent
ANALYSIS = HERE.parents[2] / "analysis"
NLME_EFFECT = 1e-4  # points or pounds: nlme's quasi-Newton stops there; effects are 1.5 to 9
PRINTED = 5e-6  # values printed with five decimals


@pytest.fixture(scope="module")
def reference() -> dict[str, Any]:
    return json.loads((HERE / "reference.json").read_text(encoding="utf-8"))


def analysed(name: str) -> ContinuousResult:
    return sk.Study.open(ANALYSIS / name).analyse().strength


@pytest.fixture(scope="module")
def weight() -> ContinuousResult:
    return analysed("weight_trial")


@pytest.fixture(scope="module")
def depression() -> ContinuousResult:
    return analysed("depression_trial")


def test_weight_by_arm_agrees_with_nlme(weight: ContinuousResult, reference: dict[str, Any]) -> None:
    """C25 26: effect of each arm; nlme::gls, unstructured over two visits, baseline means equal."""
    expected = reference["weight"]["unstructured"]
    assert weight.primary.value == pytest.approx(expected["effect"], abs=NLME_EFFECT)
    other = next(estimate for estimate in weight.other_arms if "behavioural" in estimate.name)
    assert other.value == pytest.approx(expected["effect_behavioural"], abs=NLME_EFFECT)
    assert weight.primary.rows.used == 72


def test_weight_regression_agrees_with_least_squares(
    weight: ContinuousResult, reference: dict[str, Any]
) -> None:
    """The stated fallback is the analysis of covariance; R's lm and statsmodels agree to the last digits."""
    expected = reference["weight"]["regression"]
    ours = next(estimate for estimate in weight.sensitivity if estimate.name.startswith("regression"))
    estimate = ours.estimate
    assert isinstance(estimate, Estimate)
    assert estimate.value == pytest.approx(expected["effect"], rel=1e-10)
    assert estimate.standard_error == pytest.approx(expected["standard_error"], rel=1e-10)
    assert estimate.degrees_of_freedom == expected["degrees_of_freedom"]
    assert estimate.p_value == pytest.approx(expected["p_value"], rel=1e-8)

    folder = ANALYSIS / "weight_trial" / "records"
    wide = pd.read_csv(folder / "measurements.csv").pivot_table(
        index="client", columns="visit", values="value"
    )
    wide = wide.join(pd.read_csv(folder / "allocation.csv").set_index("client"))
    fit = smf.ols("after ~ before + C(arm, Treatment('control'))", wide).fit()
    assert estimate.value == pytest.approx(fit.params["C(arm, Treatment('control'))[T.family]"], rel=1e-10)


def test_complete_data_give_nearly_the_regression(weight: ContinuousResult) -> None:
    """With complete data the model and the regression estimate the same slope, up to how the arms pool it."""
    ours = next(estimate for estimate in weight.sensitivity if estimate.name.startswith("regression"))
    assert weight.primary.value == pytest.approx(ours.value, abs=1e-3)


def test_depression_by_visit_agrees_with_nlme(
    depression: ContinuousResult, reference: dict[str, Any]
) -> None:
    """F02, F14: all observed scores under drop-out; unstructured over five visits, strata by visit."""
    expected = reference["depression"]["unstructured"]["effect"]
    assert [estimate.value for estimate in depression.by_visit] == pytest.approx(expected, abs=NLME_EFFECT)
    assert depression.primary.value == pytest.approx(expected[0], abs=NLME_EFFECT)


def test_depression_standard_errors_are_adjusted_upwards(
    depression: ContinuousResult, reference: dict[str, Any]
) -> None:
    """Kenward-Roger adds what estimating the covariance costs: a little, more where more is missing."""
    plain = np.array(reference["depression"]["unstructured"]["model_standard_error"])
    ours = np.array([estimate.estimate.standard_error for estimate in depression.by_visit])  # type: ignore[attr-defined]
    excess = ours / plain - 1.0
    assert np.all(excess > 0.0)
    assert np.all(excess < 0.04)
    assert excess[-1] > excess[0]


def test_depression_counts_every_missing_score(depression: ContinuousResult) -> None:
    """C10: missing by arm and visit; the data have 3, 27, 42 and 48 missing at the four follow-ups."""
    missing: dict[str, int] = {}
    for cell in depression.missing:
        missing[cell.visit] = missing.get(cell.visit, 0) + cell.allocated - cell.observed
    assert [missing[visit] for visit in ("month_2", "month_3", "month_5", "month_8")] == [3, 27, 42, 48]


@pytest.fixture(scope="module")
def follow_up() -> pd.DataFrame:
    folder = ANALYSIS / "depression_trial" / "records"
    rows = pd.read_csv(folder / "measurements.csv")
    before = rows[rows["visit"] == "pre"].set_index("client")["value"].rename("before")
    later = rows[rows["visit"] != "pre"].join(before, on="client")
    later = later.join(pd.read_csv(folder / "clients.csv").set_index("client"), on="client")
    later = later.join(pd.read_csv(folder / "allocation.csv").set_index("client"), on="client")
    months = {"month_2": 2.0, "month_3": 3.0, "month_5": 5.0, "month_8": 8.0}
    return later.assign(month=later["visit"].map(months)).rename(columns={"value": "score"})


def handbook_fit(frame: pd.DataFrame, *, slopes: bool) -> Any:
    return sk.fit_frame(
        frame,
        outcome="score",
        fixed=["before", "month", "arm", "drug", "length"],
        random={"client": ["intercept", "month"] if slopes else ["intercept"]},
        reference={"arm": "usual_care", "drug": "no", "length": "under 6 months"},
        reml=False,
    )


def test_the_handbook_model_through_column_names(follow_up: pd.DataFrame, reference: dict[str, Any]) -> None:
    """M53 (Everitt & Hothorn, longitudinal chapter; printed values from memory) and lme4."""
    fit = handbook_fit(follow_up, slopes=False)
    expected = reference["depression"]["handbook"]
    assert len(follow_up) == expected["rows"] == 280
    values = [coefficient.value for coefficient in fit.coefficients]
    errors = [coefficient.standard_error for coefficient in fit.coefficients]
    assert values == pytest.approx(expected["coefficients"], rel=1e-6)
    assert errors == pytest.approx(expected["standard_errors"], rel=1e-6)
    assert values == pytest.approx([5.59239, 0.63968, -0.70476, -2.32908, -2.82495, 0.19708], abs=PRINTED)
    assert fit.log_likelihood == pytest.approx(expected["log_likelihood"], abs=1e-6)
    assert fit.log_likelihood == pytest.approx(-935.75, abs=0.005)


def test_the_handbook_comparison_with_random_slopes(
    follow_up: pd.DataFrame, reference: dict[str, Any]
) -> None:
    """M54: twice the difference of log-likelihoods, 0.4542 on 2 degrees of freedom."""
    plain, sloped = handbook_fit(follow_up, slopes=False), handbook_fit(follow_up, slopes=True)
    statistic = 2.0 * (sloped.log_likelihood - plain.log_likelihood)
    assert statistic == pytest.approx(reference["depression"]["handbook"]["random_slope_statistic"], abs=1e-4)
    assert statistic == pytest.approx(0.4542, abs=1e-4)
