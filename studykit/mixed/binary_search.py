"""The outer search: quasi-Newton steps on the exact gradient, then Newton steps on its differences.

The curvature is taken by central differences of the exact gradient at the optimum, for coefficients and
deviations jointly; it decides convergence, and standard errors rest on it. A deviation of zero is stationary
by symmetry; it counts as the optimum only where the curvature there says so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.binary_problem import Evaluation, Problem
from studykit.mixed.parameters import triangle

Array = NDArray[np.float64]
Objective = Callable[[Array, tuple[Array, ...]], Evaluation]

START = 0.6  # standard deviation that the search starts from, on the link scale
LONGEST_FIXED = 2.0  # longest step of the coefficients: root mean square change of the linear predictor
LONGEST_FACTOR = 0.8  # longest step of a factor, relative to the largest factor where that is above one
QUASI = 1e-11  # rise still promised at which the quasi-Newton steps end
DONE = 1e-10  # and at which a Newton step with the true curvature is the last
SMALL = 2e-3  # deviation below which zero is tried
LONGEST_SEARCH = 200
DIFFERENCE = 1e-4
FLAT = 1e-7  # share of the largest curvature below which a direction of the factors is flat
NEARLY_FLAT = 1e-5  # the same where every step upwards was tried in vain: rounding on a flat top


class SearchedPart(Protocol):
    """One random effect among the parameters."""

    @property
    def name(self) -> str:
        """Names it in messages."""
        ...

    @property
    def order(self) -> int:
        """Its columns."""
        ...

    @property
    def places(self) -> slice:
        """Where its factor stands after the coefficients."""
        ...

    def factor(self, theta: Array) -> Array:
        """The lower triangular factor."""
        ...


class Searched(Protocol):
    """What the search has to know: coefficients first, then the factors of the random effects."""

    @property
    def coefficients(self) -> int:
        """Number of coefficients."""
        ...

    @property
    def size(self) -> int:
        """Number of parameters."""
        ...

    @property
    def weight(self) -> float:
        """Curvature to start from, in order of magnitude, where nothing is known."""
        ...

    @property
    def rounding(self) -> float:
        """Rise of the log-likelihood that its own rounding may hide."""
        ...

    @property
    def limit(self) -> float:
        """Deviation that no data set supports: the search runs off to infinity."""
        ...

    @property
    def parts(self) -> Sequence[SearchedPart]:
        """The random effects."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """Where the search ended.

    Parameters
    ----------
    at : Evaluation
    curvature : ndarray, shape (size, size)
        Minus the matrix of second derivatives of the objective.
    converged : bool
    steps : int
    decrement : float
        Rise of the log-likelihood that another step still promised.
    message : str
    """

    at: Evaluation
    curvature: Array
    converged: bool
    steps: int
    decrement: float
    message: str


def search(problem: Searched, objective: Objective, start: Evaluation, information: Array) -> Optimum:
    """Maximise from ``start``, with a first guess of the curvature (size, size)."""
    at, steps = _quasi_newton(problem, objective, start, information)
    at = _try_zero(problem, objective, at)
    decrement = np.inf
    for _ in range(12):
        if _largest(problem, at.parameters) > problem.limit:
            return Optimum(at, information, False, steps, decrement, _runs_off(problem, at.parameters))
        curvature = differences(objective, at)
        values, vectors = np.linalg.eigh(curvature)
        top = float(values[-1])
        steps += 1
        along = vectors.T @ at.gradient
        uphill = values < -FLAT * top
        if uphill.any():
            better = _leave_saddle(problem, objective, at, vectors[:, int(np.argmin(values))])
            if better is not at:
                at = better
                continue
            if values[0] < -NEARLY_FLAT * top:
                break
        sure = values > FLAT * top
        move = vectors[:, sure] @ (along[sure] / values[sure])
        decrement = float(0.5 * (along[sure] ** 2 / values[sure]).sum())
        after = _climb(problem, objective, at, move)
        if decrement < DONE:
            noise = 1e-13 * (1.0 + abs(at.value))  # what the last step gains is lost in rounding
            last = after if after.value >= at.value - noise else at
            at = _try_zero(problem, objective, last)
            if at is not last:  # the coefficients are still those of the variance before it was put to zero
                p = problem.coefficients
                rest = np.zeros_like(move)
                rest[:p] = np.linalg.solve(curvature[:p, :p], at.gradient[:p])
                at = _climb(problem, objective, at, rest)
            return Optimum(at, curvature, True, steps, decrement, f"optimum reached after {steps} steps")
        if after is at:
            if decrement < problem.rounding:
                message = f"optimum reached after {steps} steps, to within rounding"
                return Optimum(at, curvature, True, steps, decrement, message)
            break
        at = _try_zero(problem, objective, after)
    return Optimum(at, differences(objective, at), False, steps, decrement, f"no optimum after {steps} steps")


def differences(objective: Objective, at: Evaluation) -> Array:
    """Minus the second derivatives, by central differences of the gradient."""
    size = len(at.parameters)
    rows = np.empty((size, size))
    for place in range(size):
        ends = []
        for sign in (1.0, -1.0):
            moved = at.parameters.copy()
            moved[place] += sign * DIFFERENCE
            ends.append(objective(moved, at.modes).gradient)
        rows[place] = (ends[1] - ends[0]) / (2.0 * DIFFERENCE)
    return np.asarray(0.5 * (rows + rows.T))


def _quasi_newton(
    problem: Searched, objective: Objective, at: Evaluation, B: Array
) -> tuple[Evaluation, int]:
    """Broyden-Fletcher-Goldfarb-Shanno steps, damped (Nocedal & Wright 2006, procedure 18.2)."""
    step = 0
    while step < LONGEST_SEARCH:
        step += 1
        move = np.asarray(np.linalg.solve(B, at.gradient), float)
        if 0.5 * float(at.gradient @ move) < QUASI or _largest(problem, at.parameters) > problem.limit:
            break
        after = _climb(problem, objective, at, move)
        if after is at:
            break
        s, change = after.parameters - at.parameters, at.gradient - after.gradient
        Bs = B @ s
        sBs, sy = float(s @ Bs), float(s @ change)
        if sy < 0.2 * sBs:
            mix = 0.8 * sBs / (sBs - sy)
            change = mix * change + (1.0 - mix) * Bs
            sy = float(s @ change)
        B = B - np.outer(Bs, Bs) / sBs + np.outer(change, change) / sy
        at = after
    return at, step


def _climb(problem: Searched, objective: Objective, at: Evaluation, move: Array) -> Evaluation:
    """The step, no longer than the limits, halved until the likelihood rises; ``at`` itself if it cannot."""
    p = problem.coefficients
    reach = LONGEST_FACTOR * max(1.0, _largest(problem, at.parameters))
    length = max(float(np.linalg.norm(move[:p])) / LONGEST_FIXED, float(np.abs(move[p:]).max()) / reach, 1.0)
    move = move / length
    slope = float(at.gradient @ move)
    noise = 1e-13 * (1.0 + abs(at.value))
    for _ in range(40):
        after = objective(at.parameters + move, at.modes)
        if after.value >= at.value + 1e-4 * slope - noise:
            return after
        rise = after.value - at.value
        best = 0.5 * slope / (slope - rise) if np.isfinite(rise) and slope > rise else 0.5
        shorter = min(max(best, 0.1), 0.6)
        move, slope = move * shorter, slope * shorter
        if slope < noise:
            break
    return at


def _try_zero(problem: Searched, objective: Objective, at: Evaluation) -> Evaluation:
    """Small deviations set to zero exactly, where that costs nothing."""
    for part in problem.parts:
        place = problem.coefficients + part.places.start
        if part.order > 1 or not 0.0 < abs(at.parameters[place]) < SMALL:
            continue
        moved = at.parameters.copy()
        moved[place] = 0.0
        zero = objective(moved, at.modes)
        if zero.value >= at.value - 1e-9:
            at = zero
    return at


def _leave_saddle(problem: Searched, objective: Objective, at: Evaluation, direction: Array) -> Evaluation:
    """Along a direction of upward curvature, to the better side, and on from there."""
    best = at
    for length in (0.5, 0.2, 0.05, -0.5, -0.2, -0.05):
        there = objective(at.parameters + length * direction, at.modes)
        best = there if there.value > best.value + 1e-10 else best
    if best is at:
        return at
    guess = np.diag(np.full(problem.size, problem.weight))
    return _try_zero(problem, objective, _quasi_newton(problem, objective, best, guess)[0])


def signed(problem: Problem, optimum: Optimum) -> Optimum:
    """The same optimum with the diagonals of all factors non-negative."""
    sign = np.ones(problem.size)
    modes = []
    for part, u in zip(problem.parts, optimum.at.modes, strict=True):
        factor = part.factor(optimum.at.parameters[problem.coefficients :])
        columns = np.where(np.diag(factor) < 0.0, -1.0, 1.0)
        place = problem.coefficients + part.places.start
        sign[place : place + part.places.stop - part.places.start] = columns[triangle(part.order)[1]]
        modes.append(u * columns)
    at = optimum.at
    return replace(
        optimum,
        at=Evaluation(at.parameters * sign, at.value, at.gradient * sign, tuple(modes)),
        curvature=optimum.curvature * np.outer(sign, sign),
    )


def _largest(problem: Searched, parameters: Array) -> float:
    return float(np.abs(parameters[problem.coefficients :]).max())


def _runs_off(problem: Searched, parameters: Array) -> str:
    theta = parameters[problem.coefficients :]
    name = next(part.name for part in problem.parts if np.abs(part.factor(theta)).max() > problem.limit)
    return f"the variance of {name} grows without end: most levels of {name} have outcomes of one kind only"
