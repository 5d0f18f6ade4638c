"""Any random effects, nested or crossed: the Laplace approximation with its exact gradient.

With ``A = Z Lambda`` and ``h(u) = u'u/2`` minus the rows' log-likelihoods at ``eta = X beta + A u``, the mode
``u`` of ``-h`` and ``H = I + A'WA`` there,

    log L = -h(u) - log|H| / 2

(Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1), penalised least squares; here iteratively
reweighted with observed weights). ``H`` is arranged as ``[[D, B], [B', C]]``: ``D`` has one small block per
level of the effect with most of them (the inner one) and is eliminated first; the rest is dense.

Gradient: with ``P`` the inverse of ``H``, the leverages ``c_i = a_i'P a_i`` and ``l = P A'(c v)``, the
movement of the mode included,

    d log L = rho'd eta - r'(dA l)/2 - sum_i w_i (dA)_i P a_i,    rho = r - c v / 2 + w (A l) / 2

where ``d eta = X d beta + dA u``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.binary_problem import Codes, Evaluation, Problem, level_sums
from studykit.mixed.parameters import triangle

Array = NDArray[np.float64]

SETTLED = 1e-14
CALM = 0.5
MOST = 200


@dataclass(frozen=True, slots=True, eq=False)
class Curvature:
    """``H`` factored; symbols as above.

    Parameters
    ----------
    D_inverse : ndarray, shape (levels, q, q)
    E : ndarray, shape (levels, q, outer)
        ``D^-1 B``.
    S_inverse : ndarray, shape (outer, outer)
        Inverse of ``C - B'D^-1 B``.
    log_determinant : float
    """

    D_inverse: Array
    E: Array
    S_inverse: Array
    log_determinant: float

    def solve(self, inner: Array, outer: Array) -> tuple[Array, Array]:
        """``P`` times a vector given as (levels, q) and (outer,)."""
        last = self.S_inverse @ (outer - np.einsum("jqo,jq->o", self.E, inner))
        first = np.einsum("jqr,jr->jq", self.D_inverse, inner) - self.E @ last
        return first, last

    def inner_blocks(self) -> Array:
        """Blocks of ``P`` of the inner levels, shape (levels, q, q)."""
        return np.asarray(
            self.D_inverse + np.einsum("jqo,jro->jqr", self.E @ self.S_inverse, self.E, optimize=True)
        )


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """What every row multiplies: inner columns, outer columns and their places.

    Parameters
    ----------
    a : ndarray, shape (n, q)
        Inner columns of ``A``.
    b : ndarray, shape (n, t)
        Outer columns of ``A`` that the row touches.
    codes : ndarray of int, shape (n,)
        Inner level.
    places : ndarray of int, shape (n, t)
        Places of the outer columns among all outer random effects.
    levels, outer : int
    """

    a: Array
    b: Array
    codes: Codes
    places: Codes
    levels: int
    outer: int

    def predictor(self, inner: Array, outer: Array) -> Array:
        """``A u`` (n,)."""
        total = (self.a * inner[self.codes]).sum(axis=1)
        return np.asarray(total + (self.b * outer[self.places]).sum(axis=1) if self.outer else total)

    def sums(self, values: Array) -> tuple[Array, Array]:
        """``A'`` times a vector (n,)."""
        inner = np.stack(
            [level_sums(self.codes, column * values, self.levels) for column in self.a.T], axis=1
        )
        weighted = (self.b * values[:, None]).ravel()
        outer = level_sums(self.places.ravel(), weighted, self.outer)[: self.outer]
        return inner, outer

    def curvature(self, w: Array) -> Curvature:
        """``I + A'WA``, factored."""
        q = self.a.shape[1]
        wa = self.a * w[:, None]
        D = np.empty((self.levels, q, q))
        for i in range(q):
            for j in range(i + 1):
                D[:, i, j] = D[:, j, i] = level_sums(self.codes, wa[:, i] * self.a[:, j], self.levels)
        D[:, range(q), range(q)] += 1.0
        D_inverse = 1.0 / D if q == 1 else np.asarray(np.linalg.inv(D), float)
        log_determinant = float(np.log(D).sum() if q == 1 else np.linalg.slogdet(D)[1].sum())
        K = self.outer
        if not K:
            return Curvature(D_inverse, np.zeros((self.levels, q, 0)), np.zeros((0, 0)), log_determinant)
        cells = (self.codes[:, None] * q + np.arange(q))[:, :, None] * K + self.places[:, None, :]
        B = level_sums(cells.ravel(), (wa[:, :, None] * self.b[:, None, :]).ravel(), self.levels * q * K)
        B = B.reshape(self.levels, q, K)
        pairs = self.places[:, :, None] * K + self.places[:, None, :]
        products = (self.b * w[:, None])[:, :, None] * self.b[:, None, :]
        C = level_sums(pairs.ravel(), products.ravel(), K * K).reshape(K, K) + np.eye(K)
        E = D_inverse * B if q == 1 else D_inverse @ B
        S = C - B.reshape(-1, K).T @ E.reshape(-1, K)
        S_inverse = np.asarray(np.linalg.inv(S), float)
        return Curvature(D_inverse, E, S_inverse, log_determinant + float(np.linalg.slogdet(S)[1]))

    def inverse_times_rows(self, curvature: Curvature) -> tuple[Array, Array]:
        """For every row ``P a_i``, at the random effects that the row touches: (n, q) and (n, t)."""
        inner = np.einsum("nqr,nr->nq", curvature.inner_blocks()[self.codes], self.a)
        if not self.outer:
            return inner, self.b
        F = curvature.E @ curvature.S_inverse
        across = F[
            self.codes[:, None, None], np.arange(self.a.shape[1])[None, :, None], self.places[:, None, :]
        ]
        between = curvature.S_inverse[self.places[:, :, None], self.places[:, None, :]]
        inner = inner - np.einsum("nqt,nt->nq", across, self.b)
        outer = np.einsum("nst,nt->ns", between, self.b) - np.einsum("nqt,nq->nt", across, self.a)
        return inner, outer


def rows_of(problem: Problem, theta: Array) -> Rows:
    """The columns of ``A`` at ``theta``."""
    inner = problem.parts[problem.inner]
    blocks, places, start = [], [], 0
    for number, part in enumerate(problem.parts):
        if number == problem.inner:
            continue
        blocks.append(part.design @ part.factor(theta))
        places.append(start + part.codes[:, None] * part.order + np.arange(part.order))
        start += len(part.levels) * part.order
    n = problem.y.shape[1]
    return Rows(
        inner.design @ inner.factor(theta),
        np.concatenate(blocks, axis=1) if blocks else np.zeros((n, 0)),
        inner.codes,
        np.concatenate(places, axis=1) if places else np.zeros((n, 0), np.intp),
        len(inner.levels),
        start,
    )


def evaluate(problem: Problem, x: Array, start: Array) -> Evaluation:
    """Log-likelihoods and gradients at ``x`` (m, size); modes are searched from ``start`` (m, effects)."""
    trials = np.arange(len(x))[:, None]
    found = [_evaluate(problem.take(trial), x[trial[0]], start[trial[0]]) for trial in trials]
    value, gradient, modes = zip(*found, strict=True)
    return Evaluation(x, np.array(value), np.array(gradient), np.array(modes))


def _evaluate(problem: Problem, x: Array, start: Array) -> tuple[float, Array, Array]:
    """The same of the only trial: value, gradient (size,), modes (effects,)."""
    p, y, m = problem.coefficients, problem.y[0], problem.m[0]
    rows = rows_of(problem, x[p:])
    offset = problem.predictor(x[None, :p])[0]
    inner, outer = find_modes(problem, rows, offset, *_split(problem, start))
    eta = offset + rows.predictor(inner, outer)
    r, w, v = problem.link.derivatives(y, m, eta)
    curvature = rows.curvature(w)
    value = float(
        problem.link.log_likelihood(y, m, eta).sum()
        - 0.5 * ((inner**2).sum() + outer @ outer + curvature.log_determinant)
    )
    Pa, Pb = rows.inverse_times_rows(curvature)
    leverage = (rows.a * Pa).sum(axis=1) + (rows.b * Pb).sum(axis=1)
    shift = curvature.solve(*rows.sums(leverage * v))
    rho = r - 0.5 * leverage * v + 0.5 * w * rows.predictor(*shift)
    modes, shifts = _joined(problem, inner, outer), _joined(problem, *shift)
    gradient = [problem.by_coefficient(rho[None])[0]]
    column = 0
    parts = zip(problem.parts, problem.by_part(modes), problem.by_part(shifts), strict=True)
    for number, (part, mode, moving) in enumerate(parts):
        if number == problem.inner:
            turned = Pa
        else:
            turned = Pb[:, column : column + part.order]
            column += part.order
        moved = rho[:, None] * mode[part.codes] - 0.5 * r[:, None] * moving[part.codes] - w[:, None] * turned
        gradient.append((part.design.T @ moved)[triangle(part.order)])
    return value, np.concatenate(gradient), modes


def find_modes(
    problem: Problem, rows: Rows, offset: Array, inner: Array, outer: Array
) -> tuple[Array, Array]:
    """Mode of all random effects by Newton steps (iteratively reweighted penalised least squares)."""
    link, y, m = problem.link, problem.y[0], problem.m[0]
    for _ in range(MOST):
        r, w, _ = link.derivatives(y, m, offset + rows.predictor(inner, outer))
        first, last = rows.sums(r)
        first, last = first - inner, last - outer
        step = rows.curvature(w).solve(first, last)
        settled = float((first * step[0]).sum() + last @ step[1]) < SETTLED
        length = 1.0
        if not settled and np.abs(rows.predictor(*step)).max() > CALM:
            length = _length(problem, rows, offset, (inner, outer), step)
        inner, outer = inner + length * step[0], outer + length * step[1]
        if settled:
            break
    return inner, outer


def conditional_covariances(problem: Problem, at: Evaluation) -> tuple[Array, ...]:
    """Blocks of ``P`` (levels, q, q) of the only trial's standardised random effects, parameters known."""
    p = problem.coefficients
    rows = rows_of(problem, at.x[0, p:])
    eta = problem.predictor(at.x[:, :p])[0] + rows.predictor(*_split(problem, at.modes[0]))
    curvature = rows.curvature(problem.link.derivatives(problem.y[0], problem.m[0], eta)[1])
    blocks, start = [], 0
    for number, part in enumerate(problem.parts):
        if number == problem.inner:
            blocks.append(curvature.inner_blocks())
            continue
        size = len(part.levels) * part.order
        places = start + np.arange(size).reshape(-1, part.order)
        blocks.append(curvature.S_inverse[places[:, :, None], places[:, None, :]])
        start += size
    return tuple(blocks)


def _length(
    problem: Problem, rows: Rows, offset: Array, at: tuple[Array, Array], step: tuple[Array, Array]
) -> float:
    def height(length: float) -> float:
        inner, outer = at[0] + length * step[0], at[1] + length * step[1]
        eta = offset + rows.predictor(inner, outer)
        rise = problem.link.log_likelihood(problem.y[0], problem.m[0], eta).sum()
        return float(rise - 0.5 * ((inner**2).sum() + outer @ outer))

    before, length = height(0.0), 1.0
    for _ in range(40):
        if height(length) >= before:
            break
        length *= 0.5
    return length


def _split(problem: Problem, modes: Array) -> tuple[Array, Array]:
    """Inner random effects (levels, q) and all others in one row, from those of all parts in one row."""
    pieces = problem.by_part(modes)
    inner = pieces.pop(problem.inner)
    return inner, np.concatenate([piece.ravel() for piece in pieces]) if pieces else np.zeros(0)


def _joined(problem: Problem, inner: Array, outer: Array) -> Array:
    """The way back."""
    before = sum(len(part.levels) * part.order for part in problem.parts[: problem.inner])
    return np.concatenate([outer[:before], inner.ravel(), outer[before:]])
