"""Fit large data: the search over relative covariances, and what the fit gives.

Above `LARGE` rows with equal residual variances, where factors with many levels cross and sums over pieces
(`studykit.mixed.sums`) would take too long or too much memory, the rows are summed by level
(`studykit.mixed.elimination_layout`), and time grows with the rows, whatever the number of levels. Then
Kenward-Roger is not computed: inference is by Satterthwaite, and the method named in every result says so.
With hundreds of degrees of freedom the two give the same intervals; with few levels of a factor between
which the contrast lies, Kenward-Roger's larger standard error is missing.
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
from studykit.mixed.layout import build_layout, dense_columns
from studykit.mixed.objective import LOG_2PI
from studykit.mixed.parameters import ParameterMap, triangle
from studykit.mixed.pieces import find_pieces
from studykit.mixed.random_effects import RandomEffect, level_codes
from studykit.mixed.residuals import ResidualStructure, element_names
from studykit.mixed.result import Coefficient, MixedFit, OptimiserReport, Precision, RandomEffectPredictions
from studykit.mixed.summary import boundary_terms, covariance_parameters, element_units, fingerprint
from studykit.mixed.sums import products_per_pair
from studykit.results import frozen_array

Array = NDArray[np.float64]

LARGE = 5000
"""Rows up to which the rows are never summed by level."""

MOST_COLUMNS = 500
"""Columns of crossed factors beyond which their products, element by element, take too long."""

MOST_NUMBERS = 25_000_000
"""Numbers, 0.2 GB of them, that rows with crossed columns or sums over pieces may hold; a few arrays do."""

WIDEST_RATIO = 1e4  # largest standard deviation relative to the residual's that is searched


def is_large(rows: int, effects: tuple[RandomEffect, ...], residual: ResidualStructure, p: int) -> bool:
    """Whether a model with ``p`` fixed effects is fitted by this module."""
    if rows <= LARGE or not effects or residual.kind != "equal":
        return False
    columns = dense_columns(rows, effects, residual)
    if columns > MOST_COLUMNS or rows * columns > MOST_NUMBERS:
        return True
    layout = build_layout(rows, effects, residual)
    return find_pieces(layout, None).pairs * products_per_pair(layout, p) > MOST_NUMBERS


@dataclass(frozen=True, eq=False)
class _Problem:
    """The layout as the search sees it: no coefficients, one part per random effect.

    The search moves factors relative to ``scale`` (k,), the size that each is expected to have.
    """

    layout: EliminationLayout
    scale: Array
    reml: bool

    coefficients = 0
    limit = WIDEST_RATIO

    @property
    def size(self) -> int:
        return self.layout.ratios.size

    @property
    def weight(self) -> float:
        return float(self.layout.n)

    @property
    def rounding(self) -> float:
        return 1e-12 * self.layout.n

    @cached_property
    def parts(self) -> tuple[_Part, ...]:
        return tuple(
            _Part(effect.name, block.order, slice(block.start, block.stop), self.layout.ratios)
            for effect, block in zip(self.layout.effects, self.layout.ratios.blocks, strict=True)
        )

    def objective(self, relative: Array, _: tuple[Array, ...]) -> Evaluation:
        """Half of ``-2 log L`` with its sign turned, and its gradient."""
        psi = self.scale * relative
        state = eliminate(self.layout, psi, reml=self.reml)
        parts = moments(self.layout, state, projected=self.reml)
        slope = gradient(self.layout, state, parts) @ self.layout.ratios.jacobian(psi[None])[0]
        return Evaluation(relative, -0.5 * state.value, -0.5 * self.scale * slope, ())


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
    scale = _expected_size(layout)
    problem = _Problem(layout, scale, reml)
    start = problem.objective(_diagonal(layout), ())
    optimum = search(problem, problem.objective, start, _first_information(layout, scale))
    psi = scale * optimum.at.parameters
    state = eliminate(layout, psi, reml=reml)
    parts = moments(layout, state, projected=True)
    back = solve_triangular(R, np.eye(len(R)))
    beta = back @ (ordinary + spread * state.dense.omega[layout.columns :])
    precision, eta = _precision(layout, state, parts, psi, _of_factors(optimum, scale), spread * back)
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


def _squares(layout: EliminationLayout) -> list[tuple[Array, Array]]:
    """Of every random effect, per level: sums of squares of its columns, and their products with ``y``."""
    found: dict[int, tuple[Array, Array]] = {}
    for link in layout.chain:
        found[link.effect] = (
            np.diagonal(link.products[..., : link.order], axis1=1, axis2=2),
            link.products[..., -1],
        )
    width = layout.met.shape[1]
    diagonal, with_y = np.zeros(layout.columns + 1), np.zeros(layout.columns + 1)
    np.add.at(diagonal, layout.met, layout.products[:, range(width), range(width)])
    np.add.at(with_y, layout.met, layout.products[..., -1])
    for item in layout.beside:
        place, shape = slice(item.start, item.stop), (item.levels, item.order)
        found[item.effect] = diagonal[place].reshape(shape), with_y[place].reshape(shape)
    return [found[number] for number in range(len(layout.effects))]


def _diagonal(layout: EliminationLayout) -> Array:
    """Ones at the diagonals of all factors."""
    place = np.zeros(layout.ratios.size)
    for block in layout.ratios.blocks:
        rows, columns = triangle(block.order)
        place[block.start : block.stop] = rows == columns
    return place


def _expected_size(layout: EliminationLayout) -> Array:
    """Size of every factor's rows: the spread of an effect's levels by itself, over that in the finest.

    Good enough to have the right order of magnitude, also where there is hardly any residual.
    """
    link, p = layout.chain[0], layout.p
    K, y = link.products[..., : link.order], link.products[..., -1:]
    explained = float((y * (np.linalg.pinv(K, hermitian=True) @ y)).sum())
    left = max(layout.n - K.shape[0] * K.shape[1], 1)
    whole = float(layout.fixed[p, p])
    within = max((whole - explained) / left, whole / layout.n / WIDEST_RATIO**2)
    size = np.zeros(layout.ratios.size)
    for block, (squares, with_y) in zip(layout.ratios.blocks, _squares(layout), strict=True):
        between = ((with_y**2 - within * squares).sum(axis=0)) / (squares**2).sum(axis=0)
        rows, _ = triangle(block.order)
        size[block.start : block.stop] = np.sqrt(np.maximum(between / within, START**2))[rows]
    return size


def _first_information(layout: EliminationLayout, scale: Array) -> Array:
    """A guess of the curvature at the start, elements taken apart and other factors left out."""
    size = np.zeros(layout.ratios.size)
    for block, (squares, _) in zip(layout.ratios.blocks, _squares(layout), strict=True):
        rows, _ = triangle(block.order)
        ratio = scale[block.start : block.stop] ** 2
        weight = ratio * squares[:, rows]
        size[block.start : block.stop] = 2.0 * ((weight / (1.0 + weight)) ** 2).sum(axis=0)
    return np.diag(np.maximum(size, 0.5))


def _of_factors(optimum: Optimum, scale: Array) -> Array:
    """Covariance (k, k) of the factors; directions that are flat have none."""
    values, vectors = np.linalg.eigh(optimum.curvature)
    sure = values > FLAT * values[-1]
    inverse = (vectors[:, sure] / values[sure]) @ vectors[:, sure].T
    return np.asarray(scale[:, None] * inverse * scale)


def _precision(
    layout: EliminationLayout,
    state: EliminationState,
    parts: dict[int, Moments],
    psi: Array,
    of_psi: Array,
    back: Array,
) -> tuple[Precision, Array]:
    """Covariances of the fixed effects and of the elements, and the elements relative to ``spread**2``.

    ``of_psi`` is the covariance of the factors at the best residual variance. With ``s`` the logarithm of
    that variance, ``f = D(psi) + degrees s + exp(-s) q(psi)`` gives the rest of the joint curvature.
    Directions that are flat (a variance at zero, redundant factors of a singular matrix) stay as they are.
    """
    u, s2 = layout.columns, state.variance
    Phi = state.dense.Omega[u:, u:]
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
        note="Kenward-Roger is not computed at this size",
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
