"""Dental growth under every residual structure: against nlme, and against the printed tables.

Checks M01-M03, M05-M12, M18, M20-M23, M27; sources in PROVENANCE.toml.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from studykit.mixed import MixedFit, RandomEffect, ResidualStructure, fit_linear_mixed

HERE = Path(__file__).parent
REFERENCE: list[dict[str, Any]] = json.loads((HERE / "reference.json").read_text())
ON_DAYS: list[dict[str, Any]] = json.loads((HERE / "reference_days.json").read_text())


def entry(data: str, mean: str, kind: str = "unstructured", method: str = "ML") -> dict[str, Any]:
    wanted = {"data": data, "mean": mean, "kind": kind, "method": method}
    (found,) = [item for item in REFERENCE if wanted.items() <= item.items()]
    return found


def fit(item: dict[str, Any]) -> MixedFit:
    return fit_linear_mixed(
        item["y"],
        item["X"],
        [],
        residual=ResidualStructure(item["kind"], item["child"], item["visit"]),
        reml=item["method"] == "REML",
    )


def with_random(mean: str, columns: int, *, reml: bool = False, data: str = "complete") -> MixedFit:
    item = entry(data, mean)
    age = 2.0 * np.array(item["visit"]) + 6.0
    design = np.column_stack([np.ones(len(age)), age])[:, :columns]
    return fit_linear_mixed(item["y"], item["X"], RandomEffect("child", item["child"], design), reml=reml)


def names(item: dict[str, Any]) -> str:
    return "-".join([item["data"], item["mean"], item["kind"], item["method"]])


@pytest.mark.parametrize("item", REFERENCE, ids=names)
def test_against_nlme(item: dict[str, Any]) -> None:
    """nlme stops at a relative change of its own optimiser: about five digits of the covariance.

    Its REML log-likelihood is the one without log|X'X|, as ours.
    """
    ours = fit(item)
    assert ours.converged
    assert -2 * ours.log_likelihood == pytest.approx(item["minus_two"], abs=2e-6)
    assert -2 * ours.log_likelihood <= item["minus_two"] + 1e-8  # never worse than the reference
    np.testing.assert_allclose(ours.values, item["beta"], rtol=2e-5, atol=1e-5)
    errors = [coefficient.standard_error for coefficient in ours.coefficients]
    np.testing.assert_allclose(errors, item["standard_errors"], rtol=1e-4)
    residual = ours.covariance_parameters.residual
    if item["kind"] == "autoregressive":
        assert residual.variance == pytest.approx(item["covariance"][0][0], rel=1e-4)
        assert residual.autocorrelation == pytest.approx(
            item["covariance"][0][1] / item["covariance"][0][0], rel=1e-4
        )
    else:
        np.testing.assert_allclose(residual.matrix, item["covariance"], rtol=2e-4, atol=1e-8)


@pytest.mark.parametrize(
    "item", ON_DAYS, ids=lambda item: "-".join([item["data"], item["days"], item["method"]])
)
def test_correlation_by_distance_in_days_against_nlme(item: dict[str, Any]) -> None:
    """Days 0, 42, 84, 126 and days 0, 28, 91, 126 (corCAR1); tolerances as above."""
    residual = ResidualStructure("autoregressive", item["child"], item["day"])
    ours = fit_linear_mixed(item["y"], item["X"], [], residual=residual, reml=item["method"] == "REML")
    assert ours.converged
    assert -2 * ours.log_likelihood == pytest.approx(item["minus_two"], abs=2e-6)
    assert -2 * ours.log_likelihood <= item["minus_two"] + 1e-8
    np.testing.assert_allclose(ours.values, item["beta"], rtol=2e-5, atol=1e-5)
    errors = [coefficient.standard_error for coefficient in ours.coefficients]
    np.testing.assert_allclose(errors, item["standard_errors"], rtol=1e-4)
    found = ours.covariance_parameters.residual
    assert found.distance == {"even": 42.0, "uneven": 28.0}[item["days"]]
    assert found.variance == pytest.approx(item["variance"], rel=1e-4)
    assert found.autocorrelation == pytest.approx(item["correlation_a_day"] ** found.distance, rel=1e-4)


@pytest.mark.parametrize(
    ("data", "mean", "kind", "printed"),
    [
        ("complete", "unstructured", "unstructured", 416.5093),  # M01
        ("complete", "linear", "unstructured", 419.4770),  # M02
        ("complete", "parallel", "unstructured", 426.1527),  # M03
        ("complete", "linear", "autoregressive", 440.6810),  # M05
        ("incomplete", "unstructured", "unstructured", 386.9568),  # M20
        ("incomplete", "linear", "unstructured", 393.2878),  # M21
        ("incomplete", "parallel", "unstructured", 397.4001),  # M22
        ("incomplete", "linear", "autoregressive", 409.5234),  # M23
    ],
)
def test_printed_deviances(data: str, mean: str, kind: str, printed: float) -> None:
    """Verbeke & Molenberghs (2000); Molenberghs & Kenward (2007) for Little & Rubin's deletions."""
    assert -2 * fit(entry(data, mean, kind)).log_likelihood == pytest.approx(printed, abs=6e-5)


def test_random_effects_and_independence() -> None:
    """M06 to M08 and M12: random line, random intercept, independent rows (by least squares)."""
    line = with_random("linear", 2)
    assert -2 * line.log_likelihood == pytest.approx(427.8060, abs=6e-5)
    G = line.covariance_parameters["child"]
    np.testing.assert_allclose([G[0, 0], G[1, 1]], [4.5569, 0.02376], rtol=3e-4)
    assert G[0, 1] / np.sqrt(G[0, 0] * G[1, 1]) == pytest.approx(-0.603, abs=5e-4)
    assert line.covariance_parameters.residual.variance == pytest.approx(1.7162, abs=5e-5)
    assert -2 * with_random("linear", 1).log_likelihood == pytest.approx(428.6391, abs=6e-5)
    item = entry("complete", "linear")
    alone = fit_linear_mixed(item["y"], item["X"], [], reml=False)
    assert -2 * alone.log_likelihood == pytest.approx(478.2418, abs=6e-5)


def test_cell_means_and_covariance() -> None:
    """M09, M10: with complete data the cell means, and their maximum likelihood covariance."""
    item = entry("complete", "unstructured")
    ours = fit(item)
    X = np.array(item["X"])
    cells = np.unique(X, axis=0)
    means = cells @ ours.values
    girls = [21.1818, 22.2273, 23.0909, 24.0909]
    boys = [22.8750, 23.8125, 25.7188, 27.4688]
    np.testing.assert_allclose(np.sort(means), sorted(girls + boys), atol=6e-5)
    printed = [5.0144, 2.5156, 3.8748, 3.6206, 2.7104, 5.9776, 2.5095, 3.0714, 3.8248, 4.6164]
    np.testing.assert_allclose(
        ours.covariance_parameters.residual.matrix[np.tril_indices(4)], printed, atol=1e-4
    )


def test_restricted_covariance() -> None:
    """M11: -2 REML (treatment coding) and covariance."""
    ours = fit(entry("complete", "unstructured", method="REML"))
    assert -2 * ours.log_likelihood == pytest.approx(414.0348, abs=1e-4)
    printed = [5.4155, 2.7168, 4.1848, 3.9102, 2.9272, 6.4557, 2.7102, 3.3172, 4.1307, 4.9857]
    np.testing.assert_allclose(
        ours.covariance_parameters.residual.matrix[np.tril_indices(4)], printed, atol=6e-5
    )


def test_means_at_the_incomplete_visit() -> None:
    """M27: direct likelihood moves the means at age 10 (to 21.58 and 23.17), the other ages stay."""
    item = entry("incomplete", "unstructured")
    ours = fit(item)
    rows = {
        (sex, visit): np.array(
            [1, sex, *[visit == k for k in (2, 3, 4)], *[sex * (visit == k) for k in (2, 3, 4)]], float
        )
        for sex in (0, 1)
        for visit in (1, 2, 3, 4)
    }
    assert round(float(rows[0, 2] @ ours.values), 4) == pytest.approx(21.5807, abs=1e-4)
    assert round(float(rows[1, 2] @ ours.values), 4) == pytest.approx(23.1707, abs=1e-4)
    assert float(rows[0, 1] @ ours.values) == pytest.approx(21.1818, abs=6e-5)
    assert float(rows[1, 4] @ ours.values) == pytest.approx(27.4688, abs=6e-5)


def test_variances_by_sex() -> None:
    """M18: residual variance by sex on the random line; ratio of standard deviations 2.4459, LR 21.0592.

    The ratio was printed in a book's script; 23.8 printed there mixes two codings (see Z06).
    """
    item = entry("complete", "linear")
    age = 2.0 * np.array(item["visit"]) - 5.0
    sex = np.array([child[0] for child in item["child"]])
    X = np.array(item["X"])
    X = np.column_stack([X[:, 0], X[:, 1], age, X[:, 1] * age])
    child = RandomEffect("child", item["child"], np.column_stack([np.ones(108), age]))
    same = fit_linear_mixed(item["y"], X, child)
    apart = fit_linear_mixed(item["y"], X, child, residual=ResidualStructure("by visit", None, sex))
    assert 2 * (apart.log_likelihood - same.log_likelihood) == pytest.approx(21.0592, abs=1e-4)
    variances = np.diag(apart.covariance_parameters.residual.matrix)
    assert np.sqrt(variances[1] / variances[0]) == pytest.approx(2.4459, abs=1e-4)


def test_complete_data_have_classical_degrees_of_freedom() -> None:
    """With an unstructured covariance and complete data, any contrast over time has children minus sexes.

    Exact: the sex by time contrast is then a two-sample t-test on each child's own contrast.
    """
    item = entry("complete", "unstructured", method="REML")
    ours = fit(item)
    for weights in ([0, 1, 0, 0, 0, 0, 0, 0], [0, 0, 0, 0, 0, 0, 0, 1], [0, 1, 0, 0, 0, 0, 0.5, 0.5]):
        for method in ("kenward-roger", "satterthwaite"):
            estimate = ours.contrast(weights, degrees_of_freedom=method)
            assert estimate.degrees_of_freedom == pytest.approx(25.0, rel=1e-7)
            assert estimate.standard_error == pytest.approx(
                ours.contrast(weights, degrees_of_freedom="residual").standard_error, rel=1e-9
            )
