"""Fit a linear mixed model: check, arrange, search, and put together what the fit gives."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import solve_triangular

from studykit.mixed import checks, inference
from studykit.mixed.derivatives import Derivatives, differentiate
from studykit.mixed.layout import Layout, build_layout
from studykit.mixed.objective import Problem, State, build_problem, evaluate
from studykit.mixed.random_effects import RandomEffect
from studykit.mixed.residuals import ResidualStructure
from studykit.mixed.result import (
    Coefficient,
    MixedFit,
    OptimiserReport,
    Precision,
)
from studykit.mixed.search import Optimum, search, starting_values
from studykit.mixed.summary import (
    boundary_terms,
    covariance_parameters,
    element_units,
    fingerprint,
    fitted_and_residuals,
    moments,
    predict,
)
from studykit.results import frozen_array

Array = NDArray[np.float64]


def fit_linear_mixed(
    outcome: ArrayLike,
    fixed_effects: ArrayLike,
    random_effects: RandomEffect | Sequence[RandomEffect],
    *,
    names: Sequence[str] | None = None,
    residual: ResidualStructure | None = None,
    reml: bool = True,
) -> MixedFit:
    """Fit ``y = X beta + sum Z_k b_k + e`` by REML or maximum likelihood.

    Parameters
    ----------
    outcome : array_like, shape (n,)
        Finite numbers, any unit.
    fixed_effects : array_like, shape (n, p)
        Columns of the mean, an intercept included if there is one; of full rank.
    random_effects : RandomEffect or sequence of RandomEffect
        Any number, nested or crossed; may be empty if the residual structure carries the correlation.
    names : sequence of str, optional
        Names of the fixed effects; ``x1``, ``x2``, … by default.
    residual : ResidualStructure, optional
        Equal variances by default.
    reml : bool
        False for maximum likelihood.

    Returns
    -------
    MixedFit
        Also when the search did not converge (``converged`` is then False).

    Raises
    ------
    ArgumentError
        Wrong shapes, text, values that are not finite, names that do not fit.
    DesignError
        A factor with one level, as many random effects as rows, a fixed effect that repeats others,
        variances that the rows cannot tell apart, crossed factors of too many levels.

    Notes
    -----
    Variances at zero stay in the model, at zero, and are named in ``boundary_terms``; inference goes on.
    Time and memory grow with the kinds of blocks, not with the rows; factors of many hundred levels that
    cross are refused by name.

    Examples
    --------
    Shoe wear of ten boys, two materials (Box, Hunter & Hunter 1978); the paired t-test gives t(9) = 3.349.

    >>> a = [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3]
    >>> b = [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6]
    >>> material = np.repeat([0.0, 1.0], 10)
    >>> fit = fit_linear_mixed(
    ...     a + b,
    ...     np.column_stack([np.ones(20), material]),
    ...     RandomEffect("boy", np.tile(np.arange(10), 2)),
    ...     names=["mean of A", "B minus A"],
    ... )
    >>> wear = fit.contrast({"B minus A": 1})
    >>> round(wear.value, 3), round(wear.statistic, 3), round(wear.degrees_of_freedom, 6)
    (0.41, 3.349, 9.0)
    """
    effects = (random_effects,) if isinstance(random_effects, RandomEffect) else tuple(random_effects)
    residual = ResidualStructure() if residual is None else residual
    y = checks.check_numbers(outcome, "outcome", 1)
    X = checks.check_numbers(fixed_effects, "fixed effects", 2)
    labels = checks.check_names(names, X.shape[1])
    checks.check_shapes(y, X, effects, residual)
    checks.check_levels(effects, len(y))
    R = checks.check_rank(X, labels)
    return _fit(y, X, R, labels, build_layout(len(y), effects, residual), reml=reml)


def _fit(y: Array, X: Array, R: Array, names: tuple[str, ...], layout: Layout, *, reml: bool) -> MixedFit:
    """The fit itself; works on orthonormal fixed effects and a centred, scaled outcome."""
    Q = solve_triangular(R, X.T, trans="T").T
    ordinary = Q.T @ y
    left = y - Q @ ordinary
    ordinary += Q.T @ left
    left = y - Q @ ordinary
    spread = float(np.sqrt(left @ left / (len(y) - X.shape[1])))
    if spread <= 1e-14 * float(np.abs(y).max(initial=0.0)):
        spread = 1.0
    problem = build_problem(layout, (left / spread)[None], Q[None], reml=reml)
    start, information = starting_values(problem)
    checks.check_identified(information[0], layout.element_names)
    optimum = search(problem, start)
    state = evaluate(problem, optimum.psi)
    derivatives = differentiate(problem, state)
    share = layout.map.residual_share(state.eta, len(layout.effects))
    lost = bool(checks.lost_residuals(share, layout.effects, X.shape[1], problem.rows)[0])
    lost = bool(optimum.singular[0]) or (lost and checks.explains_all(layout.effects, Q))
    fixed = inference.fixed_effects(problem, state, derivatives)
    inverse = solve_triangular(R, np.eye(len(R)))
    precision = _precision(problem, state, derivatives, fixed, spread * inverse)
    beta = inverse @ (ordinary + spread * fixed.beta[0])
    found = moments(layout, state, Q, left / spread)
    means, residuals = fitted_and_residuals(layout, state, found, X @ beta, spread, y)
    constant = 2.0 * np.log(np.abs(np.diag(R))).sum() if reml else 0.0
    shift = 2.0 * (len(y) - (X.shape[1] if reml else 0)) * np.log(spread)
    errors = np.sqrt(np.diag(precision.covariance))
    return MixedFit(
        coefficients=tuple(
            Coefficient(name, float(value), float(error))
            for name, value, error in zip(names, beta, errors, strict=True)
        ),
        covariance_parameters=covariance_parameters(layout, state.eta[0] * element_units(layout, spread)),
        log_likelihood=float(-0.5 * (state.value[0] + constant + shift)),
        reml=reml,
        converged=bool(optimum.converged[0]) and not lost,
        boundary_terms=boundary_terms(layout, state.eta[0]),
        optimiser_report=_report(optimum, lost=lost),
        rows=len(y),
        predictions=predict(layout, state, found, spread),
        precision=precision,
        fingerprint=fingerprint(y, X),
        _fitted=means,
        _residuals=residuals,
    )


def _precision(
    problem: Problem,
    state: State,
    derivatives: Derivatives,
    fixed: inference.FixedEffects,
    back: Array,
) -> Precision:
    """Covariances of the fixed effects in the user's coding and unit, from ``back`` (p, p)."""
    W = inference.inverse_information(derivatives.trace)
    adjusted = (
        inference.adjusted_covariance(problem, state, derivatives, fixed, W)[0]
        if problem.reml
        else fixed.Phi[0]
    )
    K = inference.observed_covariance(problem.layout.map, state.eta, derivatives)[0]
    return Precision(
        covariance=frozen_array(back @ fixed.Phi[0] @ back.T),
        adjusted=frozen_array(back @ adjusted @ back.T),
        slopes=frozen_array(back @ fixed.S[0] @ back.T),
        expected=frozen_array(W[0]),
        observed=frozen_array(K),
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
