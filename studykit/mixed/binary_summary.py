"""What a binary fit says: estimates in the user's units, covariances, boundaries, cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.mixed import binary_laplace
from studykit.mixed.binary_checks import Separation
from studykit.mixed.binary_links import binomial_constants
from studykit.mixed.binary_problem import Codes, Evaluation, Problem
from studykit.mixed.binary_result import BinaryData, BinaryFit, BinaryPrecision
from studykit.mixed.binary_search import FLAT, Optimum, curvature_at, likelihood
from studykit.mixed.random_effects import RandomEffect
from studykit.mixed.result import (
    Coefficient,
    OptimiserReport,
    RandomEffectCovariance,
    RandomEffectPredictions,
)
from studykit.mixed.summary import BOUNDARY, at_boundary
from studykit.results import frozen_array

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

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


def assemble(problem: Problem, user: UserRows, optimum: Optimum, separation: Separation | None) -> BinaryFit:
    """The result in the user's units and order of rows."""
    p, penalised = problem.coefficients, bool(problem.penalised[0])
    theta = optimum.at.x[0, p:]
    scale = problem.scale()
    values = scale @ optimum.at.x[0]
    inverse, positive = joint_covariances(problem, optimum)
    covariance = scale @ inverse[0] @ scale.T
    converged, message = _verdict(optimum, separation, penalised=penalised, positive=bool(positive[0]))
    factors = tuple(part.factor(theta) / part.unit[:, None] for part in problem.parts)
    errors = np.sqrt(np.diag(covariance)[:p]) if converged else np.full(p, np.nan)
    return BinaryFit(
        coefficients=tuple(map(Coefficient, user.names, values[:p].tolist(), errors.tolist())),
        random_effects=tuple(
            RandomEffectCovariance(part.name, part.columns, frozen_array(L @ L.T), len(part.levels))
            for part, L in zip(problem.parts, factors, strict=True)
        ),
        log_likelihood=float(heights(problem, optimum, user.y[None], user.m[None])[0]),
        link=problem.link.name,
        quadrature_points=problem.points,
        converged=converged,
        penalised=penalised,
        separation=separation,
        boundary_terms=_boundary_terms(problem, theta),
        cautions=_cautions(problem, factors, separation, penalised=penalised),
        optimiser_report=OptimiserReport(int(optimum.steps[0]), float(optimum.decrement[0]), message),
        rows=len(user.y),
        trials=int(user.m.sum()),
        predictions=_predictions(problem, optimum.at, factors),
        precision=BinaryPrecision(
            frozen_array(covariance),
            frozen_array(between_within(user.X, user.m[None], [effect.codes for effect in user.effects])[0]),
        ),
        _data=BinaryData(
            frozen_array(user.X),
            tuple(effect.design for effect in user.effects),
            tuple(map(frozen_array, factors)),
            frozen_array(user.m),
            frozen_array(_predictor(problem, optimum.at)[user.place]),
        ),
    )


def heights(problem: Problem, optimum: Optimum, y: Array, m: Array) -> Array:
    """Log-likelihoods (trials,) with all constants, without the penalty; ``y`` and ``m`` are the user's."""
    value, chosen = optimum.at.value.copy(), np.flatnonzero(problem.penalised)
    if len(chosen):
        at = optimum.at.take(chosen)
        value[chosen] = likelihood(problem.take(chosen), at.x, at.modes).value
    return value + binomial_constants(y, m)


def _predictor(problem: Problem, at: Evaluation) -> Array:
    p = problem.coefficients
    predictor = problem.predictor(at.x[:, :p])[0]
    for part, u in zip(problem.parts, problem.by_part(at.modes[0]), strict=True):
        predictor += ((part.design @ part.factor(at.x[0, p:])) * u[part.codes]).sum(axis=1)
    return np.asarray(predictor)


def joint_covariances(problem: Problem, optimum: Optimum) -> tuple[Array, Mask]:
    """Inverse joint information (trials, size, size) of the likelihood itself, and where it is positive.

    A penalised fit takes the information of the likelihood at the penalised estimate (Heinze & Schemper
    2002). Directions in which the factors can move without changing the likelihood add nothing.
    """
    p, information = problem.coefficients, optimum.curvature.copy()
    chosen = np.flatnonzero(problem.penalised)
    if len(chosen):
        plain = replace(problem.take(chosen), penalised=np.zeros(len(chosen), bool))
        information[chosen] = curvature_at(plain, optimum.at.take(chosen))
    values, vectors = np.linalg.eigh(information)
    flat = values <= FLAT * values[:, -1:]
    inverse = (vectors * np.where(flat, 0.0, 1.0 / np.where(flat, 1.0, values))[:, None]) @ vectors.swapaxes(
        1, 2
    )
    sure = (np.where(flat[:, None], np.abs(vectors[:, :p]), 0.0) < 1e-4).all(axis=(1, 2))
    for part in problem.parts:
        places = p + np.arange(part.places.start, part.places.stop)
        known = np.flatnonzero(~optimum.at.x[:, places].any(axis=1))[:, None]
        inverse[known, places, :] = 0.0
        inverse[known, :, places] = 0.0
    return np.asarray(inverse), np.asarray(sure)


def _verdict(
    optimum: Optimum, separation: Separation | None, *, penalised: bool, positive: bool
) -> tuple[bool, str]:
    if separation is not None and not penalised:
        return False, f"no finite estimate: {separation}"
    found, message = bool(optimum.converged[0]), optimum.messages[0]
    if found and not positive:
        return False, "no unique optimum: the likelihood is flat along some fixed effects"
    return found, message


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
        for part, u, L, block in zip(
            problem.parts, problem.by_part(at.modes[0]), factors, blocks, strict=True
        )
    )


def _boundary_terms(problem: Problem, theta: Array) -> tuple[str, ...]:
    sentences: list[str] = []
    for part in problem.parts:
        matrix = part.factor(theta) @ part.factor(theta).T
        floor = BOUNDARY * max(float(np.trace(matrix)), 1.0)
        sentences += at_boundary(part.name, part.columns, matrix, floor)
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


def between_within(X: Array, trials: Array, codes: Sequence[Codes]) -> Array:
    """Between-within degrees of freedom (m, p), see `BinaryFit.contrast`.

    ``X`` (n, p) or (m, n, p), trials of every row (m, n), and the levels of every random effect (n,).
    """
    m, p = len(trials), X.shape[-1]
    degrees, largest, held = np.full((m, p), np.inf), np.zeros(m), np.zeros(m)
    for own in codes:
        order = np.argsort(own, kind="stable")
        starts = np.searchsorted(own[order], np.arange(int(own.max()) + 1))
        levels = (np.add.reduceat(trials[:, order], starts, axis=1) > 0.0).sum(axis=1)
        columns, absent = X[..., order, :], (trials[:, order] == 0.0)[..., None]
        highest = np.maximum.reduceat(np.where(absent, -np.inf, columns), starts, axis=1)
        lowest = np.minimum.reduceat(np.where(absent, np.inf, columns), starts, axis=1)
        between = (highest <= lowest).all(axis=1)
        count = between.sum(axis=1)
        degrees = np.where(between, np.minimum(degrees, (levels - count)[:, None]), degrees)
        held, largest = np.where(levels > largest, count, held), np.maximum(levels, largest)
    within = trials.sum(axis=1) - largest - (p - held)
    return np.asarray(np.where(np.isinf(degrees), within[:, None], degrees))
