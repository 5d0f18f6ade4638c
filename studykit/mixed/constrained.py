r"""The best likelihood of all models in which one covariance quantity has a given value.

The quantity is brought to the head of its covariance matrix (columns in another order are the same
model), where holding it means that one Cholesky factor follows from the others:

============================ ===================================== ==============================
quantity, at ``theta``       held factor                           natural value
============================ ===================================== ==============================
standard deviation           ``Lambda_11 = theta``                 ``theta``
correlation                  ``Lambda_21 = sin(theta) u``,         ``sin(theta)``
                             ``Lambda_22 = cos(theta) u``
share of the variance        ``sigma_1 = tan(theta) |sigma_rest|`` ``sin(theta)^2``
autocorrelation              ``rho = theta``                       ``theta``
============================ ===================================== ==============================

Both ends of the range (zero, plus or minus one) are ordinary points. The others are found by exact Newton
steps inside a trust radius, as in `studykit.mixed.search`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from studykit.errors import ConvergenceError, DesignError
from studykit.mixed import checks
from studykit.mixed.derivatives import differentiate
from studykit.mixed.layout import build_layout
from studykit.mixed.model import MixedModel
from studykit.mixed.objective import Problem, Whitened, build_problem, evaluate, whiten
from studykit.mixed.quantities import (
    Autocorrelation,
    Correlation,
    CovarianceQuantity,
    ResidualCorrelation,
    ResidualDeviation,
    StandardDeviation,
    VarianceShare,
    column_of,
    effect_of,
    visit_of,
)
from studykit.mixed.random_effects import RandomEffect, level_codes
from studykit.mixed.residuals import ResidualStructure
from studykit.mixed.result import CovarianceParameters
from studykit.mixed.search import CLOSE, Course, Place, descend, search, starting_values
from studykit.mixed.sums import transposed

Array = NDArray[np.float64]

AWAY = 0.03
"""Least size of a diagonal factor to start from: at exactly zero the slope is zero too, even where the
likelihood rises on the way in."""


@dataclass(frozen=True, slots=True)
class Hold:
    """Which factor is held, and how.

    Parameters
    ----------
    kind : {"value", "angle", "share"}
    place : int
        Of the held factor in ``psi``.
    unit : float
        Factor from ``theta`` to ``psi``, for ``"value"``.
    """

    kind: Literal["value", "angle", "share"]
    place: int
    unit: float = 1.0

    def spread_out(self, free: Array, theta: Array) -> tuple[Array, Array, Array | None]:
        """``psi`` (m, k), its derivative (m, k, k - 1) by free factors, the held one's second derivative."""
        (m, f), place = free.shape, self.place
        psi = np.insert(free, place, 0.0, axis=1)
        turn = np.tile(np.delete(np.eye(f + 1), place, axis=1), (m, 1, 1))
        if self.kind == "value":
            psi[:, place] = theta * self.unit
            return psi, turn, None
        if self.kind == "angle":  # the diagonal factor stands next to the held one
            u, sine, cosine = free[:, place], np.sin(theta), np.cos(theta)
            psi[:, place], psi[:, place + 1] = sine * u, cosine * u
            turn[:, place, place], turn[:, place + 1, place] = sine, cosine
            return psi, turn, None
        size = np.maximum(np.linalg.norm(free, axis=1), 1e-300)
        slope = np.tan(theta)
        psi[:, place] = slope * size
        turn[:, place] = (slope / size)[:, None] * free
        along = free / size[:, None]
        across = np.eye(f) - along[:, :, None] * along[:, None, :]
        return psi, turn, (slope / size)[:, None, None] * across


@dataclass(slots=True, eq=False)
class Constrained:
    """The likelihood as a function of one held quantity; remembers where it has been.

    Parameters
    ----------
    problem : Problem
    hold : Hold
    best : float
        ``-2 log L`` at the optimum, in the problem's own units.
    estimate : float
        ``theta`` there; ``nan`` for the correlation of something that does not vary.
    """

    problem: Problem
    hold: Hold
    best: float
    estimate: float
    _seen: dict[float, tuple[float, Array]]

    def rise(self, theta: float) -> float:
        """``-2 log L`` at ``theta``, minus the same at the optimum; infinite where there is no likelihood."""
        self.visit([theta])
        return self._seen[theta][0] - self.best

    def visit(self, thetas: Sequence[float]) -> None:
        """Find the optimum at several values at once, each from the nearest known one and from the first."""
        new = [theta for theta in dict.fromkeys(thetas) if theta not in self._seen]
        if not new:
            return
        known = np.array(list(self._seen))
        nearest = known[np.abs(known - np.array(new)[:, None]).argmin(axis=1)].tolist()
        first = float(known[0])
        pairs = list(dict.fromkeys([*zip(new, nearest, strict=True), *((theta, first) for theta in new)]))
        held = np.array([theta for theta, _ in pairs])
        values, free = self._descend(held, np.array([self._seen[start][1] for _, start in pairs]))
        for number in np.argsort(-values, kind="stable").tolist():  # the lowest comes last and stays
            self._seen[pairs[number][0]] = float(values[number]), free[number]

    def _descend(self, theta: Array, start: Array) -> tuple[Array, Array]:
        def look(trials: NDArray[np.intp], free: Array) -> Place:
            return self._look(free, theta[trials])

        place, course = self._look(self._away(start), theta), Course.of(len(theta))
        if start.shape[1]:
            going = np.flatnonzero(np.isfinite(place.value))
            descend(look, place, going, course)
            lost = going[~(course.converged[going] | (course.decrement[going] < CLOSE))]
            if len(lost):
                raise ConvergenceError(
                    where="profile of the likelihood",
                    expected=f"an optimum with the quantity held at {theta[lost[0]]:.6g}",
                    got="none found",
                    todo="Simplify the random effects.",
                )
        return place.value, place.psi

    def _look(self, free: Array, theta: Array) -> Place:
        free = self._inside(free)
        psi, turn, bend = self.hold.spread_out(free, theta)
        part = self.problem.take(np.zeros(len(free), np.intp))
        state = evaluate(part, psi, rescale=False)
        derivatives = differentiate(part, state)
        slope, hessian = part.layout.map.pull_back(psi, derivatives.gradient, derivatives.hessian)
        back = transposed(turn)
        gradient, curved = (back @ slope[..., None])[..., 0], back @ hessian @ turn
        if bend is not None:
            curved = curved + slope[:, self.hold.place, None, None] * bend
        none = ~np.isfinite(state.value)
        gradient[none], curved[none] = 0.0, np.eye(free.shape[1])
        return Place(free.copy(), state.value, gradient, curved, gradient, np.zeros(len(free), bool))

    def _away(self, free: Array) -> Array:
        """The same with small diagonal factors moved away from zero."""
        diagonal = np.delete(_diagonal(self.problem), self.hold.place)
        small = diagonal & (np.abs(free) < AWAY)
        return np.where(small, AWAY, free)

    def _inside(self, free: Array) -> Array:
        """A held correlation keeps its sign only while both diagonal factors are positive."""
        if self.hold.kind != "angle":
            return free
        moved = free.copy()
        places = [self.hold.place - 1, self.hold.place]
        moved[:, places] = np.abs(moved[:, places])
        return moved


def constrain(
    model: MixedModel, quantity: CovarianceQuantity, parameters: CovarianceParameters, *, reml: bool
) -> Constrained:
    """Bring the quantity to the head of its matrix, as ``parameters`` have it, fit once, and hold it.

    Raises
    ------
    ArgumentError
        If the model has no such quantity.
    ConvergenceError
        If the fit without a constraint does not converge.
    """
    model = _reordered(model, quantity, parameters)
    problem, white = _arranged(model, model.outcome, model.fixed_effects, reml=reml)
    found, best = _optimum(problem)
    hold = _hold(problem, quantity, float(white.spread[0]))
    psi = _signed(problem, found)
    estimate = _estimate(hold, psi)
    free = np.delete(psi, hold.place)
    if hold.kind == "angle":
        free[hold.place] = math.hypot(psi[hold.place], psi[hold.place + 1])
    at = 0.0 if math.isnan(estimate) else estimate  # without a variance every correlation is as good
    return Constrained(problem, hold, best, estimate, {at: (best, free)})


def _estimate(hold: Hold, psi: Array) -> float:
    held = float(psi[hold.place])
    if hold.kind == "value":
        return held / hold.unit
    if hold.kind == "share":
        return math.atan2(held, float(np.linalg.norm(np.delete(psi, hold.place))))
    if psi[hold.place - 1] == 0.0 or (held == 0.0 and psi[hold.place + 1] == 0.0):
        return math.nan
    return math.atan2(held, float(psi[hold.place + 1]))


def _hold(problem: Problem, quantity: CovarianceQuantity, spread: float) -> Hold:
    """Where the quantity stands once the model is reordered."""
    layout = problem.layout
    names = [effect.name for effect in layout.effects]
    blocks, first_residual = layout.map.blocks, len(names)
    match quantity:
        case StandardDeviation(effect, _):
            number = names.index(effect)
            return Hold("value", blocks[number].start, float(layout.units[number][0]) / spread)
        case Correlation(effect, _, _):
            return Hold("angle", blocks[names.index(effect)].start + 1)
        case ResidualDeviation(_):
            return Hold("value", blocks[first_residual].start, 1.0 / spread)
        case ResidualCorrelation(_, _):
            return Hold("angle", blocks[first_residual].start + 1)
        case Autocorrelation():
            return Hold("value", layout.map.size - 1)
        case VarianceShare(effects):
            return Hold("share", blocks[names.index(effects[0])].start)


def _reordered(
    model: MixedModel, quantity: CovarianceQuantity, parameters: CovarianceParameters
) -> MixedModel:
    """The same model with the quantity's columns or visits first."""
    effect: str | None = None
    places = [0]
    match quantity:
        case StandardDeviation(effect, column):
            places = [column_of(effect_of(parameters, effect), column)]
        case Correlation(effect, first, second):
            places = [column_of(effect_of(parameters, effect), column) for column in (first, second)]
        case ResidualDeviation(visit):
            places = [visit_of(parameters, visit)]
        case ResidualCorrelation(first, second):
            places = [visit_of(parameters, visit) for visit in (first, second)]
    if places == list(range(len(places))):
        return model
    return _visits_first(model, places) if effect is None else _columns_first(model, effect, places)


def _columns_first(model: MixedModel, name: str, first: list[int]) -> MixedModel:
    def turned(effect: RandomEffect) -> RandomEffect:
        if effect.name != name:
            return effect
        order = first + [k for k in range(len(effect.columns)) if k not in first]
        return RandomEffect(
            name, effect.groups, effect.design[:, order], columns=[effect.columns[k] for k in order]
        )

    effects = tuple(map(turned, model.random_effects))
    return MixedModel(model.outcome, model.fixed_effects, effects, names=model.names, residual=model.residual)


def _visits_first(model: MixedModel, first: list[int]) -> MixedModel:
    old = model.residual
    assert old.visits is not None
    levels, codes = level_codes(old.visits)
    order = first + [k for k in range(len(levels)) if k not in first]
    residual = ResidualStructure(old.kind, old.groups, np.argsort(order)[codes])
    return MixedModel(
        model.outcome, model.fixed_effects, model.random_effects, names=model.names, residual=residual
    )


def _diagonal(problem: Problem) -> NDArray[np.bool_]:
    """Which places of ``psi`` are diagonal factors."""
    diagonal = np.zeros(problem.layout.map.size, bool)
    for block in problem.layout.map.blocks:
        row = np.arange(block.order)
        diagonal[block.start + row * (row + 3) // 2] = True
    return diagonal


def _signed(problem: Problem, psi: Array) -> Array:
    """The same covariance with diagonal factors that are not negative."""
    result = psi.copy()
    for block in problem.layout.map.blocks:
        factor = block.factor(psi)
        factor = factor * np.where(np.diag(factor) < 0.0, -1.0, 1.0)
        result[block.start : block.stop] = factor[np.tril_indices(block.order)]
    return result


def _arranged(
    model: MixedModel, outcome: Array, fixed_effects: Array, *, reml: bool
) -> tuple[Problem, Whitened]:
    """The problem in the search's units, and the way back."""
    white = whiten(outcome[None], fixed_effects[None])
    if not white.varies[0]:
        raise DesignError(
            where="profile of the likelihood",
            expected="an outcome that varies around its means",
            got="a perfect fit",
        )
    layout = build_layout(len(outcome), model.random_effects, model.residual)
    return build_problem(layout, white.left, white.Q, reml=reml), white


def _optimum(problem: Problem) -> tuple[Array, float]:
    """``psi`` (k,) and ``-2 log L`` at the optimum without a constraint."""
    start, information = starting_values(problem)
    if not checks.identified(information)[0]:
        checks.refuse_unidentified(information[0], problem.layout.element_names)
    optimum = search(problem, start)
    if not optimum.converged[0]:
        raise ConvergenceError(
            where="profile of the likelihood",
            expected="a converged fit",
            got=f"no optimum after {int(optimum.steps[0])} Newton steps",
            todo="Simplify the random effects.",
        )
    return optimum.psi[0], float(optimum.value[0])


def best_with_means(model: MixedModel, outcome: Array, fixed_effects: Array) -> float:
    """Least ``-2 log L`` (maximum likelihood) of the model with another outcome and other fixed effects."""
    problem, white = _arranged(model, outcome, fixed_effects, reml=False)
    return _optimum(problem)[1] + 2.0 * len(outcome) * math.log(white.spread[0])


def known_mean(model: MixedModel) -> Callable[[float], float]:
    """Least ``-2 log L`` as a function of the one fixed effect ``b``, which is held.

    With nothing left to eliminate, ``-2 log L = f(psi) + (b - beta(psi))^2 / Phi(psi)``, where ``f`` has
    ``beta`` at its best; the few covariance factors are found by a quasi-Newton search.
    """
    problem, white = _arranged(model, model.outcome, model.fixed_effects, reml=False)
    spread, R = float(white.spread[0]), float(white.R[0, 0, 0])
    ordinary = float(white.ordinary[0, 0])
    start, _ = _optimum(problem)

    def value(psi: Array, b: float) -> float:
        state = evaluate(problem, psi[None], rescale=False)
        if not np.isfinite(state.value[0]):
            return 1e10
        distance = (R * b - ordinary) / spread - float(state.beta[0, -1])
        return float(state.value[0] + distance**2 / state.Phi[0, -1, -1])

    def least(b: float) -> float:
        grown = start * math.hypot(1.0, (b - ordinary / R) / spread)
        found = [
            minimize(
                value,
                psi,
                (b,),
                method="BFGS",
                jac="3-point",
                options={"gtol": 1e-5, "finite_diff_rel_step": 1e-5},
            )
            for psi in (start, grown)
        ]
        return min(float(one.fun) for one in found) + 2.0 * len(model.outcome) * math.log(spread)

    return least
