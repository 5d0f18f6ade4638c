"""The optimum: exact Newton steps in ``psi``, kept inside a trust radius, polished to the last digits.

The search starts after two scoring steps from equal shares of the spread. With ``V`` linear in ``eta``, the
restricted likelihood's scoring step from any ``V`` solves ``sum_j tr(P V_i P V_j) eta_j = y' P V_i P y``
(minimum norm quadratic estimation, Rao 1971).

After every step the covariance is put to its best scale (in closed form). A covariance that has run into
the boundary is put onto it exactly, and kept there if the likelihood does not fall and does not rise on
the way back in; at the boundary the first-order condition is that the derivative by ``G``, seen in the
null space of ``G``, has no negative eigenvalue.

A search on which an unstructured residual becomes singular ends there, without an optimum: where so few
groups were seen at all visits that the means explain some combination of visits, the likelihood rises
without end towards it. A search that turned back from there would do so by the rounding of its numbers, and
so by the unit of the outcome and the order of rows. A search that ends near such a place is taken to its last
digits in units of its own, see `studykit.mixed.conditioning`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.conditioning import conditioned, in_layout, residual_share
from studykit.mixed.derivatives import differentiate
from studykit.mixed.inference import inverse_information
from studykit.mixed.objective import Problem, evaluate
from studykit.mixed.parameters import ParameterMap, nearest_covariance, semidefinite_factor, triangle

Array = NDArray[np.float64]
Trials = NDArray[np.intp]

DECREMENT = 1e-14  # of f; from gradient and Hessian: not touched by the rounding of f itself
SETTLED = 1e-7  # a decrement below which the next one can be foreseen from the last two
MOST_STEPS = 200
CLOSE = 1e-8  # a decrement that is accepted when rounding forbids further steps
SINGULAR = 1e-6  # share of the largest variance: no test can repeat a combination of visits so exactly
SNAP = 1e-6
"""Share of the largest variance below which an eigenvalue is tried at zero."""


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """Where the search ended, for every trial.

    Parameters
    ----------
    psi : ndarray, shape (m, k)
    value : ndarray, shape (m,)
        ``-2 log L``.
    decrement : ndarray, shape (m,)
        Half the fall of ``f`` that the last quadratic model still promised.
    steps : ndarray of int, shape (m,)
    converged : ndarray of bool, shape (m,)
    singular : ndarray of bool, shape (m,)
        Whether an unstructured residual became singular, so that there is no optimum.
    alternating : ndarray of bool, shape (m,)
        Whether an autoregressive residual wants a negative correlation that has no powers: no optimum either.
    """

    psi: Array
    value: Array
    decrement: Array
    steps: NDArray[np.intp]
    converged: NDArray[np.bool_]
    singular: NDArray[np.bool_]
    alternating: NDArray[np.bool_]


@dataclass(slots=True, eq=False)
class Place:
    """Where every trial stands now."""

    psi: Array
    value: Array
    gradient: Array
    hessian: Array
    element_gradient: Array
    singular: NDArray[np.bool_]

    def put(self, trials: Trials, other: Place, chosen: NDArray[np.bool_]) -> None:
        """Put the ``chosen`` of the ``other`` trials in the places of ``trials``."""
        for name in ("psi", "value", "gradient", "hessian", "element_gradient", "singular"):
            getattr(self, name)[trials[chosen]] = getattr(other, name)[chosen]


Look = Callable[[Trials, Array], Place]  # trials and where they go, to what is there


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """How the search of every trial went; symbols as in `Optimum`."""

    steps: Trials
    decrement: Array
    converged: NDArray[np.bool_]

    @classmethod
    def of(cls, m: int) -> Course:
        """Before the first step of ``m`` trials."""
        return cls(np.zeros(m, np.intp), np.full(m, np.inf), np.zeros(m, bool))


def search(problem: Problem, start: Array) -> Optimum:
    """Minimise ``-2 log L`` of every trial from ``start`` (m, k)."""
    m = problem.trials
    place, course = _look(problem, start), Course.of(m)
    open_trials = np.arange(m)
    for _ in range(4):
        descend(_looker(problem), place, open_trials, course)
        open_trials = _settle_boundary(problem, place, open_trials[course.converged[open_trials]])
        if not len(open_trials):
            break
        course.converged[open_trials] = False
    else:
        descend(_looker(problem), place, open_trials, course)
    singular = residual_share(problem, place.psi) < SINGULAR
    _polish(problem, place, np.flatnonzero(~singular), course)
    alternating = ~np.array(problem.layout.residual.even) & (place.psi[:, -1] < 0.0)
    reached = course.converged & ~singular & ~alternating
    return Optimum(place.psi, place.value, course.decrement, course.steps, reached, singular, alternating)


def _polish(problem: Problem, place: Place, trials: Trials, course: Course) -> None:
    """The last digits of searches that end at a nearly singular residual; changes its arguments in place."""
    if not len(trials):
        return
    part = problem if len(trials) == problem.trials else problem.take(trials)
    for numbers, turned, start in conditioned(part, place.psi[trials]):
        if turned.turn is None:
            continue
        own, here = trials[numbers], _look(turned, start)
        last = Course.of(len(own))
        descend(_looker(turned), here, np.arange(len(own)), last)
        here.psi = in_layout(turned, here.psi, place.psi[own])
        place.put(own, here, last.converged)
        done = own[last.converged]
        course.steps[own] += last.steps
        course.decrement[done], course.converged[done] = last.decrement[last.converged], True


def _looker(problem: Problem) -> Look:
    def look(trials: Trials, psi: Array) -> Place:
        return _look(problem if len(trials) == problem.trials else problem.take(trials), psi)

    return look


def _look(problem: Problem, psi: Array) -> Place:
    state = evaluate(problem, psi)
    derivatives = differentiate(problem, state)
    parameters = problem.layout.map
    psi = parameters.scaled(psi, state.scale)
    gradient, hessian = parameters.pull_back(psi, derivatives.gradient, derivatives.hessian)
    bad = ~np.isfinite(state.value + gradient.sum(axis=1) + hessian.sum(axis=(1, 2)))
    if bad.any():
        gradient[bad], hessian[bad] = 0.0, np.eye(parameters.size)
    singular = residual_share(problem, psi) < SINGULAR
    return Place(psi, np.where(bad, np.inf, state.value), gradient, hessian, derivatives.gradient, singular)


def descend(look: Look, place: Place, trials: Trials, course: Course) -> None:
    """Newton steps until the decrement is negligible; changes ``place`` and ``course``."""
    steps, decrement, converged = course.steps, course.decrement, course.converged
    radius = np.full(len(place.psi), 0.5)
    decrement[trials] = np.inf
    for _ in range(MOST_STEPS):
        step, promised = _step(place, trials, radius)
        last = _is_last(promised, decrement[trials]) & (np.linalg.norm(step, axis=1) < radius[trials])
        done = (promised < DECREMENT) & np.isfinite(place.value[trials])
        decrement[trials] = promised
        _finish(place, trials[last & ~done], step[last & ~done], promised[last & ~done])
        steps[trials[last & ~done]] += 1
        converged[trials[last | done]] = True
        going = ~(last | done)
        trials, step, promised = trials[going], step[going], promised[going]
        if not len(trials):
            return
        moved = look(trials, place.psi[trials] + step)
        fall = place.value[trials] - moved.value
        noise = 1e-11 * (1.0 + np.abs(place.value[trials])) + 1e-9
        better = (fall > 1e-4 * promised) | ((promised < 1e-7) & (fall > -noise))
        length = np.linalg.norm(step, axis=1)
        ratio = fall / promised
        grown = np.where(
            (ratio > 0.7) & (length > 0.9 * radius[trials]), 3.0 * radius[trials], radius[trials]
        )
        radius[trials] = np.where(
            better & (ratio > 0.2), grown, np.where(better, radius[trials], 0.3 * length)
        )
        steps[trials] += 1
        place.put(trials, moved, better)
        stuck = radius[trials] < 1e-10
        converged[trials[stuck & (promised < CLOSE)]] = True
        trials = trials[~(stuck | place.singular[trials])]
        if not len(trials):
            return


def _is_last(promised: Array, before: Array) -> NDArray[np.bool_]:
    """Whether the step after this one would promise less than ``DECREMENT``.

    Near the optimum decrements fall quadratically, ``next = c now^2``, with ``c = now / before^2``.
    """
    foreseen = promised * (promised / np.maximum(before, 1e-300)) ** 2
    return np.asarray(np.isfinite(before) & (promised < SETTLED) & (foreseen < 0.01 * DECREMENT))


def _finish(place: Place, trials: Trials, step: Array, promised: Array) -> None:
    """Take the last step; what it promises is exact to the digits that count."""
    place.psi[trials] += step
    place.value[trials] -= promised


def _step(place: Place, trials: Trials, radius: Array) -> tuple[Array, Array]:
    """Newton step inside the trust radius and the fall it promises."""
    values, vectors = np.linalg.eigh(place.hessian[trials])
    slope = (vectors.swapaxes(1, 2) @ place.gradient[trials][..., None])[..., 0]
    floor = 1e-9 * np.abs(values).max(axis=1, keepdims=True) + 1e-300
    size = np.maximum(np.abs(values), floor)
    along = -slope / size
    along *= np.minimum(1.0, radius[trials] / np.maximum(np.linalg.norm(along, axis=1), 1e-300))[:, None]
    promised = -(slope * along).sum(axis=1) - 0.5 * (values * along**2).sum(axis=1)
    return (vectors @ along[..., None])[..., 0], np.maximum(promised, 0.0)


def _settle_boundary(problem: Problem, place: Place, trials: Trials) -> Trials:
    """Put near-zero variances to zero where that is right; the trials that must go on searching."""
    parameters = problem.layout.map
    trials = trials[parameters.least_share(parameters.elements(place.psi[trials])) < SNAP]
    if not len(trials):
        return trials
    moved = _move(
        problem, place, trials, _snapped(parameters, parameters.elements(place.psi[trials])), higher=1e-7
    )
    inward = _way_in(parameters, parameters.elements(place.psi[trials]), place.element_gradient[trials])
    freed = _move(problem, place, trials, inward, higher=np.inf)
    return np.union1d(moved, freed).astype(np.intp)


def _move(
    problem: Problem,
    place: Place,
    trials: Trials,
    points: tuple[Array, NDArray[np.bool_]],
    *,
    higher: float,
) -> Trials:
    """Go to the elements given where ``f`` is finite and not higher than before by more than ``higher``."""
    elements, chosen = points
    trials = trials[chosen]
    if not len(trials):
        return trials
    looked = _look(problem.take(trials), problem.layout.map.factors(elements[chosen]))
    allowed = np.isfinite(looked.value) & (looked.value <= place.value[trials] + higher)
    place.put(trials, looked, allowed)
    return trials[allowed]


def _snapped(parameters: ParameterMap, eta: Array) -> tuple[Array, NDArray[np.bool_]]:
    """The elements (m, k) with small eigenvalues at exactly zero, and where anything was put there."""
    largest = parameters.largest_trace(eta)[:, None]
    result = eta.copy()
    for block in parameters.blocks:
        values, vectors = np.linalg.eigh(block.matrix(eta))
        small = (values < SNAP * largest) & (values != 0.0)
        lowest = np.arange(block.order) < small.sum(axis=1, keepdims=True)
        negligible = np.abs(values) <= 1e-14 * np.maximum(values[:, -1:], 1e-300)
        chosen = small.any(axis=1) & ~(negligible | ~lowest).all(axis=1)
        kept = np.where(small, 0.0, values)
        matrix = (vectors * kept[:, None, :]) @ vectors.swapaxes(1, 2)
        gone = np.abs(np.diagonal(matrix, axis1=1, axis2=2)) <= SNAP * largest
        matrix = np.where(gone[:, :, None] | gone[:, None, :], 0.0, matrix)
        rows, columns = triangle(block.order)
        result[chosen, block.start : block.stop] = matrix[chosen][:, rows, columns]
    return result, (result != eta).any(axis=1)


def _way_in(parameters: ParameterMap, eta: Array, gradient: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Points inside from which the likelihood rises, where a matrix at its boundary should leave it."""
    largest = parameters.largest_trace(eta)
    result = eta.copy()
    for block in parameters.blocks:
        matrix = block.matrix(eta)
        values, vectors = np.linalg.eigh(matrix)
        null = values < SNAP * largest[:, None]
        pull = vectors.swapaxes(1, 2) @ block.gradient_matrix(gradient) @ vectors
        pull = np.where(null[:, :, None] & null[:, None, :], pull, 0.0)
        places = np.arange(block.order)
        pull[:, places, places] += np.where(null, 0.0, np.abs(pull).max(axis=(1, 2))[:, None] + 1.0)
        slopes, directions = np.linalg.eigh(pull)
        chosen = null.any(axis=1) & (slopes[:, 0] * largest < -1e-4)
        way = vectors @ directions[:, :, :1]
        opened = matrix + 0.01 * largest[:, None, None] * (way @ way.swapaxes(1, 2))
        rows, columns = triangle(block.order)
        raised = nearest_covariance(opened[chosen], 0.0)
        result[chosen, block.start : block.stop] = raised[:, rows, columns]
    return result, (result != eta).any(axis=1)


SCORING_STEPS = 2  # a third saves no more Newton steps than it costs
FLOOR = 0.003  # least share of the outcome's variance that any matrix starts with
LARGEST_CORRELATION = 0.8
LEAST_POWER = 0.05  # least autocorrelation to start from where negative ones have no powers


def starting_values(problem: Problem) -> tuple[Array, Array]:
    """``psi`` (m, k) to start from, and the expected information (m, k, k) at equal shares.

    Outcomes are expected with residual variance about one by least squares.
    """
    parameters = problem.layout.map
    effects = len(problem.layout.effects)
    eta = np.zeros(parameters.size)
    for number, block in enumerate(parameters.blocks):
        share = 0.5 / effects if number < effects else 0.5
        rows, columns = triangle(block.order)
        eta[block.start : block.stop] = np.where(rows == columns, share, 0.0)
    psi, information = np.tile(parameters.factors(eta), (problem.trials, 1)), None
    for _ in range(SCORING_STEPS):
        state = evaluate(problem, psi, rescale=False)
        derivatives = differentiate(problem, state)
        if information is None:
            information = 0.5 * derivatives.trace
        step = 0.5 * inverse_information(derivatives.trace) @ derivatives.gradient[..., None]
        psi = _inside(problem, state.eta - step[..., 0])
    assert information is not None
    return psi, information


def _inside(problem: Problem, eta: Array) -> Array:
    """Factors (m, k) of the nearest elements that are well inside their range."""
    parameters = problem.layout.map
    lowest = -LARGEST_CORRELATION if problem.layout.residual.even else LEAST_POWER
    psi = np.clip(eta, lowest, LARGEST_CORRELATION)  # what is not a covariance stays so
    for block in parameters.blocks:
        rows, columns = triangle(block.order)
        factor = semidefinite_factor(nearest_covariance(block.matrix(eta), FLOOR))
        psi[:, block.start : block.stop] = factor[:, rows, columns]
    return np.asarray(psi)
