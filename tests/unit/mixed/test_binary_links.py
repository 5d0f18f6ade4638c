"""Derivatives of the links by differences, and their ends."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.mixed.binary_links import LINKS

RNG = np.random.default_rng(11)
ETA = RNG.normal(size=60) * 2.0
M = RNG.integers(1, 4, 60).astype(float)
Y = np.minimum(RNG.integers(0, 4, 60), M).astype(float)
STEP = 1e-5
CLOSE = 1e-7  # central differences with this step: truncation and rounding are both near 1e-10 times the size


@pytest.mark.parametrize("name", LINKS)
def test_derivatives_by_differences(name: str) -> None:
    link = LINKS[name]
    up, down = ETA + STEP, ETA - STEP
    r, w, v = link.derivatives(Y, M, ETA)
    slope = (link.log_likelihood(Y, M, up) - link.log_likelihood(Y, M, down)) / (2 * STEP)
    np.testing.assert_allclose(r, slope, rtol=CLOSE, atol=CLOSE)
    bend = (link.derivatives(Y, M, up)[0] - link.derivatives(Y, M, down)[0]) / (2 * STEP)
    np.testing.assert_allclose(w, -bend, rtol=CLOSE, atol=CLOSE)
    turn = (link.derivatives(Y, M, up)[1] - link.derivatives(Y, M, down)[1]) / (2 * STEP)
    np.testing.assert_allclose(v, turn, rtol=CLOSE, atol=CLOSE)
    np.testing.assert_array_equal(link.score(Y, M, ETA), r)


@pytest.mark.parametrize("name", LINKS)
def test_probability_and_expected_weight(name: str) -> None:
    link = LINKS[name]
    probability, slope = link.probability(ETA)
    by_difference = (link.probability(ETA + STEP)[0] - link.probability(ETA - STEP)[0]) / (2 * STEP)
    np.testing.assert_allclose(slope, by_difference, rtol=CLOSE, atol=CLOSE)
    weight, change = link.expected(ETA)
    inside = probability < 0.9999  # nearer to one, 1 - probability has no digits left
    by_definition = slope[inside] ** 2 / (probability * (1 - probability))[inside]
    np.testing.assert_allclose(weight[inside], by_definition, rtol=1e-9)
    by_difference = (link.expected(ETA + STEP)[0] - link.expected(ETA - STEP)[0]) / (2 * STEP)
    np.testing.assert_allclose(change, by_difference, rtol=CLOSE, atol=CLOSE)


@pytest.mark.parametrize("name", LINKS)
def test_the_expected_weight_is_the_average_of_the_observed(name: str) -> None:
    link = LINKS[name]
    probability = link.probability(ETA)[0]
    one = np.ones_like(ETA)
    observed = [link.derivatives(one * y, one, ETA)[1] for y in (0.0, 1.0)]
    average = (1 - probability) * observed[0] + probability * observed[1]
    inside = probability < 0.9999  # nearer to one, 1 - probability has no digits left
    np.testing.assert_allclose(average[inside], link.expected(ETA)[0][inside], rtol=1e-9)


@pytest.mark.parametrize("name", LINKS)
def test_far_out_nothing_breaks(name: str) -> None:
    eta = np.array([-1e4, -50.0, 50.0, 1e4])
    for y in (0.0, 1.0):
        parts = LINKS[name].derivatives(np.full(4, y), np.ones(4), eta)
        assert all(np.isfinite(part).all() for part in parts)
        assert (parts[1] >= 0.0).all()
        score = parts[0][[-1, 0]][int(1 - y)]  # where the outcome is all but certain
        assert abs(score) < 1e-20
