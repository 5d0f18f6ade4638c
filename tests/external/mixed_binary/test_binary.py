"""Binary mixed models against R's lme4, glmmTMB, brglm2 and printed values; see PROVENANCE.toml.

Checks B01, B02 and B04 of the published values; mismatches Z24 (constants), Z25 (observed weights) and Z26
(joint information). B03 is penalised quasi-likelihood, another estimator: only the distance is shown.
"""

from __future__ import annotations

import csv
import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from studykit.mixed import BinaryFit, RandomEffect, fit_binary_mixed

HERE = Path(__file__).parent
REFERENCE: dict[str, Any] = json.loads((HERE / "reference.json").read_text())

SAME_LIKELIHOOD = 1e-5  # absolute; wanted of the engine, and lme4's inner iterations leave some 1e-7
# Of the larger of estimate and standard error: an estimate near zero has no relative digits of its own.
SAME_FIXED = 1e-5
# lme4's deviance is differentiated twice numerically, with inner iterations that stop at some 1e-9.
SAME_ERROR = 1e-4
SAME_DEVIATION = 1e-5


@cache
def columns(name: str) -> dict[str, np.ndarray]:
    with (HERE / "data" / f"{name}.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([row[key] for row in rows]) for key in rows[0]}


def design(*others: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones(len(others[0])), *others]).astype(float)


def herds(link: str, points: int) -> BinaryFit:
    d = columns("herds")
    X = design(*(d["period"] == period for period in "234"))
    return fit_binary_mixed(
        d["incidence"].astype(float),
        X,
        RandomEffect("herd", d["herd"]),
        trials=d["size"].astype(float),
        link=link,
        quadrature_points=points,
    )


def bacteria(link: str, points: int) -> BinaryFit:
    d = columns("bacteria")
    X = design(d["trt"] == "drug", d["trt"] == "drug+", d["week"].astype(float) > 2)
    return fit_binary_mixed(
        d["y"].astype(float), X, RandomEffect("id", d["id"]), link=link, quadrature_points=points
    )


def status(link: str = "logit", *, slope: bool = False, trainer: bool = True, points: int = 1) -> BinaryFit:
    d = columns("status")
    month = d["month"].astype(float)
    line = design(month - 3.5) if slope else None
    effects = [RandomEffect("client", d["client"], line)]
    if trainer:
        effects.append(RandomEffect("trainer", d["trainer"]))
    X = design(d["arm"].astype(float), month)
    return fit_binary_mixed(d["active"].astype(float), X, effects, link=link, quadrature_points=points)


def flat(points: int) -> BinaryFit:
    d = columns("flat")
    X = design(d["arm"].astype(float), d["age"].astype(float))
    return fit_binary_mixed(
        d["retained"].astype(float), X, RandomEffect("trainer", d["trainer"]), quadrature_points=points
    )


CASES = {
    "herds_1": lambda: herds("logit", 1),
    "herds_9": lambda: herds("logit", 9),
    "herds_25": lambda: herds("logit", 25),
    "herds_cloglog_1": lambda: herds("cloglog", 1),
    "herds_cloglog_25": lambda: herds("cloglog", 25),
    "bacteria_1": lambda: bacteria("logit", 1),
    "bacteria_25": lambda: bacteria("logit", 25),
    "bacteria_cloglog_1": lambda: bacteria("cloglog", 1),
    "bacteria_cloglog_25": lambda: bacteria("cloglog", 25),
    "status_1": status,
    "status_slope_1": lambda: status(slope=True),
    "status_cloglog_1": lambda: status("cloglog"),
    "status_client_15": lambda: status(trainer=False, points=15),
    "flat_1": lambda: flat(1),
    "flat_11": lambda: flat(11),
}


@pytest.mark.parametrize("name", CASES)
def test_same_optimum_as_r(name: str) -> None:
    fit, reference = CASES[name](), REFERENCE[name]
    fixed, errors = np.array(reference["fixed"]), np.array(reference["standard_errors"])
    assert fit.converged
    assert fit.log_likelihood == pytest.approx(reference["log_likelihood"], abs=SAME_LIKELIHOOD)
    assert (np.abs(fit.values - fixed) <= SAME_FIXED * np.maximum(np.abs(fixed), errors)).all()
    ours = [coefficient.standard_error for coefficient in fit.coefficients]
    np.testing.assert_allclose(ours, errors, rtol=SAME_ERROR)


@pytest.mark.parametrize("name", CASES)
def test_same_deviations_as_r(name: str) -> None:
    fit, reference = CASES[name](), REFERENCE[name]
    if "deviations" in reference:
        deviations = np.atleast_1d(reference["deviations"])
    else:
        theta = np.atleast_1d(reference["theta"])
        deviations = (
            np.array([theta[0], np.hypot(theta[1], theta[2]), theta[3]]) if len(theta) == 4 else theta
        )
    ours = np.concatenate([effect.standard_deviations for effect in fit.random_effects])
    np.testing.assert_allclose(ours, deviations, rtol=SAME_DEVIATION, atol=1e-9)


def test_correlated_columns_as_r() -> None:
    """lme4's theta (1.02938, -0.03226, 0.37901) is the lower triangle of the clients' factor."""
    theta = REFERENCE["status_slope_1"]["theta"]
    L = np.array([[theta[0], 0.0], [theta[1], theta[2]]])
    np.testing.assert_allclose(status(slope=True).covariance("client"), L @ L.T, atol=2e-5)


@pytest.mark.parametrize("name", ["herds_25", "herds_cloglog_25", "bacteria_25"])
def test_likelihood_by_brute_force(name: str) -> None:
    """R's integrate() at lme4's parameters; at an optimum ours is the same number (Z24: with constants)."""
    assert CASES[name]().log_likelihood == pytest.approx(REFERENCE[name]["integrated"], abs=1e-7)


def test_herds_printed() -> None:
    """B01 and B02. The printed Laplace fit stopped at lme4's defaults: three digits are certain."""
    laplace = herds("logit", 1)
    np.testing.assert_allclose(laplace.values, [-1.3983, -0.9919, -1.1282, -1.5797], atol=7e-4)
    assert laplace.covariance("herd")[0, 0] == pytest.approx(0.4123, abs=5e-4)
    assert laplace.log_likelihood == pytest.approx(-92.0, abs=0.05)
    assert 2 * laplace.parameters - 2 * laplace.log_likelihood == pytest.approx(194.1, abs=0.05)
    quadrature = herds("logit", 25)
    np.testing.assert_allclose(quadrature.values, [-1.39922, -0.99141, -1.12781, -1.57948], atol=2e-5)
    assert np.sqrt(quadrature.covariance("herd")[0, 0]) == pytest.approx(0.64752, abs=2e-5)


def test_bacteria_printed() -> None:
    """B04: Laplace and 25 points."""
    laplace, quadrature = bacteria("logit", 1), bacteria("logit", 25)
    np.testing.assert_allclose(laplace.values, [3.5479, -1.3667, -0.7826, -1.5985], atol=3e-4)
    np.testing.assert_allclose(quadrature.values, [3.5790, -1.3689, -0.7891, -1.6269], atol=6e-5)
    ours = [coefficient.standard_error for coefficient in quadrature.coefficients]
    np.testing.assert_allclose(ours, [0.7010, 0.6936, 0.6998, 0.4815], atol=6e-5)
    assert quadrature.log_likelihood == pytest.approx(-95.8971, abs=6e-5)
    assert np.sqrt(quadrature.covariance("id")[0, 0]) == pytest.approx(1.3043, abs=6e-5)


def test_quasi_likelihood_is_another_estimator() -> None:
    """B03: MASS's 3.4120 and SD 1.4106 for the bacteria are not the maximum of the likelihood."""
    quadrature = bacteria("logit", 25)
    assert quadrature.values[0] - 3.4120 > 0.1
    assert np.sqrt(quadrature.covariance("id")[0, 0]) < 1.4106 - 0.1


def test_observed_weights_for_cloglog() -> None:
    """Z25: Laplace with expected weights is -91.802, with observed ones -91.758; quadrature -91.745."""
    observed = herds("cloglog", 1).log_likelihood
    expected = REFERENCE["herds_cloglog_expected_1"]["log_likelihood"]
    assert expected == pytest.approx(-91.802, abs=6e-4)
    assert observed == pytest.approx(-91.758, abs=6e-4)
    exact = herds("cloglog", 25).log_likelihood
    assert abs(observed - exact) < abs(expected - exact)


def test_joint_information_is_not_the_conditional_one() -> None:
    """Z26: conditional on the variance the bacteria's intercept would have 0.5999 instead of 0.7010."""
    joint = bacteria("logit", 25).coefficients[0].standard_error
    conditional = REFERENCE["bacteria_25"]["conditional_errors"][0]
    assert joint / conditional == pytest.approx(1.1686, abs=1e-3)


def test_firth_where_the_variance_is_zero() -> None:
    """Nobody left in one arm; brglm2's mean bias reduction (Firth 1993) without random effects."""
    kept = np.array([1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 1, 1, *[1] * 12], dtype=float)
    arm = np.repeat([0.0, 1.0], 12)
    for link, reference in (("logit", "firth"), ("cloglog", "jeffreys_cloglog")):
        fit = fit_binary_mixed(
            kept,
            design(arm),
            RandomEffect("trainer", np.arange(24) % 4),
            link=link,
            names=["intercept", "partner reps"],
        )
        assert fit.penalised
        assert fit.at_boundary
        np.testing.assert_allclose(fit.values, REFERENCE[reference]["fixed"], rtol=1e-6)
        if "standard_errors" in REFERENCE[reference]:
            ours = [coefficient.standard_error for coefficient in fit.coefficients]
            np.testing.assert_allclose(ours, REFERENCE[reference]["standard_errors"], rtol=1e-6)
