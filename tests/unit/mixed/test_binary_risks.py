"""Marginal risks: the integral, its derivatives, the delta method, and how often the interval is right."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from studykit.errors import ArgumentError
from studykit.mixed import RandomEffect, fit_binary_mixed
from studykit.mixed.binary_links import LINKS
from studykit.mixed.binary_risks import average_risk, integrate

TRAINERS, CLIENTS = 10, 20
TRAINER = np.repeat(np.arange(TRAINERS), CLIENTS)
CROSSED = (np.arange(TRAINERS * CLIENTS) % 2).astype(float)
CLUSTERED = (TRAINER % 2).astype(float)
NAMES = ["intercept", "partner reps"]


def outcomes(generator: np.random.Generator, arm: np.ndarray, deviation: float) -> np.ndarray:
    eta = 0.8 + 0.6 * arm + deviation * generator.normal(size=TRAINERS)[TRAINER]
    return (generator.random(len(arm)) < 1 / (1 + np.exp(-eta))).astype(float)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("tau", [0.0, 0.3, 2.0, 9.0])
def test_integral_against_an_adaptive_rule(link: str, tau: float) -> None:
    for eta in (-3.0, 0.4, 2.5):

        def height(t: float, eta: float = eta) -> float:
            p = LINKS[link].probability(np.array([eta + tau * t]))[0][0]
            return float(p * np.exp(-t * t / 2) / np.sqrt(2 * np.pi))

        breaks = sorted({-eta / tau, 0.0}) if tau else [0.0]
        exact = quad(height, -8.5, 8.5, epsabs=1e-13, epsrel=1e-12, limit=300, points=breaks)[0]
        assert integrate(LINKS[link], np.array([eta]), np.array([tau]))[0][0] == pytest.approx(
            exact, abs=1e-11
        )


@pytest.mark.parametrize("link", LINKS)
def test_derivatives_by_differences(link: str) -> None:
    generator = np.random.default_rng(1)
    X, Z = generator.normal(size=(15, 3)), generator.normal(size=(15, 2))
    weights = generator.integers(1, 5, 15).astype(float)
    at = np.array([0.3, -0.5, 0.2, 0.7, 0.4, -0.3, 0.5])

    def risk(x: np.ndarray) -> tuple[float, np.ndarray]:
        factors = (np.array([[x[3], 0.0], [x[4], x[5]]]), x[6:].reshape(1, 1))
        found = average_risk(LINKS[link], X, x[:3], (Z, np.ones((15, 1))), factors, weights)
        return found.value, found.gradient

    steps = 1e-5 * np.eye(7)
    slopes = [(risk(at + step)[0] - risk(at - step)[0]) / 2e-5 for step in steps]
    np.testing.assert_allclose(risk(at)[1], slopes, atol=1e-9)


def test_without_variance_it_is_ordinary_standardisation() -> None:
    """Variance at zero, arm alone: the risks are the observed shares, the error is the binomial one."""
    arm = np.tile([0.0, 1.0], 60)
    trainer = np.repeat(np.arange(12), 10)
    outcome = np.tile([0, 1, 1, 1, 1, 0, 0, 1, 1, 1], 12).astype(float)
    fit = fit_binary_mixed(
        outcome, np.column_stack([np.ones(120), arm]), RandomEffect("trainer", trainer), names=NAMES
    )
    assert fit.at_boundary
    risks = fit.standardised_risks({"partner reps": 1}, {"partner reps": 0})
    share = [outcome[arm == a].mean() for a in (0, 1)]
    assert risks.reference.value == pytest.approx(share[0], abs=1e-9)
    assert risks.compared.value == pytest.approx(share[1], abs=1e-9)
    variance = sum(s * (1 - s) / 60 for s in share)
    assert risks.difference.standard_error == pytest.approx(np.sqrt(variance), rel=1e-6)
    relative = sum((1 - s) / s / 60 for s in share)
    assert risks.ratio.log.standard_error == pytest.approx(np.sqrt(relative), rel=1e-6)
    assert risks.ratio.value == pytest.approx(share[1] / share[0])
    ends = risks.ratio.confidence_interval()
    assert ends.lower < risks.ratio.value < ends.upper
    assert risks.ratio.p_value == risks.ratio.log.p_value
    assert 0.0 < risks.compared.confidence_interval().lower < risks.compared.value


def test_the_uncertainty_of_the_variance_counts() -> None:
    """The marginal risk depends on the trainers' deviation; leaving that out would narrow its error."""
    outcome = outcomes(np.random.default_rng(4), CROSSED, 1.5)
    X = np.column_stack([np.ones(len(outcome)), CROSSED])
    fit = fit_binary_mixed(outcome, X, RandomEffect("trainer", TRAINER), names=NAMES, quadrature_points=15)
    risks = fit.standardised_risks({"partner reps": 1}, {"partner reps": 0})
    found = average_risk(
        LINKS["logit"],
        np.array([[1.0, 1.0]]),
        fit.values,
        (np.ones((1, 1)),),
        (np.sqrt(fit.covariance("trainer")),),
        np.ones(1),
    )
    assert risks.compared.value == pytest.approx(found.value, abs=1e-12)
    full = found.gradient @ fit.precision.covariance @ found.gradient
    assert risks.compared.standard_error == pytest.approx(np.sqrt(full), rel=1e-9)
    assert abs(found.gradient[2]) > 0.01
    conditional = 1 / (1 + np.exp(-fit.values.sum()))
    assert abs(risks.compared.value - 0.5) < abs(conditional - 0.5)


def test_settings_as_arrays_and_rows() -> None:
    outcome = outcomes(np.random.default_rng(6), CROSSED, 0.7)
    age = np.random.default_rng(2).normal(size=len(outcome))
    X = np.column_stack([np.ones(len(age)), CROSSED, age, CROSSED * age])
    names = [*NAMES, "age", "partner reps by age"]
    fit = fit_binary_mixed(outcome, X, RandomEffect("trainer", TRAINER), names=names)
    ones, zero = np.ones(len(age)), np.zeros(len(age))
    by_array = fit.standardised_risks(
        np.column_stack([ones, ones, age, age]), np.column_stack([ones, zero, age, zero])
    )
    by_name = fit.standardised_risks(
        {"partner reps": 1, "partner reps by age": age}, {"partner reps": 0, "partner reps by age": 0}
    )
    assert by_array.difference == by_name.difference
    old = fit.standardised_risks({"partner reps": 1}, {"partner reps": 0}, rows=age > 0)
    assert old.rows == (age > 0).sum()
    assert fit.standardised_risks({"partner reps": 1}, {"partner reps": 0}).rows == len(age)
    with pytest.raises(ArgumentError, match="the same values twice"):
        fit.standardised_risks({"partner reps": 1}, {"partner reps": 1})
    with pytest.raises(ArgumentError, match="or fixed effects of shape"):
        fit.standardised_risks(np.ones((3, 4)), {"partner reps": 1})
    with pytest.raises(ArgumentError, match="at least one True"):
        fit.standardised_risks({"partner reps": 1}, {"partner reps": 0}, rows=np.zeros(len(age), bool))
    with pytest.raises(ArgumentError, match="finite values; found nan"):
        fit.standardised_risks({"partner reps": np.nan}, {"partner reps": 0})


@pytest.mark.slow
@pytest.mark.parametrize(
    ("arm", "expected"),
    [(CROSSED, 0.9575), (CLUSTERED, 0.9455)],
    ids=["arms within trainers", "trainers as clusters"],
)
def test_how_often_the_interval_holds_the_truth(arm: np.ndarray, expected: float) -> None:
    """Ten trainers of twenty clients, deviation 0.5: 95 % intervals of the marginal risk difference.

    ``expected`` is the share in 2,000 trials run once (Monte Carlo error 0.005). Here are 300 (error 0.013);
    the limit is three errors of the difference. Clusters that differ more (deviation 1) had 0.92 in 2,000:
    maximum likelihood makes the variance between ten clusters too small.
    """
    generator = np.random.default_rng(77)
    X = np.column_stack([np.ones(len(arm)), arm])
    low, high = integrate(LINKS["logit"], np.array([0.8, 1.4]), np.array([0.5, 0.5]))[0]
    held = []
    for _ in range(300):
        fit = fit_binary_mixed(
            outcomes(generator, arm, 0.5), X, RandomEffect("trainer", TRAINER), names=NAMES
        )
        risks = fit.standardised_risks({"partner reps": 1}, {"partner reps": 0})
        held.append(risks.difference.confidence_interval().contains(high - low))
    error = np.sqrt(expected * (1 - expected) * (1 / 300 + 1 / 2000))
    assert abs(np.mean(held) - expected) < 3 * error
