"""Fit a linear mixed model, to one outcome or to many at once: check, arrange, search, infer.

Many fits share the rows, the random effects and the residual structure; outcome, fixed effects (a new
allocation) and missing rows may differ in each. They lie along the first axis of every array, and one fit is
a batch of one: a trial's numbers are those of its own single fit, to the last digits of the optimum.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import solve_triangular
from scipy.special import stdtr

from studykit.errors import ArgumentError
from studykit.mixed import checks, inference
from studykit.mixed.conditioning import conditioned
from studykit.mixed.derivatives import differentiate
from studykit.mixed.layout import Layout, build_layout
from studykit.mixed.objective import (
    Problem,
    Whitened,
    build_problem,
    evaluate,
    trials_at_once,
    whiten,
)
from studykit.mixed.pieces import count_kinds
from studykit.mixed.random_effects import RandomEffect
from studykit.mixed.residuals import EQUAL, ResidualStructure
from studykit.mixed.result import Coefficient, MixedFit, OptimiserReport, Precision
from studykit.mixed.search import Optimum, search, starting_values
from studykit.mixed.summary import (
    BOUNDARY,
    boundary_terms,
    covariance_parameters,
    element_units,
    fingerprint,
    fitted_and_residuals,
    moments,
    predict,
)
from studykit.mixed.sums import taken, transposed
from studykit.results import Result, frozen_array

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
ManyDegrees = Literal["kenward-roger", "satterthwaite", "residual"]

MOST_KINDS = 64  # of blocks with different missing rows; or as many as there are blocks


@dataclass(frozen=True, slots=True, eq=False)
class ManyFits(Result):
    """Contrasts of many fits.

    Parameters
    ----------
    value, standard_error, degrees_of_freedom, p_value : ndarray, shape (m, k)
        One row per trial, one column per contrast; ``nan`` where the trial could not be fitted.
    converged, at_boundary : ndarray of bool, shape (m,)
        A trial whose fixed effects or variances its rows cannot identify counts as not converged.
    elements : ndarray, shape (m, e)
        Covariance elements of each fit, in the order of the table in `studykit.mixed.residuals`.
    """

    value: Array
    standard_error: Array
    degrees_of_freedom: Array
    p_value: Array
    converged: NDArray[np.bool_]
    at_boundary: NDArray[np.bool_]
    elements: Array

    def __repr__(self) -> str:
        trials, contrasts = self.value.shape
        return f"ManyFits({trials} trials, {contrasts} contrasts, {int(self.converged.sum())} converged)"


def fit_model(
    y: Array,
    X: Array,
    effects: tuple[RandomEffect, ...],
    *,
    names: tuple[str, ...],
    residual: ResidualStructure,
    reml: bool,
) -> MixedFit:
    """One fit of what `studykit.mixed.model.MixedModel` has checked."""
    layout, white = build_layout(len(y), effects, residual), whiten(y[None], X[None])
    problem = build_problem(layout, white.left, white.Q, reml=reml)
    start, information = starting_values(problem)
    if not checks.identified(information)[0]:
        checks.refuse_unidentified(information[0], layout.element_names)
    optimum = search(problem, start)
    lost = _lost(problem, optimum, white.Q, None) | optimum.singular
    return _assemble(y, X, names, white, problem, optimum, lost=bool(lost[0]))


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
    residual = EQUAL if residual is None else residual
    y, X, used = _arrays(outcomes, fixed_effects, observed)
    checks.check_names(names, X.shape[2])
    checks.check_shapes(y[0], X[0], effects, residual)
    checks.check_levels(effects, y.shape[1])
    M = checks.check_contrasts(contrasts, X.shape[2])
    if degrees_of_freedom not in ("kenward-roger", "satterthwaite", "residual") or (
        degrees_of_freedom == "kenward-roger" and not reml
    ):
        raise ArgumentError(
            where="degrees_of_freedom",
            expected="'kenward-roger' with reml=True, 'satterthwaite' or 'residual'",
            got=f"{degrees_of_freedom!r} with reml={reml}",
        )
    layout = build_layout(y.shape[1], effects, residual)
    value, error, degrees = (np.full((len(y), len(M)), np.nan) for _ in range(3))
    converged, boundary = np.zeros(len(y), bool), np.zeros(len(y), bool)
    elements = np.full((len(y), layout.map.size), np.nan)
    for here in _portions(layout, X.shape[2], used, len(y)):
        rows = None if used is None else used[here]
        for trials, *found in _fit_portion(
            layout, y[here], X if len(X) == 1 else X[here], rows, M, degrees_of_freedom, reml=reml
        ):
            place = here.start + trials
            value[place], error[place], degrees[place], boundary[place], elements[place] = found
            converged[place] = True
    with np.errstate(invalid="ignore", divide="ignore"):
        p_value = 2.0 * stdtr(degrees, -np.abs(value / error))
    return ManyFits(
        frozen_array(value),
        frozen_array(error),
        frozen_array(degrees),
        frozen_array(p_value),
        converged=frozen_array(converged, bool),
        at_boundary=frozen_array(boundary, bool),
        elements=frozen_array(elements),
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
    layout: Layout, y: Array, X: Array, used: Mask | None, M: Array, how: ManyDegrees, *, reml: bool
) -> Iterator[tuple[NDArray[np.intp], Array, Array, Array, Mask, Array]]:
    """Trials that could be fitted: values, errors, degrees of freedom, whether at a boundary, elements."""
    white = whiten(y, X, used)
    rows = np.full(len(y), y.shape[1]) if used is None else used.sum(axis=1)
    trials = np.flatnonzero(white.independent & white.varies & (rows > X.shape[2]))
    if not len(trials):
        return
    problem = build_problem(
        layout,
        white.left[trials],
        taken(white.Q, trials),
        reml=reml,
        observed=None if used is None else used[trials],
    )
    start, information = starting_values(problem)
    known = np.flatnonzero(checks.identified(information))
    if not len(known):
        return
    trials, problem = trials[known], problem.take(known)
    optimum = search(problem, start[known])
    lost = _lost(problem, optimum, taken(white.Q, trials), None if used is None else used[trials])
    reached = np.flatnonzero(optimum.converged & ~lost)
    if not len(reached):
        return
    R = np.broadcast_to(white.R, (len(y), *white.R.shape[1:]))
    for own, part, psi in conditioned(problem.take(reached), optimum.psi[reached]):
        here = trials[reached[own]]
        weights = np.asarray(np.linalg.solve(transposed(R[here]), M.T), float).swapaxes(1, 2)
        estimates, errors, degrees, edge, eta = _infer(part, psi, weights, how)
        ordinary = (weights @ white.ordinary[here][..., None])[..., 0]
        spread = white.spread[here, None]
        elements = eta * element_units(layout, 1.0) * np.where(layout.map.linear, 1.0, spread**2)
        yield here, ordinary + spread * estimates, spread * errors, degrees, edge, elements


def _lost(problem: Problem, optimum: Optimum, Q: Array, used: Mask | None) -> Mask:
    """Whether a residual variance has run to zero, since random and fixed effects explain every row."""
    layout = problem.layout
    share = layout.map.residual_share(layout.map.elements(optimum.psi), len(layout.effects))
    lost = share < checks.LOST
    for trial in np.flatnonzero(lost):
        rows = np.ones(layout.n, bool) if used is None else used[trial]
        lost[trial] = checks.explains_all(layout.effects, Q[0] if len(Q) == 1 else Q[trial], rows)
    return np.asarray(lost)


def _infer(
    problem: Problem, psi: Array, weights: Array, how: ManyDegrees
) -> tuple[Array, Array, Array, Mask, Array]:
    """Contrasts ``weights`` (m, k, p), errors and degrees (m, k), whether at a boundary (m,), elements."""
    state = evaluate(problem, psi)
    derivatives = differentiate(problem, state)
    fixed = inference.fixed_effects(problem, state, derivatives)
    value = (weights @ fixed.beta[..., None])[..., 0]
    covariance = fixed.Phi
    if how == "residual":
        degrees = np.broadcast_to((problem.rows - problem.p)[:, None], value.shape)
    elif how == "kenward-roger":
        spread = inference.inverse_information(derivatives.trace)
        covariance = inference.adjusted_covariance(problem, state, derivatives, fixed, spread)
        degrees = inference.satterthwaite_degrees(weights, fixed.Phi, fixed.S, spread)
    else:
        spread = inference.observed_covariance(problem.layout.map, state.eta, derivatives)
        degrees = inference.satterthwaite_degrees(weights, fixed.Phi, fixed.S, spread)
    error = np.sqrt(((weights @ covariance) * weights).sum(axis=-1))
    eta = problem.elements(state.eta)
    edge = problem.layout.map.least_share(eta, len(problem.layout.effects)) <= BOUNDARY
    return value, error, degrees, edge, eta


def _assemble(
    y: Array,
    X: Array,
    names: tuple[str, ...],
    white: Whitened,
    problem: Problem,
    optimum: Optimum,
    *,
    lost: bool,
) -> MixedFit:
    """The fit in the user's coding and unit."""
    layout, spread, R = problem.layout, float(white.spread[0]), white.R[0]
    ((_, problem, psi),) = conditioned(problem, optimum.psi)
    state = evaluate(problem, psi)
    derivatives = differentiate(problem, state)
    fixed = inference.fixed_effects(problem, state, derivatives)
    W = inference.inverse_information(derivatives.trace)
    adjusted = fixed.Phi
    if problem.reml:
        adjusted = inference.adjusted_covariance(problem, state, derivatives, fixed, W)
    K = inference.observed_covariance(layout.map, state.eta, derivatives)
    inverse = solve_triangular(R, np.eye(len(R)))
    back = spread * inverse
    precision = Precision(
        covariance=frozen_array(back @ fixed.Phi[0] @ back.T),
        adjusted=frozen_array(back @ adjusted[0] @ back.T),
        slopes=frozen_array(back @ fixed.S[0] @ back.T),
        expected=frozen_array(W[0]),
        observed=frozen_array(K[0]),
    )
    beta = inverse @ (white.ordinary[0] + spread * fixed.beta[0])
    eta = problem.elements(state.eta)
    found = moments(layout, state, eta, white.Q[0], white.left[0])
    means, residuals = fitted_and_residuals(layout, eta, found, X @ beta, spread, y)
    constant = 2.0 * np.log(np.abs(np.diag(R))).sum() if problem.reml else 0.0
    shift = 2.0 * (len(y) - (X.shape[1] if problem.reml else 0)) * np.log(spread)
    errors = np.sqrt(np.diag(precision.covariance))
    return MixedFit(
        coefficients=tuple(map(Coefficient, names, beta.tolist(), errors.tolist())),
        covariance_parameters=covariance_parameters(layout, eta[0] * element_units(layout, spread)),
        log_likelihood=float(-0.5 * (state.value[0] + constant + shift)),
        reml=problem.reml,
        converged=bool(optimum.converged[0]) and not lost,
        boundary_terms=boundary_terms(layout, eta[0]),
        optimiser_report=_report(optimum, lost=lost),
        rows=len(y),
        predictions=predict(layout, eta, found, spread),
        precision=precision,
        fingerprint=fingerprint(y, X),
        _fitted=means,
        _residuals=residuals,
    )


def _report(optimum: Optimum, *, lost: bool) -> OptimiserReport:
    steps, decrement = int(optimum.steps[0]), float(optimum.decrement[0])
    if lost:
        message = (
            "a residual variance that runs to zero: random and fixed effects can explain what it is known by"
        )
        return OptimiserReport(steps, decrement, message)
    if optimum.alternating[0]:
        message = (
            "a negative residual autocorrelation, which visits at uneven distances cannot have: use equal or "
            "unstructured residuals"
        )
        return OptimiserReport(steps, decrement, message)
    message = (
        f"optimum reached after {steps} Newton steps"
        if optimum.converged[0]
        else f"no optimum after {steps} Newton steps"
    )
    return OptimiserReport(steps, decrement, message)
