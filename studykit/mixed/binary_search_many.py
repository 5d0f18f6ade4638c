"""The search of `studykit.mixed.binary_search` for many trials at once, with one scalar random effect.

Quasi-Newton steps on the exact gradient, started from and ended by its differences. A trial that is anything
but plain (no maximum without random effects, a saddle, a step that finds no way up) is not pursued: it is
handed back, for a fit of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.binary_penalty import STEPS, SURE
from studykit.mixed.binary_problem import HUGE
from studykit.mixed.binary_quadrature import ScalarRows, evaluate_rows
from studykit.mixed.binary_search import (
    DIFFERENCE,
    DONE,
    FLAT,
    LONGEST_FACTOR,
    LONGEST_FIXED,
    QUASI,
    SMALL,
    START,
)

Array = NDArray[np.float64]
Trials = NDArray[np.intp]

LONGEST_SEARCH = 60


@dataclass(frozen=True, slots=True, eq=False)
class Optima:
    """Where the searches ended.

    Parameters
    ----------
    parameters : ndarray, shape (m, p + 1)
        Coefficients and the deviation, which is not negative.
    value : ndarray, shape (m,)
        Log-likelihood without the binomial coefficients.
    curvature : ndarray, shape (m, p + 1, p + 1)
        Minus its second derivatives.
    found : ndarray of bool, shape (m,)
        False: to be fitted by itself.
    """

    parameters: Array
    value: Array
    curvature: Array
    found: NDArray[np.bool_]


@dataclass(slots=True, eq=False)
class _Places:
    """Where every trial stands."""

    x: Array
    value: Array
    gradient: Array
    modes: Array

    def put(self, trials: Trials, other: _Places, chosen: NDArray[np.bool_]) -> None:
        for name in ("x", "value", "gradient", "modes"):
            getattr(self, name)[trials[chosen]] = getattr(other, name)[chosen]


def search_many(rows: ScalarRows) -> Optima:
    """Maximise the likelihood of every trial."""
    beta, found = independent_many(rows)
    m, p = beta.shape
    levels = len(rows.first)
    here = _look(rows, np.column_stack([beta, np.full(m, START)]), np.zeros((m, levels)))
    curvature = np.tile(np.eye(p + 1), (m, 1, 1))
    fresh = np.zeros(m, bool)
    open_trials = np.flatnonzero(found)
    found = np.zeros(m, bool)
    for _ in range(LONGEST_SEARCH):
        if not len(open_trials):
            break
        open_trials = _refresh(rows, here, curvature, fresh, open_trials)
        values, move, decrement = _newton(curvature[open_trials], here.gradient[open_trials])
        upright = values[:, 0] >= -FLAT * values[:, -1]
        final = fresh[open_trials] & (decrement < DONE)
        after = _climb(rows, here, open_trials, move)
        risen = after.value >= here.value[open_trials]
        found[open_trials[final & upright]] = True
        going = ~final & risen & (np.abs(after.x[:, -1]) < HUGE)
        _learn(curvature, here, after, open_trials, going)
        here.put(open_trials, after, risen)
        _try_zero(rows, here, open_trials)
        open_trials = open_trials[going]
        fresh[open_trials] = False
    sign = np.ones((m, p + 1))
    sign[:, -1] = np.where(here.x[:, -1] < 0.0, -1.0, 1.0)
    return Optima(here.x * sign, here.value, curvature * sign[:, :, None] * sign[:, None, :], found)


def independent_many(rows: ScalarRows) -> tuple[Array, NDArray[np.bool_]]:
    """Coefficients (m, p) without the random effect by Fisher scoring, and where a maximum was found."""
    y, trials, link = rows.y, rows.m, rows.link
    m, p = len(y), rows.X.shape[-1]
    X = rows.X
    share = y.sum(axis=1) / np.broadcast_to(trials, y.shape).sum(axis=1)
    middle = np.log(share / (1.0 - share)) if link.name == "logit" else np.log(-np.log1p(-share))
    cross = np.swapaxes(X, -1, -2) @ X
    target = rows.by_coefficient(np.ones_like(y)) * middle[:, None]
    beta = np.linalg.solve(np.broadcast_to(cross, (m, p, p)), target[..., None])[..., 0]
    value = link.log_likelihood(y, trials, rows.predictor(beta)).sum(axis=1)
    found, lost = np.zeros(m, bool), np.zeros(m, bool)
    for _ in range(STEPS):
        eta = rows.predictor(beta)
        probability = link.probability(eta)[0]
        lost |= np.where(trials > 0.0, probability * (1.0 - probability), 1.0).min(axis=1) < SURE
        if (found | lost).all():
            break
        score = rows.by_coefficient(link.score(y, trials, eta))
        weighted = (trials * link.expected(eta)[0])[..., None] * X
        information = np.swapaxes(np.broadcast_to(X, weighted.shape), 1, 2) @ weighted
        information[lost] = np.eye(p)
        step = np.linalg.solve(information, score[..., None])[..., 0]
        found |= ~lost & ((score * step).sum(axis=1) < 1e-12)
        step[lost] = 0.0
        for _ in range(30):
            after = link.log_likelihood(y, trials, rows.predictor(beta + step)).sum(axis=1)
            worse = (after < value - 1e-12 * (1.0 + np.abs(value))) & ~lost
            if not worse.any():
                break
            step[worse] *= 0.5
        beta, value = beta + step, after
    return beta, found & ~lost


def _look(rows: ScalarRows, x: Array, modes: Array) -> _Places:
    value, gradient, found = evaluate_rows(rows, x, modes)
    return _Places(x, value, gradient, found)


def _refresh(
    rows: ScalarRows, here: _Places, curvature: Array, fresh: NDArray[np.bool_], trials: Trials
) -> Trials:
    """True curvature, by differences, where the search starts or believes it is at its end."""
    _, _, decrement = _newton(curvature[trials], here.gradient[trials])
    stale = trials[~fresh[trials] & (decrement < QUASI)]
    first = trials[(curvature[trials] == np.eye(curvature.shape[1])).all(axis=(1, 2))]
    chosen = np.union1d(stale, first).astype(np.intp)
    if len(chosen):
        curvature[chosen] = _differences(rows.take(chosen), here.x[chosen], here.modes[chosen])
        fresh[chosen] = True
    return trials


def _differences(rows: ScalarRows, x: Array, modes: Array) -> Array:
    """Minus the second derivatives (m, size, size), by central differences of the gradient."""
    result = np.empty((*x.shape, x.shape[1]))
    for place in range(x.shape[1]):
        step = np.zeros(x.shape[1])
        step[place] = DIFFERENCE
        higher, lower = (evaluate_rows(rows, x + sign * step, modes)[1] for sign in (1.0, -1.0))
        result[:, place] = (lower - higher) / (2.0 * DIFFERENCE)
    return 0.5 * (result + result.swapaxes(1, 2))


def _newton(curvature: Array, gradient: Array) -> tuple[Array, Array, Array]:
    """Eigenvalues, steps and the rise that they promise; curvature of the wrong sign is turned."""
    values, vectors = np.linalg.eigh(curvature)
    along = (vectors.swapaxes(1, 2) @ gradient[..., None])[..., 0]
    size = np.maximum(np.abs(values), 1e-9 * np.abs(values).max(axis=1, keepdims=True) + 1e-300)
    move = (vectors @ (along / size)[..., None])[..., 0]
    return values, move, 0.5 * (along**2 / size).sum(axis=1)


def _climb(rows: ScalarRows, here: _Places, trials: Trials, move: Array) -> _Places:
    """The steps, no longer than the limits, each halved until its likelihood does not fall."""
    length = np.maximum(
        np.linalg.norm(move[:, :-1], axis=1) / LONGEST_FIXED, np.abs(move[:, -1]) / LONGEST_FACTOR
    )
    move = move / np.maximum(length, 1.0)[:, None]
    x, modes, before = here.x[trials], here.modes[trials], here.value[trials]
    floor = before - 1e-13 * (1.0 + np.abs(before))
    after = _look(rows.take(trials), x + move, modes)
    for _ in range(25):
        worse = np.flatnonzero(~(after.value >= floor))
        if not len(worse):
            break
        move[worse] *= 0.4
        again = _look(rows.take(trials[worse]), x[worse] + move[worse], modes[worse])
        after.put(worse, again, np.ones(len(worse), bool))
    return after


def _learn(curvature: Array, here: _Places, after: _Places, trials: Trials, going: NDArray[np.bool_]) -> None:
    """Damped quasi-Newton updates (Nocedal & Wright 2006, procedure 18.2)."""
    chosen = trials[going]
    s = after.x[going] - here.x[chosen]
    change = here.gradient[chosen] - after.gradient[going]
    values, vectors = np.linalg.eigh(curvature[chosen])
    B = (vectors * np.abs(values)[:, None, :]) @ vectors.swapaxes(1, 2)
    Bs = (B @ s[..., None])[..., 0]
    sBs, sy = (s * Bs).sum(axis=1), (s * change).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        mix = np.where(sy < 0.2 * sBs, 0.8 * sBs / (sBs - sy), 1.0)[:, None]
        change = mix * change + (1.0 - mix) * Bs
        sy = (s * change).sum(axis=1)
        new = (
            B
            - Bs[:, :, None] * Bs[:, None, :] / sBs[:, None, None]
            + change[:, :, None] * change[:, None, :] / sy[:, None, None]
        )
    usable = np.isfinite(new).all(axis=(1, 2))
    curvature[chosen[usable]] = new[usable]


def _try_zero(rows: ScalarRows, here: _Places, trials: Trials) -> None:
    """Small deviations set to zero exactly, where that costs nothing."""
    small = trials[(np.abs(here.x[trials, -1]) < SMALL) & (here.x[trials, -1] != 0.0)]
    if not len(small):
        return
    x = here.x[small].copy()
    x[:, -1] = 0.0
    zero = _look(rows.take(small), x, here.modes[small])
    here.put(small, zero, zero.value >= here.value[small] - 1e-9)
