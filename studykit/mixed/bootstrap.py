"""Parametric bootstrap of variances, correlations and shares: what fits of such data would have given.

New outcomes are drawn from the fitted model and fitted again; the interval runs between the quantiles of
the refitted values (percentile interval; Davison & Hinkley 1997, Bootstrap Methods and their Application,
section 5.3). Refits at the boundary count as what they are, values of zero or one. Refits that fail are
counted and named, never replaced.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError, ConvergenceError
from studykit.mixed.layout import Layout, build_layout
from studykit.mixed.model import HasModel, MixedModel, as_model, own_method
from studykit.mixed.objective import build_problem, trials_at_once, whiten
from studykit.mixed.parameters import semidefinite_factor
from studykit.mixed.quantities import CovarianceQuantity, value_of
from studykit.mixed.random_effects import level_codes
from studykit.mixed.result import CovarianceParameters, MixedFit, ResidualCovariance
from studykit.mixed.search import search, starting_values
from studykit.mixed.summary import covariance_parameters, element_units
from studykit.randomness import stream
from studykit.results import Interval, Result, RowCount, check_confidence_level, frozen_array

Array = NDArray[np.float64]

FEWEST = 100
"""Draws below which the quantiles of a 95 % interval are single extreme draws."""


@dataclass(frozen=True, slots=True, eq=False)
class BootstrapInterval(Result):
    """One quantity with its bootstrap distribution.

    Parameters
    ----------
    quantity : CovarianceQuantity
    estimate : float
        Of the fit.
    interval : Interval
    values : ndarray, shape (draws,)
        Refitted values, in the order of the draws; ``nan`` where a refit failed or the quantity is not
        defined (a correlation of something that does not vary).
    undefined : int
        Converged refits without a value.
    at_zero : int
        Refits that gave exactly zero.
    """

    quantity: CovarianceQuantity
    estimate: float
    interval: Interval
    values: Array
    undefined: int
    at_zero: int

    def __str__(self) -> str:
        return (
            f"{self.quantity}: {self.estimate:.4g} ({100 * self.interval.confidence_level:g} % interval "
            f"{self.interval.lower:.4g} to {self.interval.upper:.4g})"
        )


@dataclass(frozen=True, slots=True, eq=False)
class Bootstrap(Result):
    """All intervals from one set of draws.

    Parameters
    ----------
    intervals : tuple of BootstrapInterval
        In the order asked for.
    draws : RowCount
        Refits made, used and failed.
    remarks : tuple of str
    """

    intervals: tuple[BootstrapInterval, ...]
    draws: RowCount
    remarks: tuple[str, ...]


def bootstrap_intervals(
    model: MixedModel | HasModel,
    of: Sequence[CovarianceQuantity],
    *,
    seed: int,
    draws: int = 1000,
    confidence_level: float = 0.95,
    reml: bool | None = None,
) -> Bootstrap:
    """Percentile intervals by parametric bootstrap.

    Parameters
    ----------
    model : MixedModel
    of : sequence of StandardDeviation, Correlation, ResidualDeviation, VarianceShare, …
    seed : int
        The same seed gives the same numbers.
    draws : int
        At least 100; 1000 or more for a report.
    confidence_level : float
    reml : bool, optional
        How the model and the draws are fitted: by default as the fit that was given, else by REML.

    Returns
    -------
    Bootstrap

    Raises
    ------
    ArgumentError
        If nothing is asked for, a quantity is not in the model, or there are too few draws.
    ConvergenceError
        If the fit itself, or every refit, failed to converge.

    Examples
    --------
    >>> from studykit.mixed import RandomEffect
    >>> from studykit.mixed.quantities import VarianceShare
    >>> client = np.repeat(np.arange(6), 3)
    >>> loads = [50, 52, 51, 60, 61, 63, 55, 54, 56, 70, 68, 71, 58, 58, 57, 62, 65, 63]
    >>> model = MixedModel(loads, np.ones((18, 1)), RandomEffect("client", client))
    >>> found = bootstrap_intervals(model, [VarianceShare(("client",))], seed=1, draws=200)
    >>> print(found.draws)
    200 of 200 refits used
    """
    check_confidence_level(confidence_level)
    if not of or draws < FEWEST:
        raise ArgumentError(
            where="bootstrap",
            expected=f"a quantity and at least {FEWEST} draws",
            got=f"{len(of)} and {draws}",
        )
    if reml is None:
        reml = own_method(model) is not False
    model = as_model(model, "bootstrap")
    fit = model.fit(reml=reml)
    if not fit.converged:
        raise ConvergenceError(
            where="bootstrap", expected="a converged fit to draw from", got=fit.optimiser_report.message
        )
    estimates = [value_of(quantity, fit.covariance_parameters) for quantity in of]
    outcomes = simulate_outcomes(model, fit, draws=draws, generator=stream(seed, "mixed", "bootstrap"))
    refits = _refits(model, outcomes, reml=reml)
    used = sum(parameters is not None for parameters in refits)
    if not used:
        raise ConvergenceError(where="bootstrap", expected="refits that converge", got=f"none of {draws}")
    values = np.array(
        [
            [math.nan if parameters is None else value_of(quantity, parameters) for parameters in refits]
            for quantity in of
        ]
    )
    intervals = tuple(
        _interval(quantity, estimate, row, used, confidence_level)
        for quantity, estimate, row in zip(of, estimates, values, strict=True)
    )
    counted = RowCount(draws, used, (("did not converge", draws - used),), "refits")
    return Bootstrap(intervals, counted, _remarks(intervals, counted))


def _interval(
    quantity: CovarianceQuantity, estimate: float, values: Array, used: int, confidence_level: float
) -> BootstrapInterval:
    defined = values[np.isfinite(values)]
    tail = (1.0 - confidence_level) / 2.0
    lower, upper = np.quantile(defined, [tail, 1.0 - tail]) if len(defined) else (math.nan, math.nan)
    method = f"parametric bootstrap, percentiles of {len(defined)} refits"
    return BootstrapInterval(
        quantity,
        estimate,
        Interval(float(lower), float(upper), confidence_level, method),
        frozen_array(values),
        used - len(defined),
        int((defined == 0.0).sum()),
    )


def _remarks(intervals: Sequence[BootstrapInterval], counted: RowCount) -> tuple[str, ...]:
    remarks = []
    if counted.used < counted.supplied:
        remarks.append(f"{counted.supplied - counted.used} of {counted.supplied} refits did not converge.")
    for one in intervals:
        if one.at_zero:
            remarks.append(f"{one.at_zero} of {counted.used} refits gave a {one.quantity} of zero.")
        if one.undefined:
            remarks.append(
                f"In {one.undefined} of {counted.used} refits the {one.quantity} is not defined, since a "
                "variance is zero; the interval leaves these out."
            )
    return tuple(remarks)


def _refits(model: MixedModel, outcomes: Array, *, reml: bool) -> list[CovarianceParameters | None]:
    """Covariance parameters of every outcome (draws, n); None where the search found no optimum."""
    white = whiten(outcomes, model.fixed_effects[None])
    layout = build_layout(len(model.outcome), model.random_effects, model.residual)
    portion = trials_at_once(layout, white.Q.shape[2])
    found: list[CovarianceParameters | None] = []
    for start in range(0, len(outcomes), portion):
        here = slice(start, start + portion)
        found += _refit_portion(layout, white.left[here], white.Q, white.spread[here], reml=reml)
    return found


def _refit_portion(
    layout: Layout, left: Array, Q: Array, spread: Array, *, reml: bool
) -> list[CovarianceParameters | None]:
    problem = build_problem(layout, left, Q, reml=reml)
    optimum = search(problem, starting_values(problem)[0])
    eta = layout.map.elements(optimum.psi)
    return [
        covariance_parameters(layout, eta[trial] * element_units(layout, float(spread[trial])))
        if optimum.converged[trial]
        else None
        for trial in range(len(left))
    ]


def simulate_outcomes(
    model: MixedModel, fit: MixedFit, *, draws: int, generator: np.random.Generator
) -> Array:
    """Outcomes (draws, n) drawn from the model at the fitted parameters.

    Parameters
    ----------
    model : MixedModel
    fit : MixedFit
        Of this model.
    draws : int
    generator : numpy.random.Generator

    Returns
    -------
    ndarray, shape (draws, n)
    """
    outcomes = np.tile(fit.fitted_values(conditional=False), (draws, 1))
    for effect in model.random_effects:
        levels, codes = level_codes(effect.groups)
        factor = semidefinite_factor(fit.covariance_parameters[effect.name])
        drawn = generator.standard_normal((draws, len(levels), len(factor))) @ factor.T
        outcomes += np.einsum("nq,mnq->mn", effect.design, drawn[:, codes])
    return outcomes + _residuals(model, fit.covariance_parameters.residual, draws, generator)


def _residuals(
    model: MixedModel, covariance: ResidualCovariance, draws: int, generator: np.random.Generator
) -> Array:
    n, structure = len(model.outcome), model.residual
    noise: Array = generator.standard_normal((draws, n))
    if structure.visits is None:
        return np.asarray(noise * np.sqrt(covariance.variance))
    places = level_codes(structure.visits)[1]
    if structure.groups is None:
        return np.asarray(noise * np.sqrt(np.diag(covariance.matrix))[places])
    groups = level_codes(structure.groups)[1]
    for group in range(int(groups.max()) + 1):
        rows = np.flatnonzero(groups == group)
        if structure.kind == "unstructured":
            block = covariance.matrix[np.ix_(places[rows], places[rows])]
        else:
            steps = np.asarray(structure.steps)[rows]
            lag = np.abs(steps[:, None] - steps[None, :])
            block = covariance.variance * float(covariance.autocorrelation or 0.0) ** lag
        noise[:, rows] = noise[:, rows] @ semidefinite_factor(block).T
    return noise
