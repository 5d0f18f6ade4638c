"""Gradients of the approximated likelihoods by differences; slow twins; the two paths agree."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import quad

from studykit.mixed import RandomEffect, binary_laplace, binary_quadrature
from studykit.mixed.binary_links import LINKS
from studykit.mixed.binary_problem import Evaluation, Problem, arrange

Array = np.ndarray
RNG = np.random.default_rng(5)
N = 90
X = np.column_stack([np.ones(N), RNG.normal(size=N), np.arange(N) % 2])
M = RNG.integers(1, 4, N).astype(float)
Y = RNG.binomial(M.astype(int), 0.45).astype(float)
TRAINER, CLIENT = RNG.permutation(np.arange(N) % 7), RNG.permutation(np.arange(N) % 30)
Evaluate = Callable[[Problem, Array, Array], Evaluation]
# Central differences with a step of 1e-5 of values near 100: rounding leaves about 1e-8.
CLOSE = 1e-7


def problem(effects: list[RandomEffect], link: str, points: int = 1) -> Problem:
    return arrange(Y[None], M[None], X, effects, LINKS[link], points)[0]


def zeros(model: Problem) -> Array:
    return np.zeros((1, model.effects))


def check_gradient(evaluate: Evaluate, model: Problem, at: Array) -> None:
    slopes = []
    for place in range(len(at)):
        step = np.zeros(len(at))
        step[place] = 1e-5
        ends = [evaluate(model, (at + sign * step)[None], zeros(model)).value[0] for sign in (1.0, -1.0)]
        slopes.append((ends[0] - ends[1]) / 2e-5)
    gradient = evaluate(model, at[None], zeros(model)).gradient[0]
    np.testing.assert_allclose(gradient, slopes, rtol=CLOSE, atol=CLOSE)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("points", [1, 2, 7])
@pytest.mark.parametrize("deviation", [0.8, 0.0, -0.4])
def test_gradient_of_quadrature(link: str, points: int, deviation: float) -> None:
    design = 1.0 + 0.3 * RNG.normal(size=N)
    model = problem([RandomEffect("trainer", TRAINER, design)], link, points)
    check_gradient(binary_quadrature.evaluate, model, np.array([-0.3, 0.2, 0.1, deviation]))


@pytest.mark.parametrize("link", LINKS)
def test_gradient_with_crossed_correlated_columns(link: str) -> None:
    line = np.column_stack([np.ones(N), RNG.normal(size=N)])
    effects = [
        RandomEffect("trainer", TRAINER, line),
        RandomEffect("client", CLIENT, line),
        RandomEffect("hall", np.arange(N) % 5),
    ]
    at = np.array([-0.3, 0.2, 0.1, 0.8, 0.2, 0.5, 0.7, -0.3, 0.4, 0.6])
    check_gradient(binary_laplace.evaluate, problem(effects, link), at)


@pytest.mark.parametrize("link", LINKS)
def test_laplace_is_one_point_of_quadrature(link: str) -> None:
    model = problem([RandomEffect("trainer", TRAINER)], link)
    at = np.array([0.2, -0.4, 0.3, 0.9])
    one, other = (
        path.evaluate(model, at[None], zeros(model)) for path in (binary_quadrature, binary_laplace)
    )
    assert one.value[0] == pytest.approx(other.value[0], abs=1e-11)
    np.testing.assert_allclose(one.gradient, other.gradient, atol=1e-10)


def test_laplace_against_a_dense_twin() -> None:
    """The same approximation written down directly: one dense matrix, plain Newton steps."""
    model = problem([RandomEffect("trainer", TRAINER), RandomEffect("client", CLIENT)], "logit")
    at = np.array([0.2, -0.4, 0.3, 0.9, 0.5])
    y, m = model.y[0], model.m[0]
    A = np.zeros((len(y), 37))
    for part, start, deviation in zip(model.parts, (0, 7), at[3:], strict=True):
        A[np.arange(len(A)), start + part.codes] = deviation * part.design[:, 0]
    u = np.zeros(37)
    for _ in range(30):
        p = 1.0 / (1.0 + np.exp(-(model.X @ at[:3] + A @ u)))
        H = np.eye(37) + A.T @ ((m * p * (1 - p))[:, None] * A)
        u = u + np.linalg.solve(H, A.T @ (y - m * p) - u)
    value = (y * np.log(p) + (m - y) * np.log(1 - p)).sum() - u @ u / 2
    value -= np.linalg.slogdet(H)[1] / 2
    found = binary_laplace.evaluate(model, at[None], zeros(model))
    assert found.value[0] == pytest.approx(value, abs=1e-10)
    blocks = binary_laplace.conditional_covariances(model, found)
    inverse = np.diag(np.linalg.inv(H))
    np.testing.assert_allclose(np.concatenate([block.ravel() for block in blocks]), inverse, rtol=1e-9)


@pytest.mark.parametrize("link", LINKS)
def test_quadrature_against_an_adaptive_integral(link: str) -> None:
    model = problem([RandomEffect("trainer", TRAINER)], link, 40)
    at = np.array([0.2, -0.4, 0.3, 1.1])
    eta, part = model.X @ at[:3], model.parts[0]

    def level(j: int) -> float:
        rows = part.codes == j

        def height(t: float) -> float:
            values = model.link.log_likelihood(model.y[0, rows], model.m[0, rows], eta[rows] + at[3] * t)
            return float(np.exp(values.sum() - t * t / 2) / np.sqrt(2 * np.pi))

        return float(np.log(quad(height, -9, 9, epsabs=0, epsrel=1e-11, limit=200)[0]))

    whole = sum(level(j) for j in range(7))
    found = binary_quadrature.evaluate(model, at[None], zeros(model)).value[0]
    assert found == pytest.approx(whole, abs=1e-8)


def test_alike_rows_are_added_up() -> None:
    arm = np.arange(N) % 2
    design = np.column_stack([np.ones(N), arm])
    effects = [RandomEffect("trainer", TRAINER)]
    model, place = arrange(Y[None], M[None], design, effects, LINKS["logit"], 1)
    assert model.y.shape == (1, 14)
    np.testing.assert_array_equal(model.parts[0].codes[place], TRAINER)
    np.testing.assert_allclose(model.X[place], design @ model.back)
    assert model.y.sum() == Y.sum()
    assert model.m.sum() == M.sum()
