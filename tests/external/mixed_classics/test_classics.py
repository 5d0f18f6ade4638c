"""Classic data sets against R, and against printed tables; see PROVENANCE.toml.

Checks M13-M15, M30, M32, M34-M37, M40-M43, M46, M47, M52 of the published values.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from studykit.mixed import MixedFit, RandomEffect, fit_linear_mixed, likelihood_ratio

HERE = Path(__file__).parent
REFERENCE: dict[str, Any] = json.loads((HERE / "reference.json").read_text())
OUTCOME = {
    "sleepstudy": "Reaction", "orthodont": "distance", "rail": "travel", "ergostool": "effort",
    "machines": "score", "machines_unbalanced": "score", "shoes": "wear", "beets": "sugpct",
    "penicillin": "diameter",
    "pastes": "strength", "tiny": "y", "crossed": "load", "zero_trainer": "load", "slopes": "load",
}  # fmt: skip

# R's fits were polished by numerical derivatives: about nine digits of the objective's slope remain, so
# seven of variances, eight of standard errors. lmerTest's degrees of freedom use numerical Hessians.
SAME_COEFFICIENT = 1e-6
SAME_VARIANCE = 1e-6
SAME_LOG_LIKELIHOOD = 1e-6
SAME_DEGREES = 1e-5


def columns(name: str) -> dict[str, np.ndarray]:
    with (HERE / "data" / f"{name}.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([row[key] for row in rows]) for key in rows[0]}


def slope(data: dict[str, np.ndarray], column: str, shift: float = 0.0) -> np.ndarray:
    values = data[column].astype(float) - shift
    return np.column_stack([np.ones(len(values)), values])


def random_effects(key: str, d: dict[str, np.ndarray]) -> list[RandomEffect]:
    both = np.char.add
    match key:
        case "sleep_slope":
            return [RandomEffect("Subject", d["Subject"], slope(d, "Days"))]
        case "sleep_uncorrelated":
            return [
                RandomEffect("Subject", d["Subject"]),
                RandomEffect("Subject.1", d["Subject"], d["Days"].astype(float)),
            ]
        case "sleep_intercept" | "orthodont_intercept" | "ergostool":
            return [RandomEffect("Subject", d["Subject"])]
        case "orthodont_slope":
            return [RandomEffect("Subject", d["Subject"], slope(d, "age", 11.0))]
        case "rail":
            return [RandomEffect("Rail", d["Rail"])]
        case "machines_worker":
            return [RandomEffect("Worker", d["Worker"])]
        case "machines_nested" | "machines_unbalanced":
            cells = both(d["Worker"], d["Machine"])
            return [RandomEffect("Worker:Machine", cells), RandomEffect("Worker", d["Worker"])]
        case "machines_general":
            machine = np.array([d["Machine"] == letter for letter in "ABC"], float).T
            return [RandomEffect("Worker", d["Worker"], machine)]
        case "shoes":
            return [RandomEffect("boy", d["boy"])]
        case "beets":
            return [RandomEffect("block:harvest", both(d["block"], d["harvest"]))]
        case "penicillin":
            return [RandomEffect("plate", d["plate"]), RandomEffect("sample", d["sample"])]
        case "pastes":
            return [
                RandomEffect("batch:cask", both(d["batch"], d["cask"])),
                RandomEffect("batch", d["batch"]),
            ]
        case "tiny":
            return [RandomEffect("f", d["f"])]
        case "slopes":
            return [
                RandomEffect("client", d["client"], slope(d, "visit")),
                RandomEffect("trainer", d["trainer"]),
            ]
    return [RandomEffect("client", d["client"]), RandomEffect("trainer", d["trainer"])]


def fit(key: str, *, reml: bool = True) -> MixedFit:
    entry = REFERENCE[key]
    data = columns(entry["data"])
    return fit_linear_mixed(
        data[OUTCOME[entry["data"]]].astype(float),
        np.array(entry["X"]),
        random_effects(key, data),
        names=entry["columns"] if isinstance(entry["columns"], list) else [entry["columns"]],
        reml=reml,
    )


def as_list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


def close(ours: Any, theirs: Any, relative: float, *, near_zero: float = 0.0) -> None:
    """Relative to each value; where that is near zero, to the largest of them or ``near_zero``."""
    theirs = np.asarray(theirs, float)
    scale = max(np.abs(theirs).max(initial=0.0), 10.0 * near_zero)
    np.testing.assert_allclose(ours, theirs, rtol=relative, atol=relative * scale * 1e-2)


@pytest.mark.parametrize("key", sorted(REFERENCE))
def test_restricted_fit(key: str) -> None:
    entry, ours = REFERENCE[key], fit(key)
    assert ours.converged
    assert ours.rows == entry["rows"]
    close(ours.values, as_list(entry["beta"]), SAME_COEFFICIENT)
    errors = [coefficient.standard_error for coefficient in ours.coefficients]
    close(errors, as_list(entry["standard_errors"]), SAME_COEFFICIENT)
    assert ours.log_likelihood == pytest.approx(entry["log_likelihood"], abs=SAME_LOG_LIKELIHOOD, rel=0)
    assert ours.covariance_parameters.residual.variance == pytest.approx(entry["sigma2"], rel=SAME_VARIANCE)
    for effect, (name, matrix) in zip(
        ours.covariance_parameters.random_effects, entry["covariance"].items(), strict=True
    ):
        assert effect.name == name or name.startswith("Subject")
        close(effect.matrix, np.array(matrix), SAME_VARIANCE, near_zero=entry["sigma2"])


@pytest.mark.parametrize("key", sorted(REFERENCE))
def test_maximum_likelihood_fit(key: str) -> None:
    entry, ours = REFERENCE[key]["ml"], fit(key, reml=False)
    assert ours.log_likelihood == pytest.approx(entry["log_likelihood"], abs=SAME_LOG_LIKELIHOOD, rel=0)
    close(ours.values, as_list(entry["beta"]), SAME_COEFFICIENT)
    errors = [coefficient.standard_error for coefficient in ours.coefficients]
    close(errors, as_list(entry["standard_errors"]), SAME_COEFFICIENT)
    for effect, matrix in zip(
        ours.covariance_parameters.random_effects, entry["covariance"].values(), strict=True
    ):
        close(effect.matrix, np.array(matrix), SAME_VARIANCE, near_zero=entry["sigma2"])


@pytest.mark.parametrize("key", sorted(REFERENCE))
def test_degrees_of_freedom(key: str) -> None:
    entry, ours = REFERENCE[key], fit(key)
    rows = np.eye(len(ours.coefficients))
    kenward_roger = [ours.contrast(row) for row in rows]
    close(
        [estimate.standard_error for estimate in kenward_roger],
        as_list(entry["adjusted_standard_errors"]),
        SAME_COEFFICIENT,
    )
    close(
        [estimate.degrees_of_freedom for estimate in kenward_roger],
        as_list(entry["kenward_roger"]),
        SAME_DEGREES,
    )
    satterthwaite = [
        ours.contrast(row, degrees_of_freedom="satterthwaite").degrees_of_freedom for row in rows
    ]
    close(satterthwaite, as_list(entry["satterthwaite"]), SAME_DEGREES)


@pytest.mark.parametrize("key", [key for key in sorted(REFERENCE) if REFERENCE[key]["joint"]])
def test_joint_tests(key: str) -> None:
    ours = fit(key)
    for entry in REFERENCE[key]["joint"]:
        L = np.eye(len(ours.coefficients))[entry["columns"]]
        for method in ("kenward-roger", "satterthwaite"):
            test = ours.joint_test(L, degrees_of_freedom=method)
            expected = entry[method.replace("-", "_")]
            assert test.statistic == pytest.approx(expected["F"], rel=1e-5)
            assert test.denominator_degrees_of_freedom == pytest.approx(expected["df"], rel=SAME_DEGREES)
            assert test.numerator_degrees_of_freedom == len(L)


@pytest.mark.parametrize("key", sorted(REFERENCE))
def test_fitted_values_and_predictions(key: str) -> None:
    entry, ours = REFERENCE[key], fit(key)
    close(ours.fitted_values(conditional=True), entry["fitted"], 1e-6)
    y = ours.fitted_values(conditional=True) + ours.residuals(conditional=True)
    np.testing.assert_allclose(y, ours.fitted_values(conditional=False) + ours.residuals(conditional=False))


def test_zero_variance_is_kept_named_and_goes_on() -> None:
    """M52: F values printed by a commercial package; a is compared at the mean of b and the reverse."""
    ours = fit("tiny")
    assert ours.boundary_terms == ("The estimated variance of f is zero.",)
    assert ours.covariance_parameters["f"][0, 0] == 0.0
    interaction = ours.joint_test([{"a2:b2": 1.0}])
    assert interaction.statistic == pytest.approx(0.99565, abs=5e-5)


def test_printed_values() -> None:
    """Values read in print or in documentation, to the digits printed."""
    sleep = fit("sleep_slope")  # M30, M34, M35
    assert -2 * sleep.log_likelihood == pytest.approx(1743.628, abs=5e-4)
    days = sleep.contrast({"Days": 1})
    assert (round(days.value, 3), round(days.standard_error, 3)) == (10.467, 1.546)
    assert round(days.statistic, 4) == 6.7715
    assert days.degrees_of_freedom == pytest.approx(17.0, abs=1e-6)
    assert days.p_value == pytest.approx(3.264e-6, rel=5e-4)
    first = sleep.random_effect_predictions("Subject")
    assert first.levels[0] == "308"
    np.testing.assert_allclose(first.values[0], [2.2586, 9.1990], atol=2e-4)
    machines = fit("machines_nested")  # M41, M43
    test = machines.joint_test([{"MachineB": 1}, {"MachineC": 1}])
    assert round(test.statistic, 3) == 20.576
    assert test.denominator_degrees_of_freedom == pytest.approx(10.0, abs=1e-6)
    assert test.p_value == pytest.approx(2.855e-4, rel=1e-3)
    difference = 2 * (machines.log_likelihood - fit("machines_worker").log_likelihood)
    assert round(difference, 4) == 71.1906  # M42
    shoes = fit("shoes").contrast({"materialB": 1})  # M47: the paired t-test
    assert (round(shoes.standard_error, 6), round(shoes.p_value, 6)) == (0.122429, 0.008539)
    beets = fit("beets")  # M46
    harvest = beets.joint_test([{"harvestharv2": 1}])
    assert harvest.statistic == pytest.approx(15.2105, abs=5e-5)
    assert harvest.denominator_degrees_of_freedom == pytest.approx(2.0, abs=1e-6)
    assert harvest.p_value == pytest.approx(0.05990, abs=5e-6)


def test_printed_likelihood_ratios() -> None:
    """M32 (by ML) and M42: statistic and p-value as printed."""
    correlated = likelihood_ratio(fit("sleep_uncorrelated", reml=False), fit("sleep_slope", reml=False))
    assert (round(correlated.statistic, 4), round(correlated.p_value, 4)) == (0.0639, 0.8004)
    nested = likelihood_ratio(fit("machines_worker"), fit("machines_nested"))
    assert (round(nested.statistic, 4), nested.degrees_of_freedom) == (71.1906, 1)
