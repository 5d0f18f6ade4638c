"""What must not change a binary mixed model: order, labels, coding, units, counting rows together."""

from __future__ import annotations

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from studykit.mixed import BinaryFit, RandomEffect, fit_binary_mixed

N, LEVELS = 96, 8
TRAINER = np.arange(N) % LEVELS
ARM = (np.arange(N) // LEVELS % 2).astype(float)
NAMES = ["intercept", "arm", "age"]
# Both ends of a comparison are optima found to about 1e-8 of a standard error; curvatures are differences.
VALUES = {"rtol": 1e-6, "atol": 1e-7}


def data(seed: int) -> tuple[np.ndarray, np.ndarray]:
    generator = np.random.default_rng(seed)
    age = generator.normal(size=N)
    eta = 0.4 + 0.5 * ARM + 0.4 * age + generator.normal(size=LEVELS)[TRAINER]
    return (generator.random(N) < 1 / (1 + np.exp(-eta))).astype(float), np.column_stack(
        [np.ones(N), ARM, age]
    )


def summary(fit: BinaryFit) -> np.ndarray:
    risks = fit.standardised_risks({"arm": 1}, {"arm": 0})
    return np.array(
        [
            fit.log_likelihood,
            *(part for c in fit.coefficients[1:2] for part in (c.value, c.standard_error)),
            fit.covariance("trainer")[0, 0],
            risks.difference.value,
            risks.difference.standard_error,
            risks.ratio.log.standard_error,
        ]
    )


def fit(y: np.ndarray, X: np.ndarray, groups: np.ndarray = TRAINER, **options: object) -> BinaryFit:
    return fit_binary_mixed(y, X, RandomEffect("trainer", groups), names=NAMES, **options)


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 400), points=st.sampled_from([1, 6]), link=st.sampled_from(["logit", "cloglog"]))
def test_order_labels_and_coding(seed: int, points: int, link: str) -> None:
    y, X = data(seed)
    options = {"quadrature_points": points, "link": link}
    plain = summary(fit(y, X, **options))
    order = np.random.default_rng(seed).permutation(N)
    np.testing.assert_allclose(summary(fit(y[order], X[order], TRAINER[order], **options)), plain, **VALUES)
    labels = np.array([f"T{(5 * level) % LEVELS}" for level in range(LEVELS)])
    np.testing.assert_allclose(summary(fit(y, X, labels[TRAINER], **options)), plain, **VALUES)
    recoded = X @ np.array(
        [[1.0, 0.0, -30.0], [0.0, 1.0, 0.0], [0.0, 0.0, 365.25]]
    )  # age in days, from 30 on
    np.testing.assert_allclose(summary(fit(y, recoded, **options)), plain, **VALUES)


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 400), points=st.sampled_from([1, 6]))
def test_the_other_outcome_turns_the_signs(seed: int, points: int) -> None:
    y, X = data(seed)
    one, other = (fit(part, X, quadrature_points=points) for part in (y, 1 - y))
    np.testing.assert_allclose(one.values, -other.values, **VALUES)
    np.testing.assert_allclose(one.log_likelihood, other.log_likelihood, atol=1e-8)
    assert one.boundary_terms == other.boundary_terms


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 400), points=st.sampled_from([1, 6]))
@example(seed=57, points=6)
@example(seed=380, points=6)
def test_counts_are_single_trials_added_up(seed: int, points: int) -> None:
    """Only the log-likelihood differs, by the binomial coefficients; degrees of freedom count trials."""
    y, X = data(seed)
    X = X[:, :2]
    single = fit_binary_mixed(y, X, RandomEffect("trainer", TRAINER), quadrature_points=points)
    cell = TRAINER * 2 + ARM.astype(int)
    counts, trials = np.bincount(cell, y), np.bincount(cell)
    cells = np.arange(2 * LEVELS)
    columns = np.column_stack([np.ones(2 * LEVELS), cells % 2])
    added = fit_binary_mixed(
        counts, columns, RandomEffect("trainer", cells // 2), trials=trials, quadrature_points=points
    )
    np.testing.assert_allclose(added.values, single.values, **VALUES)
    assert (added.covariance("trainer") == 0.0).all() == (single.covariance("trainer") == 0.0).all()
    np.testing.assert_allclose(added.precision.covariance, single.precision.covariance, rtol=1e-5, atol=1e-8)
    np.testing.assert_array_equal(added.precision.degrees_of_freedom, single.precision.degrees_of_freedom)
    assert added.log_likelihood > single.log_likelihood


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 400), deviation=st.sampled_from([0.0, 0.5, 2.0]))
def test_small_trials_end_in_a_result_or_in_words(seed: int, deviation: float) -> None:
    """Whatever a small trial looks like: a converged fit has finite errors, any other says why."""
    generator = np.random.default_rng(seed)
    y = generator.random(24) < 1 / (
        1 + np.exp(-1.5 - deviation * generator.normal(size=4)[np.arange(24) % 4])
    )
    y[:2] = [False, True]
    y[4] = True
    found = fit_binary_mixed(
        y.astype(float),
        np.column_stack([np.ones(24), np.arange(24) // 4 % 2]),
        RandomEffect("trainer", np.arange(24) % 4),
        quadrature_points=5,
    )
    errors = [coefficient.standard_error for coefficient in found.coefficients]
    assert np.isfinite(errors).all() == found.converged
    assert not found.converged or max(errors) < 100
    assert found.optimiser_report.message
