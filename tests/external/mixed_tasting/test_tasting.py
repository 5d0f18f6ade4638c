"""Assessors, consumers and products: crossed and nested at once, several terms of fixed effects.

Checks M49 to M51 of the published values; sources in PROVENANCE.toml.
"""

from __future__ import annotations

import csv
import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from studykit.mixed import MixedFit, RandomEffect, fit_linear_mixed

HERE = Path(__file__).parent
REFERENCE: dict[str, Any] = json.loads((HERE / "reference.json").read_text())


def columns(name: str) -> dict[str, np.ndarray]:
    with (HERE / "data" / f"{name}.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([row[key] for row in rows]) for key in rows[0]}


def sums_to_zero(labels: np.ndarray) -> np.ndarray:
    """Columns (n, levels - 1) whose coefficients are distances from the mean of all levels."""
    levels = np.unique(labels)
    coded = (labels[:, None] == levels[:-1]).astype(float)
    coded[labels == levels[-1]] = -1.0
    return coded


def times(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    return (left[:, :, None] * right[:, None, :]).reshape(len(left), -1)


def both(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    return np.char.add(np.char.add(left, "/"), right)


@cache
def television() -> MixedFit:
    d = columns("television")
    tv, picture = sums_to_zero(d["TVset"]), sums_to_zero(d["Picture"])
    X = np.column_stack([np.ones(len(tv)), tv, picture, times(tv, picture)])
    effects = [
        RandomEffect("assessor", d["Assessor"]),
        RandomEffect("assessor by set", both(d["Assessor"], d["TVset"])),
        RandomEffect("assessor by picture", both(d["Assessor"], d["Picture"])),
    ]
    return fit_linear_mixed(d["Sharpnessofmovement"].astype(float), X, effects)


def test_television_sets() -> None:
    """M49: F(2, 14) = .2437, F(3, 21) = 4.7735, F(6, 138) = 4.1777 by both methods; p as printed."""
    fit = television()
    places = ([1, 2], [3, 4, 5], list(range(6, 12)))
    printed = ((0.2437, 14, 0.7870), (4.7735, 21, 0.01088), (4.1777, 138, 0.000685))
    for method in ("kenward-roger", "satterthwaite"):
        expected = REFERENCE["television"][method.replace("-", "_")]
        for number, (own, (F, degrees, p_value)) in enumerate(zip(places, printed, strict=True)):
            test = fit.joint_test(np.eye(12)[own], degrees_of_freedom=method)
            assert test.statistic == pytest.approx(expected["F"][number], rel=1e-6)
            assert test.statistic == pytest.approx(F, abs=6e-5)
            assert test.denominator_degrees_of_freedom == pytest.approx(degrees, rel=1e-6)
            assert test.p_value == pytest.approx(p_value, rel=1e-3)


def test_carrots() -> None:
    """M50: crossed consumers and products, two slopes between consumers, one correlation at its limit.

    The printed fit had stopped a little short of that limit: its last digits are allowed two units, its
    degrees of freedom 0.2 %. Where R holds the singular fit, estimates agree to 1e-6.
    """
    d = columns("carrots")
    known = d["Preference"] != "NA"
    assert (len(known), known.sum()) == (1236, 1233)
    d = {name: column[known] for name, column in d.items()}
    slopes = np.column_stack([d["sens1"].astype(float), d["sens2"].astype(float)])
    fit = fit_linear_mixed(
        d["Preference"].astype(float),
        np.column_stack([np.ones(len(slopes)), slopes]),
        [
            RandomEffect("consumer", d["Consumer"]),
            RandomEffect("consumer's slopes", d["Consumer"], slopes),
            RandomEffect("product", d["Product"]),
        ],
    )
    expected = REFERENCE["carrots"]
    assert fit.log_likelihood == pytest.approx(expected["log_likelihood"], abs=1e-6)
    np.testing.assert_allclose(fit.values, expected["beta"], rtol=1e-6)
    errors = [coefficient.standard_error for coefficient in fit.coefficients]
    np.testing.assert_allclose(errors, expected["standard_errors"], rtol=1e-5)
    assert errors[0] == pytest.approx(0.0753, abs=6e-5)
    np.testing.assert_allclose(errors[1:], [0.01503, 0.01728], atol=2e-5, rtol=0)
    degrees = [fit.contrast(row, degrees_of_freedom="satterthwaite").degrees_of_freedom for row in np.eye(3)]
    np.testing.assert_allclose(degrees, [20.72, 9.17, 10.94], rtol=2e-3)
    sens2 = fit.contrast([0, 0, 1], degrees_of_freedom="satterthwaite")
    assert sens2.p_value == pytest.approx(0.00181, abs=2e-5)


def test_ham() -> None:
    """M51: means by product over information and gender, with t and interval as a commercial package."""
    d = columns("ham")
    parts = [sums_to_zero(d[name]) for name in ("Product", "Information", "Gender")]
    product, information, gender = parts
    X = np.column_stack(
        [
            np.ones(len(product)), *parts, times(product, information), times(product, gender),
            times(information, gender), times(times(product, information), gender),
        ]
    )  # fmt: skip
    effects = [
        RandomEffect("product by consumer", both(d["Product"], d["Consumer"])),
        RandomEffect("consumer", d["Consumer"]),
    ]
    fit = fit_linear_mixed(d["Informed.liking"].astype(float), X, effects)
    printed = ((5.8084, 24.93), (5.1012, 21.89), (6.0909, 26.14), (5.9256, 25.43))
    expected = REFERENCE["ham"]
    for number, (mean, t) in enumerate(printed):
        weights = np.zeros(X.shape[1])
        weights[0] = 1.0
        weights[1:4] = np.eye(4)[number, :3] if number < 3 else -1.0
        found = fit.contrast(weights, degrees_of_freedom="satterthwaite")
        assert found.value == pytest.approx(mean, abs=6e-5)
        assert found.value == pytest.approx(expected["means"][number], rel=1e-8)
        assert found.statistic == pytest.approx(t, abs=6e-3)
        assert found.standard_error == pytest.approx(expected["standard_errors"][number], rel=1e-6)
        assert found.degrees_of_freedom == pytest.approx(expected["degrees"][number], rel=1e-5)
        interval = found.confidence_interval()
        assert interval.lower == pytest.approx(expected["lower"][number], rel=1e-6)
        assert interval.upper == pytest.approx(expected["upper"][number], rel=1e-6)
    assert round(float(expected["lower"][0]), 4) == 5.3499
