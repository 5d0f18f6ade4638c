"""Likelihood ratios: which pairs are compared, which are refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from studykit.errors import ArgumentError, ConvergenceError
from studykit.mixed import RandomEffect, fit_linear_mixed, likelihood_ratio

RNG = np.random.default_rng(8)
CLIENT = np.repeat(np.arange(12), 4)
VISIT = np.tile(np.arange(4.0), 12)
Y = RNG.normal(size=12)[CLIENT] + 0.7 * RNG.normal(size=12)[CLIENT] * VISIT + RNG.normal(size=48)
ONE = np.ones((48, 1))
LINE = np.column_stack([np.ones(48), VISIT])


def test_fixed_effects_by_maximum_likelihood() -> None:
    """Against twice the difference of the log-likelihoods, by scipy's chi-squared."""
    client = RandomEffect("client", CLIENT)
    smaller = fit_linear_mixed(Y, ONE, client, reml=False)
    larger = fit_linear_mixed(Y, LINE, client, reml=False)
    ratio = likelihood_ratio(smaller, larger)
    assert ratio.statistic == pytest.approx(2 * (larger.log_likelihood - smaller.log_likelihood))
    assert ratio.degrees_of_freedom == 1
    assert ratio.p_value == pytest.approx(stats.chi2.sf(ratio.statistic, 1))


def test_covariances_by_reml() -> None:
    smaller = fit_linear_mixed(Y, LINE, RandomEffect("client", CLIENT))
    larger = fit_linear_mixed(Y, LINE, RandomEffect("client", CLIENT, LINE))
    assert likelihood_ratio(smaller, larger).degrees_of_freedom == 2


def test_boundary_is_said_and_the_mixture_offered() -> None:
    """One variance: half the p-value (Self & Liang 1987); fixed effects: nothing is said."""
    least_squares = fit_linear_mixed(Y, LINE, (), reml=False)
    client = fit_linear_mixed(Y, LINE, RandomEffect("client", CLIENT), reml=False)
    slope = fit_linear_mixed(Y, LINE, RandomEffect("client", CLIENT, LINE), reml=False)
    one = likelihood_ratio(least_squares, client)
    assert "boundary_p_value" in one.remark
    assert one.boundary_p_value == pytest.approx(0.5 * one.p_value)
    two = likelihood_ratio(client, slope)
    expected = 0.5 * (stats.chi2.sf(two.statistic, 1) + stats.chi2.sf(two.statistic, 2))
    assert two.boundary_p_value == pytest.approx(expected)
    mean = fit_linear_mixed(Y, ONE, RandomEffect("client", CLIENT), reml=False)
    assert likelihood_ratio(mean, client).remark == ""


def test_refusals() -> None:
    client = RandomEffect("client", CLIENT)
    one, line = fit_linear_mixed(Y, ONE, client), fit_linear_mixed(Y, LINE, client)
    with pytest.raises(ArgumentError, match="the same fixed effects in REML fits"):
        likelihood_ratio(one, line)
    with pytest.raises(ArgumentError, match="REML beside maximum likelihood"):
        likelihood_ratio(fit_linear_mixed(Y, ONE, client, reml=False), line)
    with pytest.raises(ArgumentError, match="different outcomes"):
        likelihood_ratio(fit_linear_mixed(Y + VISIT, LINE, client), line)
    with pytest.raises(ArgumentError, match="more parameters in the larger fit"):
        likelihood_ratio(line, line)
    larger = fit_linear_mixed(Y, LINE, RandomEffect("client", CLIENT, LINE))
    better = replace(line, log_likelihood=larger.log_likelihood + 1.0)
    with pytest.raises(ArgumentError, match="contains the smaller"):
        likelihood_ratio(better, larger)
    with pytest.raises(ConvergenceError, match="converged fits"):
        likelihood_ratio(replace(line, converged=False), line)
