"""Means, contrasts by name, tests of terms, predictions, R-squared against emmeans, lmerTest and others."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from studykit.frames import FrameFit, MeanContrasts, Means, fit_frame, to_frame

HERE = Path(__file__).parent
DATA = HERE.parent / "mixed_classics" / "data"
REFERENCE = json.loads((HERE / "reference.json").read_text())
# lme4 stops some digits short of the optimum; degrees of freedom follow variances more steeply than errors.
CLOSE, DEGREES = {"rtol": 2e-5, "atol": 1e-9}, {"rtol": 5e-4}


def growth() -> pd.DataFrame:
    frame = pd.read_csv(DATA / "orthodont.csv")
    return frame.assign(visit="a" + frame["age"].astype(str))


def short() -> pd.DataFrame:
    frame = growth()
    children = [f"F{n:02d}" for n in range(1, 12)] + [f"M{n:02d}" for n in range(1, 17)]
    gone = [children[place - 1] for place in (3, 6, 9, 10, 13, 16, 23, 24, 27)]
    return frame[~((frame["age"] == 10) & frame["Subject"].isin(gone))]


@cache
def fitted(name: str) -> FrameFit:
    if name == "nested":
        return fit_frame(
            pd.read_csv(DATA / "machines_unbalanced.csv").astype({"Worker": str}), outcome="score",
            fixed=["Machine"], random={"Worker": ["intercept"], ("Worker", "Machine"): ["intercept"]},
            reference={"Machine": "A"},
        )  # fmt: skip
    if name == "blocks":
        frame = pd.read_csv(DATA / "beets.csv").drop(index=[0, 6, 18])
        return fit_frame(
            frame, outcome="sugpct", fixed=["block", "sow", "harvest"],
            random={("block", "harvest"): ["intercept"]},
            reference={"block": "block1", "sow": "sow1", "harvest": "harv1"},
        )  # fmt: skip
    visit = "visit" if name == "factors" else "age"
    random: dict[Any, Any] = {
        "factors": {"Subject": ["intercept"]},
        "slopes": {"Subject": [["intercept"], ["age"]]},
        "tied": {"Subject": ["intercept", "age"]},
    }[name]
    frame = growth() if name == "tied" else short()
    visits = pd.CategoricalDtype(["a8", "a10", "a12", "a14"], ordered=True)
    return fit_frame(
        frame.astype({"visit": visits}), outcome="distance", fixed=["Sex", visit, ("Sex", visit)],
        random=random, reference={"Sex": "Female"},
    )  # fmt: skip


def check(found: Means | MeanContrasts, expected: dict[str, list[Any]], *, by: list[str]) -> None:
    """Rows found by their labels; every number of every row."""
    ours = to_frame(found).set_index(by)
    theirs = pd.DataFrame(expected).astype(dict.fromkeys(by, str)).set_index(by)
    assert sorted(ours.index) == sorted(theirs.index)
    ours = ours.loc[theirs.index]
    value = "emmean" if "emmean" in theirs else "estimate"
    np.testing.assert_allclose(ours["value"], theirs[value], **CLOSE)
    np.testing.assert_allclose(ours["standard_error"], theirs["SE"], rtol=2e-5)
    np.testing.assert_allclose(ours["degrees_of_freedom"], theirs["df"], **DEGREES)
    np.testing.assert_allclose(ours["statistic"], theirs["t.ratio"], rtol=5e-5, atol=1e-8)
    if value == "emmean":
        np.testing.assert_allclose(ours["lower"], theirs["lower.CL"], rtol=5e-5)
        np.testing.assert_allclose(ours["upper"], theirs["upper.CL"], rtol=5e-5)
    else:
        np.testing.assert_allclose(ours["adjusted_p_value"], theirs["p.value"], rtol=2e-3)


def test_means_of_levels_within_others() -> None:
    check(fitted("nested").means("Machine"), REFERENCE["nested"]["means"], by=["Machine"])
    check(fitted("factors").means("Sex", by="visit"), REFERENCE["factors"]["means"], by=["Sex", "visit"])
    check(fitted("blocks").means("sow"), REFERENCE["blocks"]["means"], by=["sow"])


def test_means_averaged_over_other_levels_alike_or_by_rows() -> None:
    check(fitted("factors").means("Sex"), REFERENCE["factors"]["overall"], by=["Sex"])
    check(fitted("factors").means("Sex", weights="rows"), REFERENCE["factors"]["weighted"], by=["Sex"])
    assert "Levels of visit weighted alike" in str(fitted("factors").means("Sex"))


def test_means_at_values_of_a_number_and_at_its_mean() -> None:
    found = fitted("slopes").means("Sex", by="age", at={"age": [8, 14]})
    check(found, REFERENCE["slopes"]["means"], by=["Sex", "age"])
    check(fitted("slopes").means("Sex"), REFERENCE["slopes"]["mean_age"], by=["Sex"])


def test_contrasts_of_means_by_name() -> None:
    pairs = fitted("nested").means("Machine").pairwise()
    check(pairs, REFERENCE["nested"]["pairs"], by=["contrast"])
    check(fitted("blocks").means("sow").pairwise(), REFERENCE["blocks"]["pairs"], by=["contrast"])
    against = fitted("factors").means("visit", by="Sex").against("a8")
    check(against, REFERENCE["factors"]["pairs"], by=["contrast", "Sex"])
    plain = fitted("nested").means("Machine").pairwise(adjust="none")
    assert [row.adjusted_p_value for row in plain.rows] == [row.p_value for row in plain.rows]
    assert [row.adjusted_p_value for row in pairs.rows] != [row.p_value for row in pairs.rows]


@pytest.mark.parametrize("name", ["nested", "factors", "slopes", "blocks"])
def test_terms_by_type_three(name: str) -> None:
    expected = REFERENCE[name]["type3"]
    ours = to_frame(fitted(name).test_terms()).set_index("term").loc[expected["term"]]
    np.testing.assert_allclose(ours["statistic"], expected["F"], rtol=1e-4)
    np.testing.assert_allclose(ours["numerator_degrees_of_freedom"], expected["df1"])
    np.testing.assert_allclose(ours["denominator_degrees_of_freedom"], expected["df2"], **DEGREES)
    np.testing.assert_allclose(ours["p_value"], expected["p"], rtol=2e-3)


def test_a_main_effect_is_not_the_coefficient_at_the_reference() -> None:
    """With a product in the model, the coefficient of sex is its effect at the first visit only."""
    fit = fitted("factors")
    term = to_frame(fit.test_terms()).set_index("term").loc["Sex", "statistic"]
    assert abs(term - fit.contrast({"Sex[Male]": 1}).statistic ** 2) > 1.0


def test_random_effects_that_are_not_correlated_and_nested_ones() -> None:
    expected = {row["grp"]: row["vcov"] for row in REFERENCE["slopes"]["spread"]}
    slopes = fitted("slopes").fit.covariance_parameters
    found = [float(effect.matrix[0, 0]) for effect in slopes.random_effects]
    np.testing.assert_allclose(found, [expected["Subject"], expected["Subject.1"]], rtol=1e-3)
    np.testing.assert_allclose(slopes.residual.variance, expected["Residual"], rtol=1e-4)
    expected = {row["grp"]: row["vcov"] for row in REFERENCE["nested"]["spread"]}
    nested = fitted("nested").fit.covariance_parameters
    np.testing.assert_allclose(nested["Worker"][0, 0], expected["Worker"], rtol=1e-4)
    np.testing.assert_allclose(nested["Worker / Machine"][0, 0], expected["Machine:Worker"], rtol=1e-4)


@pytest.mark.parametrize("name", ["nested", "slopes", "tied"])
def test_shares_of_variance(name: str) -> None:
    summary, expected = fitted(name).summary(intervals=False), REFERENCE[name]["r2"]
    assert summary.marginal_r_squared == pytest.approx(expected["marginal"][0], rel=2e-4)
    assert summary.conditional_r_squared == pytest.approx(expected["conditional"][0], rel=2e-4)


def test_predictions_for_typical_and_for_own_groups() -> None:
    new = growth().iloc[[0, 39, 99]]
    fit, expected = fitted("slopes"), REFERENCE["slopes"]
    typical, own = fit.predict(new), fit.predict(new, conditional=True)
    assert typical.index.tolist() == own.index.tolist() == [0, 39, 99]
    np.testing.assert_allclose(typical["predicted"], expected["marginal"], rtol=1e-5)
    np.testing.assert_allclose(own["predicted"], expected["conditional"], rtol=1e-4)
    everybody = fit.predict()
    np.testing.assert_allclose(everybody["predicted"], fit.fitted_values(conditional=False), rtol=1e-9)
    assert everybody.index.equals(fit.index)
