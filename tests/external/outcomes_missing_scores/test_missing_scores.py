"""An antidepressant trial with drop-out: conditional mean imputation against published values.

References: R 4.2 with nlme and rbmi 1.5.2; Carpenter, Roger & Kenward 2013, Wolbers et al. 2022.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from studykit.mixed import ResidualStructure, fit_linear_mixed
from studykit.mixed.completion import Completion, Grid, complete, jackknife_errors
from studykit.mixed.result import MixedFit

Array = NDArray[np.float64]
PRINTED = 5e-6
VISITS = 4


def read() -> tuple[Array, NDArray[np.int64], Array]:
    """Change by client and visit (nan where missing), arm (1 drug), score before."""
    file = Path(__file__).with_name("antidepressant.csv")
    with file.open(encoding="utf-8") as lines:
        table = list(csv.DictReader(lines))
    people = sorted({row["PATIENT"] for row in table})
    change = np.full((len(people), VISITS), np.nan)
    arm, before = np.zeros(len(people), dtype=np.int64), np.zeros(len(people))
    for row in table:
        place = people.index(row["PATIENT"])
        change[place, int(row["VISIT"]) - 4] = float(row["CHANGE"])
        arm[place] = row["THERAPY"] == "DRUG"
        before[place] = float(row["BASVAL"])
    return change, arm, before


CHANGE, ARM, BEFORE = read()
PEOPLE = len(ARM)
VISIT = np.tile(np.arange(VISITS), PEOPLE)
CLIENT = np.repeat(np.arange(PEOPLE), VISITS)


def design(arm: Array) -> Array:
    """Visit by arm and visit by score before; ``arm`` (people, visits)."""
    at = (VISIT[:, None] == np.arange(VISITS)).astype(float)
    return np.column_stack([at, at * arm.reshape(-1, 1), at * BEFORE[CLIENT][:, None]])


OWN = np.broadcast_to(ARM[:, None], (PEOPLE, VISITS)).astype(float)
GRID = Grid(
    CHANGE.ravel(), np.isfinite(CHANGE).ravel(), design(OWN), (),
    ResidualStructure("unstructured", CLIENT, VISIT), CLIENT,
)  # fmt: skip
LAST = np.array([np.flatnonzero(np.isfinite(own)).max(initial=-1) for own in CHANGE])
AFTER = np.arange(VISITS) > LAST[:, None]
WEIGHTS = np.eye(3 * VISITS)[2 * VISITS - 1]


def copy_increments() -> Array:
    """The reference arm's mean moved by the arms' distance at the last visit seen."""
    X = design(np.where(AFTER, 0.0, OWN))
    late = AFTER.ravel() & (ARM[CLIENT] == 1) & (LAST[CLIENT] >= 0)
    X[late, VISITS + LAST[CLIENT[late]]] += 1.0
    return X


MEANS = (GRID.fixed_effects, design(np.zeros_like(OWN)), design(np.where(AFTER, 0.0, OWN)), copy_increments())


@pytest.fixture(scope="module")
def fit() -> MixedFit:
    seen = GRID.observed
    residual = ResidualStructure("unstructured", CLIENT[seen], VISIT[seen])
    return fit_linear_mixed(GRID.outcome[seen], GRID.fixed_effects[seen], (), residual=residual)


@pytest.fixture(scope="module")
def completion(fit: MixedFit) -> Completion:
    return complete(GRID, fit.values, fit.covariance_parameters, means=MEANS, weights=WEIGHTS)


def test_the_model_of_all_visits(fit: MixedFit) -> None:
    """Y01, Y02: covariance, and the contrasts with both kinds of degrees of freedom."""
    assert np.isfinite(CHANGE).sum() == 608
    printed = [
        [19.6845], [16.5157, 34.2105], [15.3879, 25.4250, 38.4363], [16.3599, 26.1843, 33.8949, 45.2587],
    ]  # fmt: skip
    matrix = fit.covariance_parameters.residual.matrix
    for row, expected in enumerate(printed):
        assert matrix[row, : row + 1] == pytest.approx(expected, abs=2e-3)  # where nlme stops
    expected = {1: (-1.4032, 0.9244, 163.95, 164.87), 2: (-2.2247, 1.0008, 159.79, 162.28)}
    expected[3] = (-2.8018, 1.1163, 154.20, 150.10)
    for visit, (value, error, kenward_roger, satterthwaite) in expected.items():
        weights = np.eye(3 * VISITS)[VISITS + visit]
        found = fit.contrast(weights)
        assert (found.value, found.standard_error) == pytest.approx((value, error), abs=6e-5)
        assert found.degrees_of_freedom == pytest.approx(kenward_roger, abs=6e-3)
        plain = fit.contrast(weights, degrees_of_freedom="satterthwaite")
        assert plain.degrees_of_freedom == pytest.approx(satterthwaite, abs=6e-3)
    assert fit.contrast(WEIGHTS).p_value == pytest.approx(0.0131, abs=6e-5)


def test_reference_based_means(fit: MixedFit, completion: Completion) -> None:
    """Y03: missing at random, copy reference, jump to reference, copy increments in reference."""
    assert completion.values == pytest.approx([-2.80183, -2.37075, -2.12558, -2.44918], abs=3 * PRINTED)
    assert completion.values[0] == pytest.approx(fit.contrast(WEIGHTS).value, rel=1e-9)


def test_delta_moves_the_contrast_by_its_row_weights(completion: Completion) -> None:
    """Y07: points a unit of delta on those of the drug arm who have left, and where zero is reached."""
    late = (ARM[CLIENT] == 1) & (VISIT == VISITS - 1) & ~GRID.observed
    slope = float(completion.row_weights[late].sum())
    assert slope == pytest.approx(0.241361, abs=5e-7)
    assert -completion.values[2] / slope == pytest.approx(8.807, abs=6e-4)
    assert -completion.values[0] / slope == pytest.approx(11.608, abs=6e-4)


def test_jackknife_of_jump_to_reference_is_smaller_than_of_missing_at_random() -> None:
    """Wolbers et al. 2022: frequentist errors shrink with the share imputed; under MAR near the model's."""
    errors, left_out = jackknife_errors(GRID, CLIENT, means=MEANS, weights=WEIGHTS)
    assert left_out == PEOPLE
    assert errors[0] == pytest.approx(1.1163, rel=0.05)
    assert errors[2] < errors[1] < errors[0]
    assert errors[2] / errors[0] == pytest.approx(2.12558 / 2.80183, abs=0.08)
