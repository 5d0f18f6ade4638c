"""What a binary fit says: estimates in the user's units, covariances, boundaries, cautions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed import binary_laplace
from studykit.mixed.binary_checks import Separation
from studykit.mixed.binary_likelihood import likelihood
from studykit.mixed.binary_links import binomial_constants
from studykit.mixed.binary_problem import Codes, Evaluation, Problem
from studykit.mixed.binary_result import BinaryData, BinaryFit, BinaryPrecision
from studykit.mixed.binary_search import FLAT, Optimum, differences
from studykit.mixed.random_effects import RandomEffect
from studykit.mixed.result import (
    Coefficient,
    OptimiserReport,
    RandomEffectCovariance,
    RandomEffectPredictions,
)
from studykit.results import frozen_array

Array = NDArray[np.float64]

BOUNDARY = 1e-8  # share of the largest eigenvalue (at least 1) below which one is zero
FEW_LEVELS = 10
FEW_TRIALS = 5
WIDE = 4.0  # standard deviation on the link scale: odds 50 times higher or lower


@dataclass(frozen=True, slots=True, eq=False)
class UserRows:
    """What the user gave, and for every row (n,) the row of the problem that holds it."""

    y: Array
    m: Array
    X: Array
    names: tuple[str, ...]
    effects: tuple[RandomEffect, ...]
    place: Codes


def assemble(
    problem: Problem, user: UserRows, optimum: Optimum, separation: Separation | None, *, penalised: bool
) -> BinaryFit:
    """The result in the user's units and order of rows."""
    p, at = problem.coefficients, optimum.at
    theta = at.parameters[p:]
    scale = problem.scale()
    values = scale @ at.parameters
    plain = likelihood(problem, at.parameters, at.modes) if penalised else at
    covariance, positive = _covariance(problem, optimum, scale, penalised=penalised)
    converged, message = _verdict(optimum, separation, penalised=penalised, positive=positive)
    factors = tuple(part.factor(theta) / part.unit[:, None] for part in problem.parts)
    errors = np.sqrt(np.diag(covariance)[:p]) if converged else np.full(p, np.nan)
    return BinaryFit(
        coefficients=tuple(
            Coefficient(name, float(value), float(error))
            for name, value, error in zip(user.names, values[:p], errors, strict=True)
        ),
        random_effects=tuple(
            RandomEffectCovariance(part.name, part.columns, frozen_array(L @ L.T), len(part.levels))
            for part, L in zip(problem.parts, factors, strict=True)
        ),
        log_likelihood=plain.value + float(binomial_constants(user.y, user.m)),
        link=problem.link.name,
        quadrature_points=problem.points,
        converged=converged,
        penalised=penalised,
        separation=separation,
        boundary_terms=_boundary_terms(problem, theta),
        cautions=_cautions(problem, factors, separation, penalised=penalised),
        optimiser_report=OptimiserReport(optimum.steps, optimum.decrement, message),
        rows=len(user.y),
        trials=int(user.m.sum()),
        predictions=_predictions(problem, at, factors),
        precision=BinaryPrecision(frozen_array(covariance), frozen_array(_degrees(problem, user))),
        _data=BinaryData(
            frozen_array(user.X),
            tuple(effect.design for effect in user.effects),
            tuple(map(frozen_array, factors)),
            frozen_array(user.m),
            frozen_array(_predictor(problem, at)[user.place]),
        ),
    )


def _predictor(problem: Problem, at: Evaluation) -> Array:
    p = problem.coefficients
    predictor = problem.X @ at.parameters[:p]
    for part, u in zip(problem.parts, at.modes, strict=True):
        predictor += ((part.design @ part.factor(at.parameters[p:])) * u[part.codes]).sum(axis=1)
    return np.asarray(predictor)


def _covariance(problem: Problem, optimum: Optimum, scale: Array, *, penalised: bool) -> tuple[Array, bool]:
    """Inverse joint information of the likelihood itself, and whether it is positive.

    A penalised fit takes the information of the likelihood at the penalised estimate (Heinze & Schemper
    2002). Directions in which the factors can move without changing the likelihood add nothing.
    """
    p = problem.coefficients
    information = optimum.curvature
    if penalised:
        information = differences(
            lambda x, modes: likelihood(problem, x, modes),
            likelihood(problem, optimum.at.parameters, optimum.at.modes),
        )
    values, vectors = np.linalg.eigh(information)
    flat = values <= FLAT * values[-1]
    inverse = (vectors * np.where(flat, 0.0, 1.0 / np.where(flat, 1.0, values))) @ vectors.T
    fixed_is_sure = bool((np.abs(vectors[:p, flat]) < 1e-4).all())
    zero = [
        p + place
        for part in problem.parts
        for place in range(part.places.start, part.places.stop)
        if not part.factor(optimum.at.parameters[p:]).any()
    ]
    inverse[zero, :] = inverse[:, zero] = 0.0
    return scale @ inverse @ scale.T, fixed_is_sure


def _verdict(
    optimum: Optimum, separation: Separation | None, *, penalised: bool, positive: bool
) -> tuple[bool, str]:
    if separation is not None and not penalised:
        return False, f"no finite estimate: {separation}"
    if optimum.converged and not positive:
        return False, "no unique optimum: the likelihood is flat along some fixed effects"
    return optimum.converged, optimum.message


def _predictions(
    problem: Problem, at: Evaluation, factors: tuple[Array, ...]
) -> tuple[RandomEffectPredictions, ...]:
    blocks = binary_laplace.conditional_covariances(problem, at)
    return tuple(
        RandomEffectPredictions(
            part.name,
            tuple(part.levels.tolist()),
            part.columns,
            frozen_array(u @ L.T),
            frozen_array(L @ block @ L.T),
        )
        for part, u, L, block in zip(problem.parts, at.modes, factors, blocks, strict=True)
    )


def _boundary_terms(problem: Problem, theta: Array) -> tuple[str, ...]:
    sentences = []
    for part in problem.parts:
        factor = part.factor(theta)
        matrix = factor @ factor.T
        top = max(float(np.trace(matrix)), 1.0)
        zero = np.diag(matrix) <= BOUNDARY * top
        for column in np.flatnonzero(zero):
            what = part.name if part.order == 1 else f"{part.name} ({part.columns[column]})"
            sentences.append(f"The estimated variance of {what} is zero.")
        if (np.linalg.eigvalsh(matrix) <= BOUNDARY * top).sum() > zero.sum():
            sentences.append(
                f"The estimated covariance of {part.name} is singular: its columns are perfectly correlated."
            )
    return tuple(sentences)


def _cautions(
    problem: Problem, factors: tuple[Array, ...], separation: Separation | None, *, penalised: bool
) -> tuple[str, ...]:
    sentences = []
    if separation is not None:
        sentences.append(str(separation))
    if penalised:
        sentences.append(
            "Jeffreys' penalty keeps the coefficients finite; they are shrunk towards no effect."
        )
    for part, factor in zip(problem.parts, factors, strict=True):
        levels, total = len(part.levels), float(problem.m.sum())
        deviation = float(np.sqrt((factor**2).sum(axis=1).max()))
        if deviation > WIDE:
            sentences.append(
                f"The estimated standard deviation of {part.name} is {deviation:.1f} on the link scale: most "
                "levels have outcomes of one kind only, and what is estimated rests on the few others."
            )
        if levels < FEW_LEVELS:
            sentences.append(
                f"{part.name} has {levels} levels; below {FEW_LEVELS} this model may support, not decide."
            )
        if problem.points == 1 and total / levels < FEW_TRIALS:
            more = "; use more quadrature points" if problem.starts is not None else ""
            sentences.append(
                f"The Laplace approximation is rough with {total / levels:.1f} trials per level of "
                f"{part.name}{more}."
            )
    return tuple(sentences)


def _degrees(problem: Problem, user: UserRows) -> Array:
    """Between-within degrees of freedom (p,), see `BinaryFit.contrast`."""
    X, p = user.X, problem.coefficients
    degrees = np.full(p, np.inf)
    largest, held = 0, 0
    for part in problem.parts:
        codes, levels = part.codes[user.place], len(part.levels)
        anyone = np.zeros(levels, np.intp)
        anyone[codes] = np.arange(len(codes))
        between = (X[anyone[codes]] == X).all(axis=0)
        if levels > largest:
            largest, held = levels, int(between.sum())
        degrees[between] = np.minimum(degrees[between], levels - between.sum())
    return np.where(np.isinf(degrees), user.m.sum() - largest - (p - held), degrees)
