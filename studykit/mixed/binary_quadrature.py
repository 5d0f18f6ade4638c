"""One scalar random effect: Laplace and adaptive Gauss-Hermite quadrature, with the exact gradient.

The likelihood of level ``j`` is the integral of ``exp(-h(t)) / sqrt(2 pi)`` with ``h(t) = t^2/2`` minus its
rows' log-likelihoods at ``eta = o + a t``, ``a = sigma z``. With the mode ``u`` of ``-h``, its curvature
``H = 1 + sum w a^2``, ``s = 1/sqrt(H)`` and the nodes ``t_k = u + sqrt(2) s x_k`` it is approximated by

    L_j = s sum_k omega_k exp(-h(t_k)),    omega_k = weight_k exp(x_k^2) / sqrt(pi)

(Pinheiro & Chao 2006, J Comput Graph Stat 15:58, their one-level case; one point is Laplace). The gradient
follows the mode and the curvature: ``du = s^2 (sum da r - sum a w d eta)``, ``ds = -s^3 dH / 2``.

Trials lie along the first axis; one fit is one trial.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.binary_problem import Evaluation, Problem, hermite

Array = NDArray[np.float64]

SETTLED = 1e-14  # fall of h still promised, after which one more Newton step is exact to rounding
CALM = 0.5  # change of the linear predictor below which Newton steps need no watching
MOST = 200


def evaluate(problem: Problem, x: Array, start: Array) -> Evaluation:
    """Log-likelihoods and gradients at ``x`` (m, p + 1); modes are searched from ``start`` (m, levels)."""
    z, codes = problem.parts[0].design[:, 0], problem.parts[0].codes
    a = x[:, -1:] * z
    offset = problem.predictor(x[:, :-1])
    u = find_modes(problem, offset, a, start)
    r, w, v = problem.link.derivatives(problem.y, problem.m, offset + a * u[:, codes])
    aw, vaa = a * w, v * a * a
    s = 1.0 / np.sqrt(1.0 + _sums(problem, aw * a))

    level = _laplace if problem.points == 1 else _quadrature
    value, scores, moments, by_curvature, pull = level(problem, offset, a, u, s, r)
    by_mode = (pull + by_curvature * _sums(problem, vaa * a)) * s * s
    curvature, mode, at_mode = by_curvature[:, codes], by_mode[:, codes], u[:, codes]
    rho = scores + curvature * vaa - mode * aw
    by_sigma = moments + curvature * (vaa * at_mode + 2.0 * aw) + mode * (r - aw * at_mode)
    gradient = np.concatenate([problem.by_coefficient(rho), (by_sigma @ z)[:, None]], axis=1)
    return Evaluation(x, value, gradient, u)


def _sums(problem: Problem, values: Array) -> Array:
    """Sums of rows (m, n, ...) within levels."""
    assert problem.starts is not None
    return np.asarray(np.add.reduceat(values, problem.starts, axis=1))


def _laplace(
    problem: Problem, offset: Array, a: Array, u: Array, s: Array, r: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """One point: the node is the mode, where ``h`` has no slope."""
    at_mode = u[..., problem.parts[0].codes]
    heights = problem.link.log_likelihood(problem.y, problem.m, offset + a * at_mode)
    value = heights.sum(axis=-1) - 0.5 * (u * u).sum(axis=-1) + np.log(s).sum(axis=-1)
    return value, r, r * at_mode, -0.5 * s * s, np.zeros_like(u)


def _quadrature(
    problem: Problem, offset: Array, a: Array, u: Array, s: Array, _: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """Log-likelihood; rows' scores and scores times nodes; derivatives by curvature and by mode.

    Averages over the nodes have the weights of the nodes' shares in ``L_j``.
    """
    codes, link = problem.parts[0].codes, problem.link
    x, log_weights = hermite(problem.points)
    spread = np.sqrt(2.0) * x
    t = u[..., None] + s[..., None] * spread
    t_rows = t[..., codes, :]
    eta = offset[..., None] + a[..., None] * t_rows
    Y, M = problem.y[..., None], problem.m[..., None]
    heights = log_weights + _sums(problem, link.log_likelihood(Y, M, eta)) - 0.5 * t * t
    peak = heights.max(axis=-1)
    share = np.exp(heights - peak[..., None])
    total = share.sum(axis=-1)
    share /= total[..., None]
    value = (np.log(s * total) + peak).sum(axis=-1)
    scores = link.score(Y, M, eta) * share[..., codes, :]
    pull = _sums(problem, a[..., None] * scores) - share * t  # share times -h'(t_k)
    by_curvature = -0.5 * s**3 * (1.0 / s + pull @ spread)
    return value, scores.sum(axis=-1), (scores * t_rows).sum(axis=-1), by_curvature, pull.sum(axis=-1)


def find_modes(problem: Problem, offset: Array, a: Array, start: Array) -> Array:
    """Modes (..., levels) by Newton steps for all levels at once (iteratively reweighted least squares)."""
    u = start
    for _ in range(MOST):
        r, w, _ = problem.link.derivatives(problem.y, problem.m, offset + a * u[..., problem.parts[0].codes])
        slope = _sums(problem, a * r) - u
        step = slope / (1.0 + _sums(problem, w * a * a))
        settled = (slope * step).max() < SETTLED
        if not settled and np.abs(a * step[..., problem.parts[0].codes]).max() > CALM:
            step = _shortened(problem, offset, a, u, step)
        u = u + step
        if settled:
            break
    return u


def _shortened(problem: Problem, offset: Array, a: Array, u: Array, step: Array) -> Array:
    """The step of every level, halved until its ``h`` does not rise."""

    def height(at: Array) -> Array:
        eta = offset + a * at[:, problem.parts[0].codes]
        rise = _sums(problem, problem.link.log_likelihood(problem.y, problem.m, eta))
        return np.asarray(rise - 0.5 * at * at)

    before = height(u)
    for _ in range(40):
        worse = height(u + step) < before
        if not worse.any():
            break
        step = np.where(worse, 0.5 * step, step)
    return step
