"""Fit a binary mixed model: check, arrange, search, and put together what the fit gives."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.mixed import binary_checks, checks
from studykit.mixed.binary_likelihood import likelihood
from studykit.mixed.binary_links import LINKS, LinkName
from studykit.mixed.binary_penalty import fit_independent, jeffreys
from studykit.mixed.binary_problem import Codes, Evaluation, Problem, arrange, level_sums
from studykit.mixed.binary_result import BinaryFit
from studykit.mixed.binary_search import START, Optimum, search, signed
from studykit.mixed.binary_summary import UserRows, assemble
from studykit.mixed.parameters import triangle
from studykit.mixed.random_effects import RandomEffect, level_codes

Array = NDArray[np.float64]
Penalty = Literal["when separated", "always", "never"]


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
    coded = [level_codes(effect.groups) for effect in effects]
    binary_checks.check_levels(y, m, effects, coded)
    R = checks.check_rank(X, labels)
    binary_checks.check_separable(X, effects, coded)
    problem, place = arrange(y, m, X, R, effects, coded, LINKS[link], quadrature_points)

    first = fit_independent(problem, penalised=False)
    separation = None if first.converged else binary_checks.find_separation(y, m, X, labels)
    penalised = penalty == "always" or (penalty == "when separated" and separation is not None)
    if penalised:
        first = fit_independent(problem, penalised=True)
    optimum = signed(problem, _maximise(problem, first.beta, penalised=penalised))
    data = UserRows(y, m, X, labels, effects, place)
    return assemble(problem, data, optimum, separation, penalised=penalised)


def _maximise(problem: Problem, beta: Array, *, penalised: bool) -> Optimum:
    def objective(parameters: Array, modes: tuple[Array, ...]) -> Evaluation:
        plain = likelihood(problem, parameters, modes)
        if not penalised:
            return plain
        extra, slope = jeffreys(problem, parameters[: problem.coefficients])
        gradient = plain.gradient.copy()
        gradient[: problem.coefficients] += slope
        return Evaluation(parameters, plain.value + extra, gradient, plain.modes)

    start = np.zeros(problem.size)
    start[: problem.coefficients] = beta
    start[problem.diagonal()] = START
    modes = tuple(np.zeros((len(part.levels), part.order)) for part in problem.parts)
    at = objective(start, modes)
    return search(problem, objective, at, _first_information(problem, beta))


def _first_information(problem: Problem, beta: Array) -> Array:
    """A guess of the curvature: weights shrunk as by the first deviations, elements taken apart."""
    w = problem.m * problem.link.expected(problem.X @ beta)[0]
    information = np.zeros((problem.size, problem.size))
    p = problem.coefficients
    information[:p, :p] = problem.X.T @ (problem.X * w[:, None])
    for part in problem.parts:
        for number, (row, column) in enumerate(zip(*triangle(part.order), strict=True)):
            total = level_sums(part.codes, w * part.design[:, row] ** 2, len(part.levels))
            shrunk = total / (1.0 + START**2 * total)
            if row == column:
                information[:p, :p] -= _absorbed(problem, w, part.codes, part.design[:, row], shrunk, total)
            place = p + part.places.start + number
            information[place, place] = max(2.0 * START**2 * float(shrunk @ shrunk), 0.5)
    values, vectors = np.linalg.eigh(information[:p, :p])
    floor = 0.05 * float(w.sum())
    information[:p, :p] = (vectors * np.maximum(values, floor)) @ vectors.T
    return information


def _absorbed(problem: Problem, w: Array, codes: Codes, column: Array, shrunk: Array, total: Array) -> Array:
    sums = np.stack([level_sums(codes, w * column * x, len(total)) for x in problem.X.T], axis=1)
    scale = START**2 * shrunk / np.maximum(total, 1e-300)
    return np.asarray(sums.T @ (sums * scale[:, None]))


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
