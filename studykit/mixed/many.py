"""Many fits at once: every trial along the first axis of the same arrays.

All trials share the rows, the random effects and the residual structure; outcome, fixed effects (a new
allocation) and missing rows may differ in each. The search, its derivatives and Kenward-Roger are those of
a single fit, see `studykit.mixed.objective`: a trial's numbers are those of its own single fit, to the last
digits of the optimum.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtr

from studykit.errors import ArgumentError
from studykit.mixed import checks, inference
from studykit.mixed.derivatives import differentiate
from studykit.mixed.layout import Layout, build_layout
from studykit.mixed.objective import Problem, build_problem, evaluate, trials_at_once
from studykit.mixed.pieces import count_kinds
from studykit.mixed.random_effects import RandomEffect
from studykit.mixed.residuals import ResidualStructure
from studykit.mixed.search import search, starting_values
from studykit.mixed.summary import BOUNDARY
from studykit.results import frozen_array

Array = NDArray[np.float64]
ManyDegrees = Literal["kenward-roger", "satterthwaite", "residual"]

MOST_KINDS = 64  # of blocks with different missing rows; or as many as there are blocks


@dataclass(frozen=True, slots=True, eq=False)
class ManyFits:
    """Contrasts of many fits.

    Parameters
    ----------
    value, standard_error, degrees_of_freedom, p_value : ndarray, shape (m, k)
        One row per trial, one column per contrast; ``nan`` where the trial could not be fitted.
    converged, at_boundary : ndarray of bool, shape (m,)
        A trial whose fixed effects or variances its rows cannot identify counts as not converged.
    """

    value: Array
    standard_error: Array
    degrees_of_freedom: Array
    p_value: Array
    converged: NDArray[np.bool_]
    at_boundary: NDArray[np.bool_]

    def __repr__(self) -> str:
        trials, contrasts = self.value.shape
        return f"ManyFits({trials} trials, {contrasts} contrasts, {int(self.converged.sum())} converged)"


def fit_many_linear_mixed(
    outcomes: ArrayLike,
    fixed_effects: ArrayLike,
    random_effects: RandomEffect | Sequence[RandomEffect],
    *,
    contrasts: ArrayLike,
    observed: ArrayLike | None = None,
    names: Sequence[str] | None = None,
    residual: ResidualStructure | None = None,
    degrees_of_freedom: ManyDegrees = "kenward-roger",
    reml: bool = True,
) -> ManyFits:
    """Fit one model to many outcomes, many allocations, or both.

    Parameters
    ----------
    outcomes : array_like, shape (n,) or (m, n)
        Values of rows that are not observed are ignored and may be ``nan``.
    fixed_effects : array_like, shape (n, p) or (m, n, p)
    random_effects : RandomEffect or sequence of RandomEffect
        The same in every trial.
    contrasts : array_like, shape (p,) or (k, p)
    observed : array_like of bool, shape (m, n), optional
        Rows used in each trial; all by default.
    names : sequence of str, optional
        Names of the fixed effects, for messages.
    residual : ResidualStructure, optional
    degrees_of_freedom : {"kenward-roger", "satterthwaite", "residual"}
        Kenward-Roger needs ``reml=True``; here it is computed whatever the number of rows.
    reml : bool

    Returns
    -------
    ManyFits
        A trial that fails is marked, never an error: in a simulation it is a result.

    Raises
    ------
    ArgumentError
        Shapes that do not fit, values that are not finite in observed rows.
    DesignError
        What is wrong in every trial alike: one level, as many random effects as rows.

    Examples
    --------
    >>> client = np.repeat(np.arange(12), 3)
    >>> visit = np.tile([0.0, 1.0, 2.0], 12)
    >>> rng = np.random.default_rng(1)
    >>> outcomes = rng.normal(size=(50, 12))[:, client] + rng.normal(size=(50, 36))
    >>> X = np.column_stack([np.ones(36), visit])
    >>> fit_many_linear_mixed(outcomes, X, RandomEffect("client", client), contrasts=[0, 1])
    ManyFits(50 trials, 1 contrasts, 50 converged)
    """
    effects = (random_effects,) if isinstance(random_effects, RandomEffect) else tuple(random_effects)
    residual = ResidualStructure() if residual is None else residual
    y, X, used = _arrays(outcomes, fixed_effects, observed)
    checks.check_names(names, X.shape[2])
    checks.check_shapes(y[0], X[0], effects, residual)
    checks.check_levels(effects, y.shape[1])
    M = np.atleast_2d(np.asarray(contrasts, dtype=float))
    if M.shape[1] != X.shape[2] or not M.any(axis=1).all():
        raise ArgumentError(
            where="contrasts",
            expected=f"rows of {X.shape[2]} weights, not all zero",
            got=f"shape {M.shape}",
        )
    if degrees_of_freedom not in ("kenward-roger", "satterthwaite", "residual") or (
        degrees_of_freedom == "kenward-roger" and not reml
    ):
        raise ArgumentError(
            where="degrees_of_freedom",
            expected="'kenward-roger' with reml=True, 'satterthwaite' or 'residual'",
            got=f"{degrees_of_freedom!r} with reml={reml}",
        )
    layout = build_layout(y.shape[1], effects, residual)
    parts = [
        _fit_portion(
            layout,
            y[here],
            X if len(X) == 1 else X[here],
            None if used is None else used[here],
            M,
            degrees_of_freedom,
            reml=reml,
        )
        for here in _portions(layout, X.shape[2], used, len(y))
    ]
    value, error, degrees = (np.concatenate([part[k] for part in parts]) for k in range(3))
    with np.errstate(invalid="ignore", divide="ignore"):
        p_value = 2.0 * stdtr(degrees, -np.abs(value / error))
    return ManyFits(
        frozen_array(value),
        frozen_array(error),
        frozen_array(degrees),
        frozen_array(p_value),
        converged=frozen_array(np.concatenate([part[3] for part in parts]).astype(bool), bool),
        at_boundary=frozen_array(np.concatenate([part[4] for part in parts]).astype(bool), bool),
    )


def _arrays(
    outcomes: ArrayLike, fixed_effects: ArrayLike, observed: ArrayLike | None
) -> tuple[Array, Array, NDArray[np.bool_] | None]:
    """``y`` (m, n), ``X`` (m or 1, n, p), observed rows (m, n); lengths and numbers checked."""
    y = np.array(outcomes, dtype=float, ndmin=2)
    X = np.array(fixed_effects, dtype=float, ndmin=3)
    used = None if observed is None else np.array(observed, dtype=bool, ndmin=2)
    m = max(len(y), len(X), 1 if used is None else len(used))
    lengths = {y.shape[1], X.shape[1], y.shape[1] if used is None else used.shape[1]}
    counts = {len(y), len(X), 1 if used is None else len(used)}
    if y.ndim != 2 or X.ndim != 3 or len(lengths) != 1 or not counts <= {1, m}:
        raise ArgumentError(
            where="many fits",
            expected="outcomes (m, n), fixed effects (n, p) or (m, n, p), observed (m, n)",
            got=f"{y.shape}, {X.shape}, {None if used is None else used.shape}",
        )
    y = np.broadcast_to(y, (m, y.shape[1]))
    if used is not None:
        used = np.broadcast_to(used, y.shape)
    needed = np.isfinite(y) if used is None else np.isfinite(y) | ~used
    if not (needed.all() and np.isfinite(X).all()):
        raise ArgumentError(
            where="many fits", expected="finite numbers in every observed row", got="nan or infinity"
        )
    return np.where(np.isfinite(y), y, 0.0), X, used


def _portions(layout: Layout, p: int, used: NDArray[np.bool_] | None, m: int) -> list[slice]:
    """Trials worked on at once: with few kinds of blocks, and few enough for the processor's cache."""
    most = trials_at_once(layout, p)
    found, waiting = [], [slice(start, min(start + most, m)) for start in range(0, m, most)]
    blocks = sum(len(stack.rows) for stack in layout.stacks)
    while waiting:
        here = waiting.pop(0)
        middle = (here.start + here.stop) // 2
        if used is None or here.start == middle or count_kinds(layout, used[here]) <= max(MOST_KINDS, blocks):
            found.append(here)
        else:
            waiting = [slice(here.start, middle), slice(middle, here.stop), *waiting]
    return found


def _fit_portion(
    layout: Layout,
    y: Array,
    X: Array,
    used: NDArray[np.bool_] | None,
    M: Array,
    degrees_of_freedom: str,
    *,
    reml: bool,
) -> tuple[Array, Array, Array, NDArray[np.bool_], NDArray[np.bool_]]:
    """Value, standard error, degrees of freedom (m, k), converged, at boundary (m,)."""
    m, contrasts = len(y), len(M)
    value, error, degrees = (np.full((m, contrasts), np.nan) for _ in range(3))
    converged, boundary = np.zeros(m, bool), np.zeros(m, bool)
    Q, R, good = _orthonormal(X, used)
    good = np.broadcast_to(good, (m,)).copy()
    present = y if used is None else y * used
    ordinary = (Q.swapaxes(1, 2) @ present[..., None])[..., 0]
    left = present - (Q @ ordinary[..., None])[..., 0]
    rows = np.full(m, float(y.shape[1])) if used is None else used.sum(axis=1).astype(float)
    spread = np.sqrt((left**2).sum(axis=1) / np.maximum(rows - X.shape[2], 1.0))
    good &= (rows > X.shape[2]) & (spread > 1e-14 * np.abs(present).max(axis=1))
    spread = np.where(good, spread, 1.0)
    trials = np.flatnonzero(good)
    if not len(trials):
        return value, error, degrees, converged, boundary
    problem = build_problem(
        layout,
        left[trials] / spread[trials, None],
        Q if len(Q) == 1 else Q[trials],
        reml=reml,
        observed=None if used is None else used[trials],
    )
    start, information = starting_values(problem)
    known = checks.identified(information)
    trials, start = trials[known], start[known]
    problem = problem.take(np.flatnonzero(known))
    if not len(trials):
        return value, error, degrees, converged, boundary
    optimum = search(problem, start)
    share = layout.map.residual_share(layout.map.elements(optimum.psi), len(layout.effects))
    lost = checks.lost_residuals(share, layout.effects, problem.p, problem.rows)
    reached = np.flatnonzero(optimum.converged & ~lost)
    if not len(reached):
        return value, error, degrees, converged, boundary
    trials, problem, psi = trials[reached], problem.take(reached), optimum.psi[reached]
    weights = np.linalg.solve(R.swapaxes(1, 2), np.broadcast_to(M.T, (len(R), *M.T.shape))).swapaxes(1, 2)
    weights = np.broadcast_to(weights, (m, *M.shape))[trials]
    used_weights: Array = weights.astype(np.float64)
    estimates, errors, freedom, edge = _infer(problem, psi, used_weights, degrees_of_freedom)
    of_least_squares = (weights @ ordinary[trials][..., None])[..., 0]
    value[trials] = of_least_squares + spread[trials, None] * estimates
    error[trials] = spread[trials, None] * errors
    degrees[trials] = freedom
    converged[trials], boundary[trials] = True, edge
    return value, error, degrees, converged, boundary


def _orthonormal(X: Array, used: NDArray[np.bool_] | None) -> tuple[Array, Array, NDArray[np.bool_]]:
    """``X = Q R`` over the observed rows, and whether the columns are independent there."""
    seen = X if used is None else X * used[:, :, None]
    Q, R = np.linalg.qr(seen)
    length = np.linalg.norm(seen, axis=1)
    diagonal = np.abs(np.diagonal(R, axis1=1, axis2=2))
    good = np.asarray((diagonal > checks.RANK * np.maximum(length, 1e-300)).all(axis=1))
    R = np.where(good[:, None, None], R, np.eye(R.shape[-1]))
    return Q, R, good


def _infer(
    problem: Problem, psi: Array, weights: Array, degrees_of_freedom: str
) -> tuple[Array, Array, Array, NDArray[np.bool_]]:
    """Contrasts ``weights`` (m, k, p) of every trial, their errors and degrees of freedom."""
    state = evaluate(problem, psi)
    derivatives = differentiate(problem, state)
    fixed = inference.fixed_effects(problem, state, derivatives)
    value = (weights @ fixed.beta[..., None])[..., 0]
    variance = _quadratic(weights, fixed.Phi[:, None])[:, 0]
    edge = problem.layout.map.least_share(state.eta, len(problem.layout.effects)) <= BOUNDARY
    if degrees_of_freedom == "residual":
        degrees = np.broadcast_to((problem.rows - problem.p)[:, None], value.shape)
        return value, np.sqrt(variance), degrees, edge
    slopes = _quadratic(weights, fixed.S)  # (m, elements, contrasts)
    if degrees_of_freedom == "kenward-roger":
        spread = inference.inverse_information(derivatives.trace)
        adjusted = inference.adjusted_covariance(problem, state, derivatives, fixed, spread)
        used = _quadratic(weights, adjusted[:, None])[:, 0]
    else:
        used = variance
        spread = inference.observed_covariance(problem.layout.map, state.eta, derivatives)
    curvature = np.einsum("mik,mij,mjk->mk", slopes, spread, slopes)
    with np.errstate(divide="ignore"):
        degrees = np.where(curvature > 0.0, 2.0 * variance**2 / curvature, np.inf)
    return value, np.sqrt(used), degrees, edge


def _quadratic(weights: Array, matrices: Array) -> Array:
    """``w' A w`` of every contrast and matrix: (m, k, p) and (m, i, p, p) give (m, i, k)."""
    moved = weights[:, None] @ matrices
    return np.asarray((moved * weights[:, None]).sum(axis=-1))
