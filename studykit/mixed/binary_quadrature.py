"""One scalar random effect: Laplace and adaptive Gauss-Hermite quadrature, with the exact gradient.

The likelihood of level ``j`` is the integral of ``exp(-h(t)) / sqrt(2 pi)`` with ``h(t) = t^2/2`` minus its
rows' log-likelihoods at ``eta = o + a t``, ``a = sigma z``. With the mode ``u`` of ``-h``, its curvature
``H = 1 + sum w a^2``, ``s = 1/sqrt(H)`` and the nodes ``t_k = u + sqrt(2) s x_k`` it is approximated by

    L_j = s sum_k omega_k exp(-h(t_k)),    omega_k = weight_k exp(x_k^2) / sqrt(pi)

(Pinheiro & Chao 2006, J Comput Graph Stat 15:58, their one-level case; one point is Laplace). The gradient
follows the mode and the curvature: ``du = s^2 (sum da r - sum a w d eta)``, ``ds = -s^3 dH / 2``.

Everything works for one trial, or for many along the first axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.binary_links import Link
from studykit.mixed.binary_problem import Codes, Evaluation, Problem, hermite

Array = NDArray[np.float64]

SETTLED = 1e-14  # fall of h still promised, after which one more Newton step is exact to rounding
CALM = 0.5  # change of the linear predictor below which Newton steps need no watching
MOST = 200


@dataclass(frozen=True, slots=True, eq=False)
class ScalarRows:
    """Rows sorted by the levels of the one random effect; every level has at least one.

    Parameters
    ----------
    y, m : ndarray, shape (..., n)
        Successes and trials; a row without trials (``m = 0``) says nothing.
    X : ndarray, shape (n, p) or (trials, n, p)
    z : ndarray, shape (n,)
        Column of the random effect.
    codes, first : ndarray of int, shapes (n,), (levels,)
        Level of every row, first row of every level.
    link : Link
    points : int
    """

    y: Array
    m: Array
    X: Array
    z: Array
    codes: Codes
    first: Codes
    link: Link
    points: int

    def take(self, trials: NDArray[np.intp]) -> ScalarRows:
        """The same for some of the trials."""
        X = self.X if self.X.ndim == 2 else self.X[trials]
        m = self.m if len(self.m) == 1 else self.m[trials]
        return ScalarRows(self.y[trials], m, X, self.z, self.codes, self.first, self.link, self.points)

    def predictor(self, beta: Array) -> Array:
        """``X beta`` (..., n)."""
        if self.X.ndim == 2:
            return np.asarray(beta @ self.X.T)
        return np.asarray((self.X @ beta[..., None])[..., 0])

    def by_coefficient(self, values: Array) -> Array:
        """``X'`` times values (..., n)."""
        if self.X.ndim == 2:
            return np.asarray(values @ self.X)
        return np.asarray((values[..., None, :] @ self.X)[..., 0, :])

    def sums(self, values: Array) -> Array:
        """Sums within levels, (..., levels)."""
        return np.asarray(np.add.reduceat(values, self.first, axis=-1))


def evaluate(problem: Problem, parameters: Array, start: tuple[Array, ...]) -> Evaluation:
    """Log-likelihood and gradient; the modes are searched from ``start``."""
    part = problem.parts[0]
    assert problem.starts is not None
    rows = ScalarRows(
        problem.y,
        problem.m,
        problem.X,
        part.design[:, 0],
        part.codes,
        problem.starts,
        problem.link,
        problem.points,
    )
    value, gradient, u = evaluate_rows(rows, parameters, start[0][:, 0])
    return Evaluation(parameters, float(value), gradient, (u[:, None],))


def evaluate_rows(rows: ScalarRows, parameters: Array, start: Array) -> tuple[Array, Array, Array]:
    """Log-likelihoods (...), gradients (..., p + 1) and modes (..., levels)."""
    codes = rows.codes
    a = parameters[..., -1:] * rows.z
    offset = rows.predictor(parameters[..., :-1])
    u = find_modes(rows, offset, a, start)
    r, w, v = rows.link.derivatives(rows.y, rows.m, offset + a * u[..., codes])
    aw, vaa = a * w, v * a * a
    s = 1.0 / np.sqrt(1.0 + rows.sums(aw * a))

    level = _laplace if rows.points == 1 else _quadrature
    value, scores, moments, by_curvature, pull = level(rows, offset, a, u, s, r)
    by_mode = (pull + by_curvature * rows.sums(vaa * a)) * s * s
    curvature, mode, at_mode = by_curvature[..., codes], by_mode[..., codes], u[..., codes]
    rho = scores + curvature * vaa - mode * aw
    by_sigma = moments + curvature * (vaa * at_mode + 2.0 * aw) + mode * (r - aw * at_mode)
    gradient = np.concatenate([rows.by_coefficient(rho), (by_sigma @ rows.z)[..., None]], axis=-1)
    return value, gradient, u


def _laplace(
    rows: ScalarRows, offset: Array, a: Array, u: Array, s: Array, r: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """One point: the node is the mode, where ``h`` has no slope."""
    at_mode = u[..., rows.codes]
    heights = rows.link.log_likelihood(rows.y, rows.m, offset + a * at_mode)
    value = heights.sum(axis=-1) - 0.5 * (u * u).sum(axis=-1) + np.log(s).sum(axis=-1)
    return value, r, r * at_mode, -0.5 * s * s, np.zeros_like(u)


def _quadrature(
    rows: ScalarRows, offset: Array, a: Array, u: Array, s: Array, _: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """Log-likelihood; rows' scores and scores times nodes; derivatives by curvature and by mode.

    Averages over the nodes have the weights of the nodes' shares in ``L_j``.
    """
    codes, first, link = rows.codes, rows.first, rows.link
    x, log_weights = hermite(rows.points)
    spread = np.sqrt(2.0) * x
    t = u[..., None] + s[..., None] * spread
    t_rows = t[..., codes, :]
    eta = offset[..., None] + a[..., None] * t_rows
    Y, M = rows.y[..., None], rows.m[..., None]
    heights = log_weights + np.add.reduceat(link.log_likelihood(Y, M, eta), first, axis=-2) - 0.5 * t * t
    peak = heights.max(axis=-1)
    share = np.exp(heights - peak[..., None])
    total = share.sum(axis=-1)
    share /= total[..., None]
    value = (np.log(s * total) + peak).sum(axis=-1)
    scores = link.score(Y, M, eta) * share[..., codes, :]
    pull = np.add.reduceat(a[..., None] * scores, first, axis=-2) - share * t  # share times -h'(t_k)
    by_curvature = -0.5 * s**3 * (1.0 / s + pull @ spread)
    return value, scores.sum(axis=-1), (scores * t_rows).sum(axis=-1), by_curvature, pull.sum(axis=-1)


def find_modes(rows: ScalarRows, offset: Array, a: Array, start: Array) -> Array:
    """Modes (..., levels) by Newton steps for all levels at once (iteratively reweighted least squares)."""
    u = start
    for _ in range(MOST):
        r, w, _ = rows.link.derivatives(rows.y, rows.m, offset + a * u[..., rows.codes])
        slope = rows.sums(a * r) - u
        step = slope / (1.0 + rows.sums(w * a * a))
        settled = (slope * step).max() < SETTLED
        if not settled and np.abs(a * step[..., rows.codes]).max() > CALM:
            step = _shortened(rows, offset, a, u, step)
        u = u + step
        if settled:
            break
    return u


def _shortened(rows: ScalarRows, offset: Array, a: Array, u: Array, step: Array) -> Array:
    """The step of every level, halved until its ``h`` does not rise."""

    def height(at: Array) -> Array:
        values = rows.link.log_likelihood(rows.y, rows.m, offset + a * at[..., rows.codes])
        return np.asarray(rows.sums(values) - 0.5 * at * at)

    before = height(u)
    for _ in range(40):
        worse = height(u + step) < before
        if not worse.any():
            break
        step = np.where(worse, 0.5 * step, step)
    return step
