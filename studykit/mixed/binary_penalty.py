"""Jeffreys' penalty on the fixed effects, and the fit without random effects that the search starts from.

Where the fixed effects tell some outcomes apart without error, their likelihood has no maximum. Half the
logarithm of the determinant of the expected information (Firth 1993, Biometrika 80:27; Heinze & Schemper
2002, Stat Med 21:2409) keeps the coefficients finite. For mixed models it is computed with all random effects
at zero (Sterzinger & Kosmidis 2023, Stat Comput 33:53, from memory), here with weight one, so that a variance
of zero gives Firth's logistic regression. Variances are not penalised.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.binary_problem import Problem

Array = NDArray[np.float64]

SURE = 6e-6  # variance of one trial, p (1 - p), at which a fit is suspected of running off to infinity
STEPS = 60


@dataclass(frozen=True, slots=True, eq=False)
class IndependentFit:
    """Coefficients (p,) of the fit without random effects, and whether their maximum was found."""

    beta: Array
    converged: bool


def jeffreys(problem: Problem, beta: Array) -> tuple[float, Array]:
    """``log|X'WX| / 2`` with expected weights, and its gradient by ``beta``."""
    X, m = problem.X, problem.m
    w, v = problem.link.expected(X @ beta)
    information = X.T @ (X * (m * w)[:, None])
    sign, log_determinant = np.linalg.slogdet(information)
    if sign <= 0:
        return -np.inf, np.zeros(len(beta))
    leverage = np.einsum("ij,jk,ik->i", X, np.linalg.inv(information), X, optimize=True)
    return 0.5 * float(log_determinant), 0.5 * X.T @ (leverage * m * v)


def fit_independent(problem: Problem, *, penalised: bool) -> IndependentFit:
    """Fisher scoring without random effects, halving steps that lower the (penalised) likelihood."""
    X, y, m, link = problem.X, problem.y, problem.m, problem.link

    def value_of(beta: Array) -> float:
        value = float(link.log_likelihood(y, m, X @ beta).sum())
        return value + jeffreys(problem, beta)[0] if penalised else value

    share = float(y.sum() / m.sum())
    middle = np.log(share / (1.0 - share)) if link.name == "logit" else np.log(-np.log1p(-share))
    beta = np.linalg.solve(X.T @ X, X.sum(axis=0) * middle)
    value = value_of(beta)
    for _ in range(STEPS):
        eta = X @ beta
        probability = link.probability(eta)[0]
        if not penalised and (probability * (1.0 - probability)).min() < SURE:
            return IndependentFit(beta, converged=False)
        score = X.T @ link.score(y, m, eta)
        if penalised:
            score += jeffreys(problem, beta)[1]
        information = X.T @ (X * (m * link.expected(eta)[0])[:, None])
        step = np.linalg.solve(information, score)
        decrement = float(score @ step)
        if decrement < 1e-12:
            return IndependentFit(beta + step, converged=True)
        after = value_of(beta + step)
        for _ in range(30):
            if after >= value:
                break
            step *= 0.5
            after = value_of(beta + step)
        beta, value = beta + step, after
    return IndependentFit(beta, converged=penalised and decrement < 1e-6)
