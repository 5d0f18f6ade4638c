"""Fit a binary mixed model, to one outcome or to many at once: check, arrange, search, infer.

Many fits share the rows and one scalar random effect; outcome, fixed effects (a new allocation) and missing
rows may differ in each. They lie along the first axis, and one fit is a batch of one: a trial's numbers are
those of `fit_binary_mixed` for it alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtr

from studykit.errors import ArgumentError
from studykit.mixed import binary_checks, checks
from studykit.mixed.binary_checks import Separation
from studykit.mixed.binary_links import LINKS, LinkName
from studykit.mixed.binary_problem import Problem, arrange
from studykit.mixed.binary_result import BinaryFit
from studykit.mixed.binary_search import Optimum, independent, search
from studykit.mixed.binary_summary import UserRows, assemble, between_within, heights, joint_covariances
from studykit.mixed.random_effects import RandomEffect
from studykit.results import Result, frozen_array

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Penalty = Literal["when separated", "always", "never"]

NUMBERS_AT_ONCE = 1_000_000  # of the largest array in a portion of trials


@dataclass(frozen=True, slots=True, eq=False)
class ManyBinaryFits(Result):
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
    M: Array
    link: LinkName
    points: int
    penalty: Penalty

    def take(self, chosen: slice | NDArray[np.intp]) -> _Data:
        return replace(
            self, y=self.y[chosen], m=self.m[chosen], X=self.X if self.X.ndim == 2 else self.X[chosen]
        )


def fit_binary_mixed(
    outcome: ArrayLike,
    fixed_effects: ArrayLike,
    random_effects: RandomEffect | Sequence[RandomEffect],
    *,
    trials: ArrayLike | None = None,
    link: LinkName = "logit",
    quadrature_points: int = 1,
    names: Sequence[str] | None = None,
    penalty: Penalty = "when separated",
) -> BinaryFit:
    """Fit ``link(probability) = X beta + sum Z_k b_k`` with normal ``b_k`` by maximum likelihood.

    Parameters
    ----------
    outcome : array_like, shape (n,)
        0 or 1; with ``trials`` the number of successes.
    fixed_effects : array_like, shape (n, p)
        An intercept included if there is one; of full rank.
    random_effects : RandomEffect or sequence of RandomEffect
        Any number, nested or crossed.
    trials : array_like, shape (n,), optional
        Trials of every row; one each by default.
    link : {"logit", "cloglog"}
        Complementary log-log: ``log(-log(1 - probability))``.
    quadrature_points : int
        1 is the Laplace approximation; more (adaptive Gauss-Hermite) for one random effect with one column.
    names : sequence of str, optional
        Names of the fixed effects; ``x1``, ``x2``, … by default.
    penalty : {"when separated", "always", "never"}
        Jeffreys' penalty on the fixed effects (Firth 1993). The rule, stated beforehand: it is added if and
        only if the fixed effects tell some outcomes apart without error, found by linear programming.

    Returns
    -------
    BinaryFit
        Also when the search did not converge (``converged`` is then False and inference refused).

    Raises
    ------
    ArgumentError
        Wrong shapes, values that are not counts, an unknown link, quadrature for several random effects.
    DesignError
        All outcomes of one kind; a factor with one level, with outcomes of one kind within every level, or
        with as many random effects as trials; columns that repeat others.

    Notes
    -----
    The Laplace approximation uses observed weights for every link. Standard errors rest on the joint
    observed information of coefficients and deviations, not on that of the coefficients given the variance
    (0.5 to 15 % smaller or larger). A variance at zero stays in the model, at zero, and is named.

    Examples
    --------
    Retained clients out of those allocated, for eight trainers, four of whom use partner reps.

    >>> retained = [6, 8, 5, 7, 9, 7, 10, 8]
    >>> clients = [10, 11, 9, 12, 10, 11, 12, 9]
    >>> arm = np.repeat([0.0, 1.0], 4)
    >>> fit = fit_binary_mixed(
    ...     retained,
    ...     np.column_stack([np.ones(8), arm]),
    ...     RandomEffect("trainer", np.arange(8)),
    ...     trials=clients,
    ...     quadrature_points=15,
    ...     names=["intercept", "partner reps"],
    ... )
    >>> risks = fit.standardised_risks({"partner reps": 1}, {"partner reps": 0})
    >>> round(risks.difference.value, 3), risks.difference.degrees_of_freedom
    (0.19, 6.0)
    >>> fit.boundary_terms
    ('The estimated variance of trainer is zero.',)
    """
    effects = (random_effects,) if isinstance(random_effects, RandomEffect) else tuple(random_effects)
    check_options(link, quadrature_points, penalty, effects)
    y, m = binary_checks.check_outcome(outcome, trials)
    X = checks.check_numbers(fixed_effects, "fixed effects", 2)
    labels = checks.check_names(names, X.shape[1])
    binary_checks.check_parts(y, m, X, effects)
    binary_checks.check_levels(y, m, effects)
    checks.check_rank(X, labels)
    binary_checks.check_separable(X, effects)
    problem, place = arrange(y[None], m[None], X, effects, LINKS[link], quadrature_points)
    problem, optimum, separations = _maximise(
        problem, penalty, lambda _: binary_checks.find_separation(y, m, X, labels)
    )
    return assemble(problem, UserRows(y, m, X, labels, effects, place), optimum, separations.get(0))


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
    value, error, degrees, deviation, height, flags = (
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
        log_likelihood=frozen_array(height),
        converged=frozen_array(converged),
        at_boundary=frozen_array(boundary),
        penalised=frozen_array(penalised),
    )


def _maximise(
    problem: Problem, penalty: Penalty, separation: Callable[[int], Separation | None]
) -> tuple[Problem, Optimum, dict[int, Separation]]:
    """The problem with the penalties that the rule asks for, its optimum, and the separated trials."""
    beta, information, found = independent(problem)
    asked = {trial: separation(trial) for trial in np.flatnonzero(~found).tolist()}
    separations = {trial: seen for trial, seen in asked.items() if seen is not None}
    if penalty == "always":
        problem = replace(problem, penalised=np.ones(len(beta), bool))
    elif penalty == "when separated":
        problem = replace(problem, penalised=np.isin(np.arange(len(beta)), list(separations)))
    chosen = np.flatnonzero(problem.penalised)
    if len(chosen):
        beta[chosen], information[chosen], _ = independent(problem.take(chosen))
    return problem, search(problem, beta, information), separations


def _fit_portion(data: _Data) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Value, error, degrees (m, k), deviation, log-likelihood (m,), flags (m, 3)."""
    m, k, p = len(data.y), len(data.M), data.X.shape[-1]
    value, error, degrees = (np.full((m, k), np.nan) for _ in range(3))
    deviation, height, flags = np.full(m, np.nan), np.full(m, np.nan), np.zeros((m, 3))
    seen = data.X if (data.m > 0.0).all() else data.X * (data.m > 0.0)[..., None]
    full = checks.independent_columns(seen, np.linalg.qr(seen)[1])
    good = np.flatnonzero(full & _usable(data, seen))
    if not len(good):
        return value, error, degrees, deviation, height, flags
    own, names = data.take(good), tuple(f"x{number + 1}" for number in range(p))

    def separation(trial: int) -> Separation | None:
        here, X = own.m[trial] > 0.0, own.X if own.X.ndim == 2 else own.X[trial]
        return binary_checks.find_separation(own.y[trial, here], own.m[trial, here], X[here], names)

    problem, _ = arrange(own.y, own.m, own.X, (own.effect,), LINKS[own.link], own.points)
    problem, optimum, separated = _maximise(problem, own.penalty, separation)
    covariance, sure = joint_covariances(problem, optimum)
    every = between_within(own.X, own.m, [own.effect.codes])
    freedom = np.where(own.M != 0.0, every[:, None, :], np.inf).min(axis=2)
    lost = np.isin(np.arange(len(good)), list(separated)) & ~problem.penalised
    fine = optimum.converged & sure & ~lost & (freedom >= 1.0).all(axis=1)
    here, x = good[fine], optimum.at.x[fine]
    weights = np.broadcast_to(own.M @ problem.back, (len(good), k, p))[fine]
    value[here] = (weights @ x[:, :p, None])[..., 0]
    error[here] = np.sqrt(((weights @ covariance[fine, :p, :p]) * weights).sum(axis=-1))
    degrees[here] = freedom[fine]
    deviation[here] = x[:, p] / problem.parts[0].unit
    height[here] = heights(problem, optimum, own.y, own.m)[fine]
    flags[here] = np.column_stack([np.ones(len(here)), x[:, p] ** 2 <= 1e-8, problem.penalised[fine]])
    return value, error, degrees, deviation, height, flags


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
    counts = {len(y), len(m), len(used), len(X) if X.ndim == 3 else 1}
    total = max(counts)
    fits = X.ndim in (2, 3) and X.shape[-2] == n and {y.shape[1], m.shape[1], used.shape[1]} <= {1, n}
    if not fits or not counts <= {1, total} or effect.design.shape[1] != 1:
        raise ArgumentError(
            where="many binary fits",
            expected="shapes that fit together, and a random effect with one column",
            got=f"{y.shape}, {m.shape}, {used.shape}, {X.shape}, {effect.design.shape[1]} columns",
            todo=f"Give outcomes, trials and observed as (m, {n}), fixed effects as ({n}, p) or (m, {n}, p).",
        )
    M = checks.check_contrasts(contrasts, X.shape[-1])
    shape = (total, n)
    y, m, used = (np.broadcast_to(part, shape) for part in (y, m, used))
    whole = (y == np.round(y)) & (m == np.round(m)) & (y >= 0) & (y <= m) & (m >= 1)
    if not (whole | ~used).all() or not np.isfinite(X).all():
        raise ArgumentError(
            where="many binary fits",
            expected="successes from 0 to the trials of the row, and finite fixed effects",
            got="other values in an observed row",
        )
    return _Data(np.where(used, y, 0.0), np.where(used, m, 0.0), X, effect, M, link, points, penalty)


def _usable(data: _Data, seen: Array) -> Mask:
    """What a single fit would refuse: see `studykit.mixed.binary_checks`."""
    levels = int(data.effect.codes.max()) + 1
    indicator = np.zeros((data.y.shape[1], levels))
    indicator[np.arange(data.y.shape[1]), data.effect.codes] = 1.0
    successes, total = data.y @ indicator, data.m @ indicator
    there = (total > 0.0).sum(axis=1)
    both = (successes > 0.0) & (successes < total)
    trials = data.m.sum(axis=1)
    p = data.X.shape[-1]
    z = data.effect.design[:, 0]
    squares = (data.m > 0.0) * z**2 @ indicator
    held = np.zeros_like(squares)
    present = (data.m > 0.0).astype(float)
    basis = np.linalg.qr(seen)[0]
    for q in np.moveaxis(np.broadcast_to(basis, (len(data.y), *basis.shape[-2:])), 2, 0):
        held += ((present * z * q) @ indicator) ** 2
    own = ((squares - held) > 1e-9 * squares.max(axis=1, keepdims=True)).any(axis=1)
    rows = (data.m > 0.0).sum(axis=1)
    return np.asarray(
        both.any(axis=1) & (there >= 2) & (there < trials) & own & (p <= np.minimum(rows, trials - 1.0))
    )


def check_options(link: str, quadrature_points: int, penalty: str, effects: Sequence[RandomEffect]) -> None:
    """Refuse unknown options, and quadrature for what it cannot do."""
    if link not in LINKS:
        raise ArgumentError(where="link", expected=f"one of {', '.join(map(repr, LINKS))}", got=repr(link))
    if penalty not in get_args(Penalty):
        expected = f"one of {', '.join(map(repr, get_args(Penalty)))}"
        raise ArgumentError(where="penalty", expected=expected, got=repr(penalty))
    whole = isinstance(quadrature_points, int | np.integer) and not isinstance(quadrature_points, bool)
    if not whole or quadrature_points < 1:
        raise ArgumentError(
            where="quadrature_points", expected="a whole number of at least 1", got=repr(quadrature_points)
        )
    if quadrature_points > 1 and (len(effects) != 1 or effects[0].design.shape[1] != 1):
        raise ArgumentError(
            where="quadrature_points",
            expected="1 (Laplace) for several random effects or several columns",
            got=repr(quadrature_points),
            todo="Quadrature is for one grouping factor with one column.",
        )
