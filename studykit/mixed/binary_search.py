"""The optimum of every trial: quasi-Newton steps on the exact gradient, and Newton steps on its differences.

The curvature is taken by central differences of the exact gradient where the search starts, where it finds no
way up and where it believes to be at its end, for coefficients and deviations jointly; it decides
convergence, and standard errors rest on it. A deviation of zero is stationary by symmetry; it counts as the
optimum only where the curvature there says so.

Where the fixed effects tell some outcomes apart without error, their likelihood has no maximum. Half the
logarithm of the determinant of the expected information (Firth 1993, Biometrika 80:27; Heinze & Schemper
2002, Stat Med 21:2409) keeps the coefficients finite. For mixed models it is computed with all random effects
at zero (Sterzinger & Kosmidis 2023, Stat Comput 33:53, from memory), here with weight one, so that a variance
of zero gives Firth's logistic regression. Variances are not penalised.

Trials lie along the first axis; one fit is one trial.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.mixed import binary_laplace, binary_quadrature
from studykit.mixed.binary_problem import Evaluation, Problem
from studykit.mixed.parameters import triangle

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Trials = NDArray[np.intp]

START = 0.6  # standard deviation that the search starts from, on the link scale
LONGEST_FIXED = 2.0  # longest step of the coefficients: root mean square change of the linear predictor
LONGEST_FACTOR = 0.8  # longest step of a factor, relative to the largest factor where that is above one
QUASI = 1e-11  # rise still promised at which the true curvature is asked for
DONE = 1e-10  # and at which a Newton step with it is the last
SMALL = 2e-3  # deviation below which zero is tried
HUGE = 20.0  # deviation on the link scale that no data set supports
LONGEST_SEARCH = 200
DIFFERENCE = 1e-4
TOGETHER = 200_000  # numbers of rows and nodes that displaced parameters may take at once
FLAT = 1e-7  # share of the largest curvature below which a direction of the factors is flat
NEARLY_FLAT = 1e-5  # the same where every step upwards was tried in vain: rounding on a flat top
SURE = 6e-6  # variance of one trial, p (1 - p), at which a fit is suspected of running off to infinity
STEPS = 60  # of the fit without random effects
OPEN, REACHED, ROUNDED, LOST, INFINITE = range(5)  # how a search ended
ENDS = {
    OPEN: "no optimum after {} steps",
    REACHED: "optimum reached after {} steps",
    ROUNDED: "optimum reached after {} steps, to within rounding",
    LOST: "no optimum after {} steps",
}


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """Where the searches ended.

    Parameters
    ----------
    at : Evaluation
        Diagonals of all factors are not negative.
    curvature : ndarray, shape (m, size, size)
        Minus the matrix of second derivatives of the objective.
    converged : ndarray of bool, shape (m,)
    steps : ndarray of int, shape (m,)
    decrement : ndarray, shape (m,)
        Rise of the log-likelihood that another step still promised.
    messages : tuple of str
    """

    at: Evaluation
    curvature: Array
    converged: Mask
    steps: Trials
    decrement: Array
    messages: tuple[str, ...]


def likelihood(problem: Problem, x: Array, modes: Array) -> Evaluation:
    """Log-likelihood without the binomial coefficients, by whichever approximation fits."""
    if problem.starts is None:
        return binary_laplace.evaluate(problem, x, modes)
    return binary_quadrature.evaluate(problem, x, modes)


def objective(problem: Problem, x: Array, modes: Array) -> Evaluation:
    """The log-likelihood, with the penalty where a trial has one."""
    at, p = likelihood(problem, x, modes), problem.coefficients
    chosen = np.flatnonzero(problem.penalised)
    if len(chosen):
        value, slope = jeffreys(problem.take(chosen), x[chosen, :p])
        at.value[chosen] += value
        at.gradient[chosen, :p] += slope
    return at


def jeffreys(problem: Problem, beta: Array) -> tuple[Array, Array]:
    """``log|X'WX| / 2`` (m,) with expected weights, and its gradient by ``beta`` (m, p)."""
    w, v = problem.link.expected(problem.predictor(beta))
    X = np.broadcast_to(problem.X, (*w.shape, beta.shape[1]))
    information = X.swapaxes(1, 2) @ (X * (problem.m * w)[..., None])
    sign, height = np.linalg.slogdet(information)
    good = sign > 0.0
    inverse = np.linalg.inv(np.where(good[:, None, None], information, np.eye(beta.shape[1])))
    leverage = ((X @ inverse) * X).sum(axis=2)
    slope = 0.5 * problem.by_coefficient(leverage * problem.m * v)
    return np.where(good, 0.5 * height, -np.inf), np.where(good[:, None], slope, 0.0)


def independent(problem: Problem) -> tuple[Array, Array, Mask]:
    """Coefficients (m, p) without random effects, by Fisher scoring, their information, where it ended."""
    y, trials, link, X = problem.y, problem.m, problem.link, problem.X
    m, p = len(y), problem.coefficients
    share = y.sum(axis=1) / trials.sum(axis=1)
    middle = np.log(share / (1.0 - share)) if link.name == "logit" else np.log(-np.log1p(-share))
    cross = np.broadcast_to(X.swapaxes(-1, -2) @ X, (m, p, p))
    target = problem.by_coefficient(np.ones_like(y)) * middle[:, None]
    beta = np.linalg.solve(cross, target[..., None])[..., 0]

    def height(at: Array) -> tuple[Array, Array]:
        eta, slope = problem.predictor(at), np.zeros((m, p))
        value = link.log_likelihood(y, trials, eta).sum(axis=1)
        chosen = np.flatnonzero(problem.penalised)
        if len(chosen):
            extra, slope[chosen] = jeffreys(problem.take(chosen), at[chosen])
            value[chosen] += extra
        return value, slope

    value, slope = height(beta)
    information = cross.copy()
    found, lost = np.zeros(m, bool), np.zeros(m, bool)
    for _ in range(STEPS):
        eta = problem.predictor(beta)
        probability = link.probability(eta)[0]
        variance = np.where(trials > 0.0, probability * (1.0 - probability), 1.0).min(axis=1)
        lost |= ~problem.penalised & (variance < SURE)
        if (found | lost).all():
            break
        score = problem.by_coefficient(link.score(y, trials, eta)) + slope
        weighted = (trials * link.expected(eta)[0])[..., None] * X
        information = np.broadcast_to(X, weighted.shape).swapaxes(1, 2) @ weighted
        information[lost] = np.eye(p)
        step = np.linalg.solve(information, score[..., None])[..., 0]
        found |= ~lost & ((score * step).sum(axis=1) < 1e-12)
        step[lost] = 0.0
        for _ in range(30):
            after, slope = height(beta + step)
            worse = (after < value - 1e-12 * (1.0 + np.abs(value))) & ~lost
            if not worse.any():
                break
            step[worse] *= 0.5
        beta, value = beta + step, after
    return beta, information, found & ~lost


def differences(problem: Problem, at: Evaluation, places: slice = slice(None)) -> Array:
    """Minus the second derivatives (m, places, size), by central differences of the gradient."""
    m, size = at.x.shape
    units = np.eye(size)[places]
    steps = DIFFERENCE * np.concatenate([units, -units])
    once = max(1, TOGETHER // (problem.y.size * problem.points))
    slopes = []
    for start in range(0, len(steps), once):
        moves = steps[start : start + once]
        trials = np.tile(np.arange(m), len(moves))
        x = at.x[trials] + np.repeat(moves, m, axis=0)
        slopes.append(objective(problem.take(trials), x, at.modes[trials]).gradient.reshape(-1, m, size))
    higher, lower = np.concatenate(slopes).reshape(2, len(units), m, size)
    return np.asarray(((lower - higher) / (2.0 * DIFFERENCE)).swapaxes(0, 1))


def curvature_at(problem: Problem, at: Evaluation) -> Array:
    """Minus the matrices of second derivatives (m, size, size)."""
    rows = differences(problem, at)
    return np.asarray(0.5 * (rows + rows.swapaxes(1, 2)))


def search(problem: Problem, beta: Array, information: Array) -> Optimum:
    """Maximise the objective of every trial from coefficients ``beta`` (m, p) with this information."""
    m, p = beta.shape
    x, curvature = np.zeros((m, problem.size)), np.zeros((m, problem.size, problem.size))
    x[:, :p] = beta
    x[:, problem.diagonal()] = START
    here = objective(problem, x, np.zeros((m, problem.effects)))
    curvature[:, :p, :p] = information
    curvature[:, p:] = differences(problem, here, slice(p, None))
    curvature[:, :p, p:] = curvature[:, p:, :p].swapaxes(1, 2)
    fresh, doubt = np.zeros((2, m), bool)
    steps, ended = np.zeros((2, m), np.intp)
    going = _Search(problem, here, curvature, fresh, doubt, steps, ended, np.full(m, np.inf))
    trials = np.arange(m)
    for _ in range(LONGEST_SEARCH):
        trials = going.step(trials)
        if not len(trials):
            break
    messages = tuple(
        _runs_off(problem, x[p:]) if ended == INFINITE else ENDS[ended].format(steps)
        for x, ended, steps in zip(here.x, going.ended.tolist(), going.steps.tolist(), strict=True)
    )
    reached = (going.ended == REACHED) | (going.ended == ROUNDED)
    return _signed(problem, Optimum(here, going.curvature, reached, going.steps, going.decrement, messages))


@dataclass(slots=True, eq=False)
class _Search:
    """Where every trial stands; ``step`` changes everything in place.

    ``fresh`` marks a curvature that is the true one here, ``doubt`` one that found no way up; ``ended`` says
    how a search ended.
    """

    problem: Problem
    here: Evaluation
    curvature: Array
    fresh: Mask
    doubt: Mask
    steps: Trials
    ended: Trials
    decrement: Array

    def step(self, trials: Trials) -> Trials:
        """One step of these trials; those that have not ended."""
        values, vectors, move, rise = self._newton(trials)
        stale = trials[~self.fresh[trials] & ((rise < QUASI) | self.doubt[trials])]
        if len(stale):
            self.curvature[stale] = curvature_at(self.problem.take(stale), self.here.take(stale))
            self.fresh[stale], self.doubt[stale] = True, False
            values, vectors, move, rise = self._newton(trials)
        self.steps[trials] += 1
        self.decrement[trials] = rise
        before, fresh = self.here.value[trials], self.fresh[trials]
        after = self._climb(trials, move)
        risen = after.value >= before - 1e-13 * (1.0 + np.abs(before))
        last, least = fresh & (rise < DONE), values[:, 0] / np.abs(values).max(axis=1)
        saddle = last & (least < -FLAT)
        left = saddle.copy()
        left[saddle] = self._leave(trials[saddle], vectors[saddle][:, :, 0])
        self._learn(trials, after, risen & ~last)
        self.here.put(trials, after, risen & ~left)
        zeroed = self._try_zero(trials) & ~left
        stuck = fresh & ~risen & ~last
        rounded = rise < 1e-12 * self.problem.m[trials].sum(axis=1)
        ended = np.where(stuck, np.where(rounded, ROUNDED, LOST), OPEN)
        ended[last & ~left & ~zeroed] = REACHED
        ended[saddle & ~left & (least < -NEARLY_FLAT)] = LOST
        far = np.abs(self.here.x[trials, self.problem.coefficients :]).max(axis=1) > HUGE
        ended[far & (ended == OPEN)] = INFINITE
        self.ended[trials] = ended
        self.doubt[trials[~risen & ~fresh]] = True
        self.fresh[trials[left | risen]] = False
        return np.asarray(trials[ended == OPEN], np.intp)

    def _newton(self, trials: Trials) -> tuple[Array, Array, Array, Array]:
        """Eigenvalues and vectors of the curvature, the steps, and the rise that they promise."""
        values, vectors = np.linalg.eigh(self.curvature[trials])
        along = (vectors.swapaxes(1, 2) @ self.here.gradient[trials][..., None])[..., 0]
        top = np.abs(values).max(axis=1, keepdims=True)
        flat = self.fresh[trials, None] & (np.abs(values) <= FLAT * top)
        size = np.maximum(np.abs(values), 1e-9 * top + 1e-300)
        step = np.where(flat, 0.0, along / size)  # curvature of the wrong sign is turned
        move = (vectors @ step[..., None])[..., 0]
        single = [
            self.problem.coefficients + part.places.start for part in self.problem.parts if part.order == 1
        ]
        move[:, single] *= self.here.x[trials][:, single] != 0.0  # what slope there is at zero is rounding
        return values, vectors, move, 0.5 * (along * step).sum(axis=1)

    def _look(self, trials: Trials, x: Array, modes: Array) -> Evaluation:
        part = self.problem if len(trials) == len(self.steps) else self.problem.take(trials)
        return objective(part, x, modes)

    def _climb(self, trials: Trials, move: Array) -> Evaluation:
        """The steps, no longer than the limits, each shortened until its likelihood does not fall."""
        p, at = self.problem.coefficients, self.here.take(trials)
        reach = LONGEST_FACTOR * np.maximum(1.0, np.abs(at.x[:, p:]).max(axis=1))
        length = np.maximum(
            np.linalg.norm(move[:, :p], axis=1) / LONGEST_FIXED, np.abs(move[:, p:]).max(axis=1) / reach
        )
        move = move / np.maximum(length, 1.0)[:, None]
        floor = at.value - 1e-13 * (1.0 + np.abs(at.value))
        after = self._look(trials, at.x + move, at.modes)
        for _ in range(25):
            worse = np.flatnonzero(~(after.value >= floor))
            if not len(worse):
                break
            move[worse] *= 0.4
            again = self._look(trials[worse], at.x[worse] + move[worse], at.modes[worse])
            after.put(worse, again, np.ones(len(worse), bool))
        return after

    def _learn(self, trials: Trials, after: Evaluation, going: Mask) -> None:
        """Damped quasi-Newton updates (Nocedal & Wright 2006, procedure 18.2)."""
        if not going.any():
            return
        chosen = trials[going]
        s = after.x[going] - self.here.x[chosen]
        change = self.here.gradient[chosen] - after.gradient[going]
        values, vectors = np.linalg.eigh(self.curvature[chosen])
        B = (vectors * np.abs(values)[:, None, :]) @ vectors.swapaxes(1, 2)
        Bs = (B @ s[..., None])[..., 0]
        sBs, sy = (s * Bs).sum(axis=1), (s * change).sum(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            mix = np.where(sy < 0.2 * sBs, 0.8 * sBs / (sBs - sy), 1.0)[:, None]
            change = mix * change + (1.0 - mix) * Bs
            sy = (s * change).sum(axis=1)
            new = (
                B
                - Bs[:, :, None] * Bs[:, None, :] / sBs[:, None, None]
                + change[:, :, None] * change[:, None, :] / sy[:, None, None]
            )
        usable = np.isfinite(new).all(axis=(1, 2))
        self.curvature[chosen[usable]] = new[usable]

    def _try_zero(self, trials: Trials) -> Mask:
        """Small deviations set to zero exactly, where that costs nothing; whether it was done."""
        done = np.zeros(len(trials), bool)
        for place in self.problem.single():
            deviation = np.abs(self.here.x[trials, place])
            small = np.flatnonzero((deviation > 0.0) & (deviation < SMALL))
            if not len(small):
                continue
            here = trials[small]
            x = self.here.x[here]
            x[:, place] = 0.0
            zero = self._look(here, x, self.here.modes[here])
            free = zero.value >= self.here.value[here] - 1e-9
            self.here.put(here, zero, free)
            done[small[free]] = True
        return done

    def _leave(self, trials: Trials, direction: Array) -> Mask:
        """Along directions (m, size) of upward curvature to the better side; whether there was one."""
        left = np.zeros(len(trials), bool)
        if not len(trials):
            return left
        start = self.here.take(trials)
        for length in (0.5, 0.2, 0.05, -0.5, -0.2, -0.05):
            there = self._look(trials, start.x + length * direction, start.modes)
            better = there.value > self.here.value[trials] + 1e-10
            self.here.put(trials, there, better)
            left |= better
        gone = trials[left]
        self.curvature[gone] = self.problem.m[gone].sum(axis=1)[:, None, None] * np.eye(self.problem.size)
        self.fresh[gone] = False
        return left


def _runs_off(problem: Problem, theta: Array) -> str:
    name = next(part.name for part in problem.parts if np.abs(part.factor(theta)).max() > HUGE)
    return f"the variance of {name} grows without end: most levels of {name} have outcomes of one kind only"


def _signed(problem: Problem, optimum: Optimum) -> Optimum:
    """The same optimum with the diagonals of all factors non-negative."""
    at, p = optimum.at, problem.coefficients
    sign, modes = np.ones(at.x.shape), []
    for part, u in zip(problem.parts, problem.by_part(at.modes), strict=True):
        rows, columns = triangle(part.order)
        places = p + np.arange(part.places.start, part.places.stop)
        own = np.where(at.x[:, places[rows == columns]] < 0.0, -1.0, 1.0)
        sign[:, places] = own[:, columns]
        modes.append((u * own[:, None, :]).reshape(len(u), -1))
    turned = Evaluation(at.x * sign, at.value, at.gradient * sign, np.concatenate(modes, axis=1))
    return replace(optimum, at=turned, curvature=optimum.curvature * sign[:, :, None] * sign[:, None, :])
