"""Fit large data: the search over relative covariances, and what the fit gives.

Above `LARGE` rows with equal residual variances the rows are summed by level
(`studykit.mixed.elimination_layout`), and time grows with the rows, whatever the number of levels. Then
Kenward-Roger, whose correction is far below every other uncertainty at that size, is not computed: inference
is by Satterthwaite, and the method named in every result says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from studykit.mixed import checks
from studykit.mixed.binary_problem import Evaluation
from studykit.mixed.binary_search import FLAT, START, Optimum, search
from studykit.mixed.elimination import (
    EliminationState,
    Moments,
    eliminate,
    gradient,
    moments,
    quadratic_gradient,
)
from studykit.mixed.elimination_layout import EliminationLayout, build_elimination
from studykit.mixed.objective import LOG_2PI
from studykit.mixed.parameters import ParameterMap, triangle
from studykit.mixed.random_effects import RandomEffect, level_codes
from studykit.mixed.residuals import ResidualStructure, element_names
from studykit.mixed.result import Coefficient, MixedFit, OptimiserReport, Precision, RandomEffectPredictions
from studykit.mixed.summary import boundary_terms, covariance_parameters, element_units, fingerprint
from studykit.results import frozen_array

Array = NDArray[np.float64]

LARGE = 5000
"""Rows above which Kenward-Roger is not computed, and the rows are summed by level."""

WIDEST_RATIO = 1e4  # largest standard deviation relative to the residual's that is searched


def is_large(rows: int, effects: tuple[RandomEffect, ...], residual: ResidualStructure) -> bool:
    """Whether a model is fitted by this module."""
    return rows > LARGE and bool(effects) and residual.kind == "equal"


@dataclass(frozen=True, eq=False)
class _Problem:
    """The layout as the search sees it: no coefficients, one part per random effect."""

    layout: EliminationLayout
    reml: bool

    coefficients = 0
    limit = WIDEST_RATIO

    @property
    def size(self) -> int:
        return self.layout.ratios.size

    @property
    def weight(self) -> float:
        return float(self.layout.n)

    @cached_property
    def parts(self) -> tuple[_Part, ...]:
        return tuple(
            _Part(effect.name, block.order, slice(block.start, block.stop), self.layout.ratios)
            for effect, block in zip(self.layout.effects, self.layout.ratios.blocks, strict=True)
        )

    def objective(self, psi: Array, _: tuple[Array, ...]) -> Evaluation:
        """Half of ``-2 log L`` with its sign turned, and its gradient."""
        state = eliminate(self.layout, psi, reml=self.reml)
        parts = moments(self.layout, state, projected=self.reml)
        slope = gradient(self.layout, state, parts) @ self.layout.ratios.jacobian(psi[None])[0]
        return Evaluation(psi, -0.5 * state.value, -0.5 * slope, ())


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    name: str
    order: int
    places: slice
    ratios: ParameterMap

    def factor(self, psi: Array) -> Array:
        """The lower triangular factor (q, q)."""
        lower = np.zeros((self.order, self.order))
        lower[triangle(self.order)] = psi[self.places]
        return lower


def fit_large(
    y: Array,
    X: Array,
    R: Array,
    names: tuple[str, ...],
    effects: tuple[RandomEffect, ...],
    residual: ResidualStructure,
    *,
    reml: bool,
) -> MixedFit:
    """Fit checked data; ``R`` is the upper triangular factor of ``X``."""
    Q = solve_triangular(R, X.T, trans="T").T
    ordinary = Q.T @ y
    left = y - Q @ ordinary
    spread = float(np.sqrt(left @ left / (len(y) - X.shape[1])))
    if spread <= 1e-14 * float(np.abs(y).max(initial=0.0)):
        spread = 1.0
    layout = build_elimination(left / spread, Q, effects, residual)
    _check_identified(layout, Q)
    problem = _Problem(layout, reml)
    start = np.zeros(problem.size)
    for block in layout.ratios.blocks:
        rows, columns = triangle(block.order)
        start[block.start : block.stop] = np.where(rows == columns, START, 0.0)
    optimum = search(problem, problem.objective, problem.objective(start, ()), _first_information(layout))
    state = eliminate(layout, optimum.at.parameters, reml=reml)
    parts = moments(layout, state, projected=True)
    back = solve_triangular(R, np.eye(len(R)))
    beta = back @ (ordinary + spread * state.dense.omega[layout.columns :])
    precision, eta = _precision(layout, state, parts, optimum, spread * back)
    errors = np.sqrt(np.diag(precision.covariance))
    means = X @ beta
    predictions, own = _predictions(layout, state, parts, eta, spread)
    constant = 2.0 * np.log(np.abs(np.diag(R))).sum() if reml else 0.0
    constant += state.degrees * (LOG_2PI + 2.0 * np.log(spread))
    return MixedFit(
        coefficients=tuple(
            Coefficient(name, float(value), float(error))
            for name, value, error in zip(names, beta, errors, strict=True)
        ),
        covariance_parameters=covariance_parameters(layout, eta * element_units(layout, spread)),
        log_likelihood=float(-0.5 * (state.value + constant)),
        reml=reml,
        converged=optimum.converged,
        boundary_terms=boundary_terms(layout, eta),
        optimiser_report=OptimiserReport(optimum.steps, optimum.decrement, optimum.message),
        rows=len(y),
        predictions=predictions,
        precision=precision,
        fingerprint=fingerprint(y, X),
        _fitted=(frozen_array(means), frozen_array(means + own)),
        _residuals=(frozen_array(y - means), frozen_array(y - means - own)),
    )


def _check_identified(layout: EliminationLayout, Q: Array) -> None:
    """Refuse elements that the rows cannot tell apart.

    The derivatives ``V_i`` applied to one vector of noise, without the fixed effects, depend on each other
    just when the ``V_i`` do.
    """
    noise = np.random.default_rng(20).standard_normal(layout.n)
    noise -= Q @ (Q.T @ noise)
    images = []
    for effect, unit in zip(layout.effects, layout.units, strict=True):
        levels, codes = level_codes(effect.groups)
        design = effect.design / unit
        sums = np.stack([np.bincount(codes, column * noise, len(levels)) for column in design.T])[:, codes]
        for a, b in zip(*triangle(design.shape[1]), strict=True):
            image = design[:, a] * sums[b]
            images.append(image if a == b else image + design[:, b] * sums[a])
    table = np.stack([*images, noise])
    table -= (table @ Q) @ Q.T
    checks.check_identified(table @ table.T, element_names(layout.effects, layout.residual))


def _first_information(layout: EliminationLayout) -> Array:
    """A guess of the curvature at the start, elements taken apart and other factors left out."""
    size = np.zeros(layout.ratios.size)
    places = {link.effect: link.products[..., : link.order] for link in layout.chain}
    for item in layout.beside:
        total = np.zeros(layout.columns + 1)
        width = layout.met.shape[1]
        np.add.at(total, layout.met, layout.products[:, range(width), range(width)])
        diagonal = total[item.start : item.stop].reshape(item.levels, item.order)
        places[item.effect] = diagonal[:, :, None] * np.eye(item.order)
    for number, block in enumerate(layout.ratios.blocks):
        for place, (row, _) in enumerate(zip(*triangle(block.order), strict=True)):
            total = places[number][:, row, row]
            shrunk = total / (1.0 + START**2 * total)
            size[block.start + place] = max(2.0 * START**2 * float(shrunk @ shrunk), 0.5)
    return np.diag(size)


def _precision(
    layout: EliminationLayout,
    state: EliminationState,
    parts: dict[int, Moments],
    optimum: Optimum,
    back: Array,
) -> tuple[Precision, Array]:
    """Covariances of the fixed effects and of the elements, and the elements relative to ``spread**2``.

    The search knows the curvature in ``psi`` at the best residual variance. With ``s`` the logarithm of that
    variance, ``f = D(psi) + degrees s + exp(-s) q(psi)`` gives the rest of the joint curvature. Directions
    that are flat (a variance at zero, redundant factors of a singular matrix) are known to be so.
    """
    u, s2, psi = layout.columns, state.variance, optimum.at.parameters
    Phi = state.dense.Omega[u:, u:]
    values, vectors = np.linalg.eigh(optimum.curvature)
    sure = values > FLAT * values[-1] if len(values) else values > 0.0
    of_psi = (vectors[:, sure] / values[sure]) @ vectors[:, sure].T
    jacobian = layout.ratios.jacobian(psi[None])[0]
    ratios = layout.ratios.elements(psi[None])[0]
    between = -(quadratic_gradient(layout, parts) @ jacobian) / s2 / state.degrees
    joint = np.block(
        [
            [of_psi, -(of_psi @ between)[:, None]],
            [-(between @ of_psi)[None, :], np.array([[2.0 / state.degrees + between @ of_psi @ between]])],
        ]
    )
    eta = s2 * np.append(ratios, 1.0)
    turned = np.zeros((len(eta), len(eta)))
    turned[:-1, :-1] = s2 * jacobian
    turned[:, -1] = eta
    slopes = []
    for number, block in enumerate(layout.ratios.blocks):
        fixed = parts[number].fixed
        for a, b in zip(*triangle(block.order), strict=True):
            product = fixed[:, a].T @ fixed[:, b]
            slopes.append(product if a == b else product + product.T)
    # V is linear in its elements, so that Phi is the sum of its slopes times the elements.
    slopes.append(Phi - np.einsum("i,iab->ab", ratios, np.array(slopes)))
    precision = Precision(
        covariance=frozen_array(s2 * back @ Phi @ back.T),
        adjusted=None,
        slopes=frozen_array(back @ np.array(slopes) @ back.T),
        expected=None,
        observed=frozen_array(turned @ joint @ turned.T),
        note=f"Kenward-Roger is not computed above {LARGE} rows",
    )
    return precision, eta


def _predictions(
    layout: EliminationLayout, state: EliminationState, parts: dict[int, Moments], eta: Array, spread: float
) -> tuple[tuple[RandomEffectPredictions, ...], Array]:
    """Predictions of every random effect, and their sum (n,) in every row."""
    order = {link.effect: np.argsort(link.codes) for link in layout.chain}
    s2 = state.variance
    results, total = [], np.zeros(layout.n)
    for number, (effect, unit) in enumerate(zip(layout.effects, layout.units, strict=True)):
        part = parts[number]
        sort = order.get(number, slice(None))
        G = layout.map.blocks[number].matrix(eta) / s2
        values = spread * (part.scores[sort] @ G) / unit
        blocks = part.blocks[sort]
        covariance = spread**2 * s2 * (G - G @ blocks @ G) / np.outer(unit, unit)
        levels, codes = level_codes(effect.groups)
        total += (effect.design * values[codes]).sum(axis=1)
        results.append(
            RandomEffectPredictions(
                effect.name,
                tuple(levels.tolist()),
                effect.columns,
                frozen_array(values),
                frozen_array(covariance),
            )
        )
    return tuple(results), total
