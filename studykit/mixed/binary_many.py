"""Many binary mixed fits at once: one scalar random effect, every trial along the first axis.

All trials share the rows and the grouping; outcome, fixed effects (a new allocation) and missing rows may
differ in each. A trial's numbers are those of `fit_binary_mixed` for it alone. Trials that are not plain
(separation, a search that needs care) are fitted by that function one by one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtr

from studykit.errors import ArgumentError, DesignError
from studykit.mixed import checks
from studykit.mixed.binary_links import LINKS, LinkName, binomial_constants
from studykit.mixed.binary_model import Penalty, check_options, fit_binary_mixed
from studykit.mixed.binary_problem import alike
from studykit.mixed.binary_quadrature import ScalarRows
from studykit.mixed.binary_result import BinaryFit
from studykit.mixed.binary_search import FLAT
from studykit.mixed.binary_search_many import Optima, search_many
from studykit.mixed.random_effects import RandomEffect, level_codes
from studykit.results import frozen_array

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

NUMBERS_AT_ONCE = 1_000_000  # of the largest array in a portion of trials


@dataclass(frozen=True, slots=True, eq=False)
class ManyBinaryFits:
    """Contrasts of many binary fits, on the link scale.

    Parameters
    ----------
    value, standard_error, degrees_of_freedom, p_value : ndarray, shape (m, k)
        One row per trial, one column per contrast, as `BinaryFit.contrast` gives them; ``nan`` where the
        trial could not be fitted.
    standard_deviation : ndarray, shape (m,)
        Of the random effect, on the link scale, per unit of its column.
    log_likelihood : ndarray, shape (m,)
    converged, at_boundary, penalised : ndarray of bool, shape (m,)
        A trial that a single fit would refuse (outcomes of one kind only, a column that repeats others)
        counts as not converged. Penalised by the rule of `fit_binary_mixed`.
    """

    value: Array
    standard_error: Array
    degrees_of_freedom: Array
    p_value: Array
    standard_deviation: Array
    log_likelihood: Array
    converged: Mask
    at_boundary: Mask
    penalised: Mask

    def __repr__(self) -> str:
        trials, contrasts = self.value.shape
        return (
            f"ManyBinaryFits({trials} trials, {contrasts} contrasts, {int(self.converged.sum())} converged, "
            f"{int(self.penalised.sum())} penalised)"
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Data:
    """Checked arrays: ``y, m`` (trials, n), ``X`` (n, p) or (trials, n, p); absent rows have ``m = 0``."""

    y: Array
    m: Array
    X: Array
    effect: RandomEffect
    codes: NDArray[np.intp]
    M: Array
    link: LinkName
    points: int
    penalty: Penalty

    def take(self, chosen: slice) -> _Data:
        return replace(
            self, y=self.y[chosen], m=self.m[chosen], X=self.X if self.X.ndim == 2 else self.X[chosen]
        )

    def fixed(self, trial: int) -> Array:
        return self.X if self.X.ndim == 2 else np.asarray(self.X[trial])


def fit_many_binary_mixed(
    outcomes: ArrayLike,
    fixed_effects: ArrayLike,
    random_effect: RandomEffect,
    *,
    contrasts: ArrayLike,
    trials: ArrayLike | None = None,
    observed: ArrayLike | None = None,
    link: LinkName = "logit",
    quadrature_points: int = 1,
    penalty: Penalty = "when separated",
) -> ManyBinaryFits:
    """Fit one binary mixed model to many outcomes, many allocations, or both.

    Parameters
    ----------
    outcomes : array_like, shape (n,) or (m, n)
        0 or 1; with ``trials`` the numbers of successes. Values of rows that are not observed are ignored.
    fixed_effects : array_like, shape (n, p) or (m, n, p)
    random_effect : RandomEffect
        One grouping factor with one column, the same in every trial.
    contrasts : array_like, shape (p,) or (k, p)
    trials : array_like, shape (n,) or (m, n), optional
        Trials of every row; one each by default.
    observed : array_like of bool, shape (m, n), optional
        Rows used in each trial; all by default.
    link, quadrature_points, penalty
        As `fit_binary_mixed`.

    Returns
    -------
    ManyBinaryFits
        A trial that fails is marked, never an error: in a simulation it is a result.

    Raises
    ------
    ArgumentError
        Shapes that do not fit, values that are no counts, an unknown link, more than one column.

    Examples
    --------
    Two trials of the same eight trainers; in the second the arms do not differ.

    >>> fits = fit_many_binary_mixed(
    ...     [[6, 8, 5, 7, 9, 7, 10, 8], [6, 8, 5, 7, 6, 8, 5, 7]],
    ...     np.column_stack([np.ones(8), np.repeat([0.0, 1.0], 4)]),
    ...     RandomEffect("trainer", np.arange(8)),
    ...     trials=np.full(8, 12),
    ...     contrasts=[0.0, 1.0],
    ... )
    >>> (fits.value.round(3) + 0.0).tolist(), fits.degrees_of_freedom.tolist()
    ([[0.72], [0.0]], [[6.0], [6.0]])
    """
    data = _check(
        outcomes, fixed_effects, random_effect, contrasts, trials, observed, link, quadrature_points, penalty
    )
    size = data.y.shape[1] * max(1, data.points)
    portion = max(1, NUMBERS_AT_ONCE // size)
    parts = [_fit_portion(data.take(slice(k, k + portion))) for k in range(0, len(data.y), portion)]
    value, error, degrees, deviation, heights, flags = (
        np.concatenate([part[k] for part in parts]) for k in range(6)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        p_value = 2.0 * stdtr(degrees, -np.abs(value / error))
    converged, boundary, penalised = flags.astype(bool).T
    return ManyBinaryFits(
        frozen_array(value),
        frozen_array(error),
        frozen_array(degrees),
        frozen_array(p_value),
        standard_deviation=frozen_array(deviation),
        log_likelihood=frozen_array(heights),
        converged=frozen_array(converged),
        at_boundary=frozen_array(boundary),
        penalised=frozen_array(penalised),
    )


def _check(
    outcomes: ArrayLike,
    fixed_effects: ArrayLike,
    effect: RandomEffect,
    contrasts: ArrayLike,
    trials: ArrayLike | None,
    observed: ArrayLike | None,
    link: LinkName,
    points: int,
    penalty: Penalty,
) -> _Data:
    check_options(link, points, penalty, (effect,))
    y = np.array(outcomes, dtype=float, ndmin=2)
    X = np.array(fixed_effects, dtype=float)
    m = np.array(1.0 if trials is None else trials, dtype=float, ndmin=2)
    used = np.array(True if observed is None else observed, dtype=bool, ndmin=2)
    n = len(effect.groups)
    M = np.atleast_2d(np.asarray(contrasts, dtype=float))
    counts = {len(y), len(m), len(used), len(X) if X.ndim == 3 else 1}
    total = max(counts)
    fits = X.ndim in (2, 3) and X.shape[-2] == n and {y.shape[1], m.shape[1], used.shape[1]} <= {1, n}
    if not fits or not counts <= {1, total} or effect.design.shape[1] != 1:
        raise ArgumentError(
            where="many binary fits",
            expected=f"outcomes, trials and observed (m, {n}), fixed effects ({n}, p) or (m, {n}, p), and a "
            "random effect with one column",
            got=f"{y.shape}, {m.shape}, {used.shape}, {X.shape}, {effect.design.shape[1]} columns",
        )
    if M.shape[1] != X.shape[-1] or not M.any(axis=1).all():
        raise ArgumentError(
            where="contrasts", expected=f"rows of {X.shape[-1]} weights, not all zero", got=f"shape {M.shape}"
        )
    shape = (total, n)
    y, m, used = (np.broadcast_to(part, shape) for part in (y, m, used))
    whole = (y == np.round(y)) & (m == np.round(m)) & (y >= 0) & (y <= m) & (m >= 1)
    if not (whole | ~used).all() or not np.isfinite(X).all():
        raise ArgumentError(
            where="many binary fits",
            expected="whole numbers of successes from 0 to the trials of the row, and finite fixed effects",
            got="other values in an observed row",
        )
    codes = level_codes(effect.groups)[1]
    return _Data(np.where(used, y, 0.0), np.where(used, m, 0.0), X, effect, codes, M, link, points, penalty)


def _fit_portion(data: _Data) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Value, error, degrees (m, k), deviation, log-likelihood (m,), flags (m, 3)."""
    m, k, p = len(data.y), len(data.M), data.X.shape[-1]
    value, error, degrees = (np.full((m, k), np.nan) for _ in range(3))
    deviation, height, flags = np.full(m, np.nan), np.full(m, np.nan), np.zeros((m, 3))
    Q, back, full = _orthogonal(data)
    good = np.flatnonzero(full & _usable(data, Q) & (data.penalty != "always"))
    hard = full & (data.penalty == "always")
    if len(good):
        rows, unit = _rows(data, Q, good)
        optima = search_many(rows)
        covariance, sure = _covariances(optima, p)
        weights = data.M @ (back if back.ndim == 2 else back[good])
        fine = optima.found & sure
        plain = good[fine]
        beta = optima.parameters[:, :p]
        value[good] = (weights @ beta[..., None])[..., 0]
        error[good] = np.sqrt(((weights @ covariance[:, :p, :p]) * weights).sum(axis=-1))
        degrees[good] = _degrees(data, good)
        deviation[good] = optima.parameters[:, p] / unit
        height[good] = optima.value + binomial_constants(data.y[good], data.m[good])
        flags[plain, 0] = 1.0
        flags[plain, 1] = optima.parameters[fine, p] ** 2 <= 1e-8
        hard[good[~fine]] = True
    for trial, fit in _one_by_one(data, np.flatnonzero(hard)):
        estimates = [fit.contrast(row) for row in data.M]
        value[trial] = [estimate.value for estimate in estimates]
        error[trial] = [estimate.standard_error for estimate in estimates]
        degrees[trial] = [estimate.degrees_of_freedom for estimate in estimates]
        deviation[trial] = float(np.sqrt(fit.random_effects[0].matrix[0, 0]))
        height[trial] = fit.log_likelihood
        flags[trial] = True, fit.at_boundary, fit.penalised
    failed = (flags[:, 0] == 0.0) | (degrees < 1.0).any(axis=1)
    for part in (value, error, degrees, deviation, height):
        part[failed] = np.nan
    flags[failed] = 0.0
    return value, error, degrees, deviation, height, flags


def _orthogonal(data: _Data) -> tuple[Array, Array, Mask]:
    """``X`` with orthogonal columns, the way back to the user's, and whether no column repeats others.

    With missing rows, what counts is the columns in the rows that are there; they are orthogonal there only
    as far as needed for the search.
    """
    n, p = data.X.shape[-2:]
    Q, R = np.linalg.qr(data.X)
    full = _independent(R, data.X)
    back = np.linalg.inv(np.where(full[..., None, None], R, np.eye(p))) * np.sqrt(n)
    full = np.broadcast_to(full, (len(data.y),)).copy()
    if (data.m == 0.0).any():
        seen = data.X * (data.m > 0.0)[..., None]
        full &= _independent(np.linalg.qr(seen)[1], seen)
    return Q * np.sqrt(n), np.asarray(back), full


def _independent(R: Array, X: Array) -> Mask:
    """Whether no column of ``X`` repeats others, by its triangular factor."""
    length = np.linalg.norm(X, axis=-2)
    diagonal = np.abs(np.diagonal(R, axis1=-2, axis2=-1))
    return np.asarray((diagonal > checks.RANK * np.maximum(length, 1e-300)).all(axis=-1))


def _usable(data: _Data, Q: Array) -> Mask:
    """What a single fit would refuse: see `studykit.mixed.binary_checks`."""
    levels = int(data.codes.max()) + 1
    indicator = np.zeros((data.y.shape[1], levels))
    indicator[np.arange(data.y.shape[1]), data.codes] = 1.0
    successes, total = data.y @ indicator, data.m @ indicator
    there = (total > 0.0).sum(axis=1)
    both = (successes > 0.0) & (successes < total)
    trials = data.m.sum(axis=1)
    p = data.X.shape[-1]
    z = data.effect.design[:, 0]
    squares = (data.m > 0.0) * z**2 @ indicator
    held = np.zeros_like(squares)
    present = (data.m > 0.0).astype(float)
    basis = np.linalg.qr(Q * present[..., None] if not present.all() else Q)[0]
    for q in np.moveaxis(np.broadcast_to(basis, (len(data.y), *basis.shape[-2:])), 2, 0):
        held += ((present * z * q) @ indicator) ** 2
    own = ((squares - held) > 1e-9 * squares.max(axis=1, keepdims=True)).any(axis=1)
    rows = (data.m > 0.0).sum(axis=1)
    return np.asarray(
        both.any(axis=1) & (there >= 2) & (there < trials) & own & (p <= np.minimum(rows, trials - 1.0))
    )


def _rows(data: _Data, Q: Array, chosen: NDArray[np.intp]) -> tuple[ScalarRows, float]:
    """Rows sorted by level, those that are alike in every trial added up, and the unit of the column."""
    z = data.effect.design[:, 0]
    unit = float(np.sqrt((z**2).mean()))
    y, m, codes = data.y[chosen], data.m[chosen], data.codes
    if Q.ndim == 2:
        first, place = alike([codes], np.column_stack([Q, z]))
        order = np.argsort(codes[first], kind="stable")
        first, place = first[order], np.argsort(order)[place]
        by_kind = np.argsort(place, kind="stable")
        starts = np.searchsorted(place[by_kind], np.arange(len(first)))
        y, m = (np.add.reduceat(part[:, by_kind], starts, axis=1) for part in (y, m))
        X = Q[first]
    else:
        first = np.argsort(codes, kind="stable")
        y, m, X = y[:, first], m[:, first], Q[chosen][:, first]
    sorted_codes = codes[first]
    starts = np.searchsorted(sorted_codes, np.arange(int(codes.max()) + 1))
    rows = ScalarRows(y, m, X, z[first] / unit, sorted_codes, starts, LINKS[data.link], data.points)
    return rows, unit


def _covariances(optima: Optima, p: int) -> tuple[Array, Mask]:
    """Inverse joint information, the deviation left out where it is zero, and where that is possible."""
    values, vectors = np.linalg.eigh(optima.curvature)
    flat = values <= FLAT * values[:, -1:]
    inverse = (
        vectors * np.where(flat, 0.0, 1.0 / np.where(flat, 1.0, values))[:, None, :]
    ) @ vectors.swapaxes(1, 2)
    sure = (np.where(flat[:, None, :], np.abs(vectors[:, :p]), 0.0) < 1e-4).all(axis=(1, 2))
    return np.asarray(inverse), np.asarray(sure)


def _degrees(data: _Data, chosen: NDArray[np.intp]) -> Array:
    """Between-within degrees of freedom (m, k), as `BinaryFit.contrast`."""
    order = np.argsort(data.codes, kind="stable")
    starts = np.searchsorted(data.codes[order], np.arange(int(data.codes.max()) + 1))
    m = data.m[chosen][:, order]
    there = (np.add.reduceat(m, starts, axis=1) > 0.0).sum(axis=1)
    X = np.broadcast_to(data.X if data.X.ndim == 2 else data.X[chosen], (len(chosen), *data.X.shape[-2:]))
    X = X[:, order]
    absent = (m == 0.0)[..., None]
    highest = np.maximum.reduceat(np.where(absent, -np.inf, X), starts, axis=1)
    lowest = np.minimum.reduceat(np.where(absent, np.inf, X), starts, axis=1)
    between = (highest <= lowest).all(axis=1)
    held = between.sum(axis=1)
    within = m.sum(axis=1) - there - (X.shape[2] - held)
    degrees = np.where(between, (there - held)[:, None], within[:, None])
    used = (data.M != 0.0)[None]
    return np.asarray(np.where(used, degrees[:, None, :], np.inf).min(axis=2))


def _one_by_one(data: _Data, trials: NDArray[np.intp]) -> Iterator[tuple[int, BinaryFit]]:
    """Single fits of the trials that need one; without those that a single fit refuses or leaves open."""
    for trial in trials.tolist():
        here = data.m[trial] > 0.0
        effect = RandomEffect(data.effect.name, data.effect.groups[here], data.effect.design[here])
        try:
            fit = fit_binary_mixed(
                data.y[trial, here],
                data.fixed(trial)[here],
                effect,
                trials=data.m[trial, here],
                link=data.link,
                quadrature_points=data.points,
                penalty=data.penalty,
            )
        except DesignError:
            continue
        if fit.converged and (_degrees(data, np.array([trial])) >= 1.0).all():
            yield trial, fit
