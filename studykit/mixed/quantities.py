"""Quantities of a mixed model that have no plain standard error: what is asked, in words and in numbers.

A variance near zero has a lopsided uncertainty, so that a z-test of it is wrong (its p-value too); a
profile or a bootstrap gives an interval instead. Each class here names one such quantity.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from studykit.errors import ArgumentError
from studykit.mixed.result import CovarianceParameters, RandomEffectCovariance
from studykit.results import Result


@dataclass(frozen=True, slots=True)
class StandardDeviation(Result):
    """Spread between the levels of a random effect, in the unit of the outcome.

    Parameters
    ----------
    effect : str
    column : str, optional
        Needed where the effect has several columns.
    """

    effect: str
    column: str | None = None

    def __str__(self) -> str:
        which = "" if self.column is None else f" ({self.column})"
        return f"standard deviation between levels of {self.effect}{which}"


@dataclass(frozen=True, slots=True)
class Correlation(Result):
    """Correlation of two columns of one random effect."""

    effect: str
    first: str
    second: str

    def __str__(self) -> str:
        return f"correlation of {self.first} and {self.second} between levels of {self.effect}"


@dataclass(frozen=True, slots=True)
class ResidualDeviation(Result):
    """Residual standard deviation; at one visit where it depends on the visit."""

    visit: Any = None

    def __str__(self) -> str:
        return "residual standard deviation" + ("" if self.visit is None else f" at visit {self.visit}")


@dataclass(frozen=True, slots=True)
class ResidualCorrelation(Result):
    """Residual correlation of two visits (unstructured residual)."""

    first: Any
    second: Any

    def __str__(self) -> str:
        return f"residual correlation of visits {self.first} and {self.second}"


@dataclass(frozen=True, slots=True)
class Autocorrelation(Result):
    """Residual correlation at the smallest distance of two visits (autoregressive residual)."""

    def __str__(self) -> str:
        return "residual autocorrelation"


@dataclass(frozen=True, slots=True)
class VarianceShare(Result):
    """Share of the variance of one test that lies between levels of some random effects.

    It is the correlation of two tests that have these levels, and no others, in common: the
    intraclass correlation.

    Parameters
    ----------
    effects : tuple of str
    """

    effects: tuple[str, ...]

    def __str__(self) -> str:
        return f"share of the variance between levels of {' and '.join(self.effects)}"


@dataclass(frozen=True, slots=True)
class Contrast(Result):
    """A weighted sum of fixed effects.

    Parameters
    ----------
    weights : tuple of (str, float)
        Names and weights; names left out have weight zero.
    """

    weights: tuple[tuple[str, float], ...]

    @classmethod
    def of(cls, weights: str | Mapping[str, float]) -> Contrast:
        """From one name, or a mapping from name to weight."""
        pairs = {weights: 1.0} if isinstance(weights, str) else weights
        return cls(tuple((name, float(weight)) for name, weight in pairs.items()))

    def __str__(self) -> str:
        if len(self.weights) == 1 and self.weights[0][1] == 1.0:
            return self.weights[0][0]
        return " + ".join(f"{weight:g} x {name}" for name, weight in self.weights)


CovarianceQuantity = (
    StandardDeviation
    | Correlation
    | ResidualDeviation
    | ResidualCorrelation
    | Autocorrelation
    | VarianceShare
)
Quantity = CovarianceQuantity | Contrast


def value_of(quantity: CovarianceQuantity, parameters: CovarianceParameters) -> float:
    """The value at given covariance parameters.

    Returns
    -------
    float
        ``nan`` for a correlation of something that does not vary.

    Raises
    ------
    ArgumentError
        If the model has no such quantity.
    """
    residual = parameters.residual
    match quantity:
        case StandardDeviation(effect, column):
            found = effect_of(parameters, effect)
            return math.sqrt(max(found.matrix[(column_of(found, column),) * 2], 0.0))
        case Correlation(effect, first, second):
            found = effect_of(parameters, effect)
            return _correlation(found.matrix, column_of(found, first), column_of(found, second))
        case ResidualDeviation(visit):
            place = visit_of(parameters, visit)
            return math.sqrt(float(residual.matrix[place, place]))
        case ResidualCorrelation(first, second):
            if residual.kind != "unstructured":
                raise _refused("an unstructured residual", residual.kind)
            return _correlation(residual.matrix, visit_of(parameters, first), visit_of(parameters, second))
        case Autocorrelation():
            if residual.autocorrelation is None:
                raise _refused("an autoregressive residual", residual.kind)
            return residual.autocorrelation
        case VarianceShare(effects):
            return _share(effects, parameters)


def effect_of(parameters: CovarianceParameters, name: str) -> RandomEffectCovariance:
    """The random effect called ``name``."""
    for effect in parameters.random_effects:
        if effect.name == name:
            return effect
    known = ", ".join(repr(effect.name) for effect in parameters.random_effects) or "none"
    raise _refused(f"a random effect of the model ({known})", repr(name))


def column_of(effect: RandomEffectCovariance, name: str | None) -> int:
    """Place of a column; its name may be left out where there is only one."""
    if name is None and len(effect.columns) == 1:
        return 0
    if name not in effect.columns:
        known = ", ".join(map(repr, effect.columns))
        raise _refused(f"a column of {effect.name!r} ({known})", repr(name))
    return effect.columns.index(name)


def visit_of(parameters: CovarianceParameters, visit: Any) -> int:
    """Place of a visit in the residual matrix; left out where the variance is the same at all."""
    residual = parameters.residual
    if visit is None and residual.matrix.shape == (1, 1):
        return 0
    if visit not in residual.visits:
        known = ", ".join(map(repr, residual.visits)) or "none: leave the visit out"
        raise _refused(f"a visit of the residual structure ({known})", repr(visit))
    return residual.visits.index(visit)


def _correlation(matrix: np.ndarray[Any, Any], first: int, second: int) -> float:
    if first == second:
        raise _refused("two different columns or visits", "the same twice")
    size = math.sqrt(max(float(matrix[first, first] * matrix[second, second]), 0.0))
    return float(matrix[first, second]) / size if size > 0.0 else math.nan


def _share(effects: tuple[str, ...], parameters: CovarianceParameters) -> float:
    if not effects or len(set(effects)) != len(effects):
        raise _refused("names of random effects, each once", repr(effects))
    chosen = sum(float(effect_of(parameters, name).matrix[0, 0]) for name in effects)
    several = [effect.name for effect in parameters.random_effects if effect.columns != ("intercept",)]
    if several or parameters.residual.matrix.shape != (1, 1):
        raise _refused(
            "intercepts only and one residual variance: otherwise the share differs from test to test",
            f"columns that vary in {', '.join(several)}" if several else "a variance per visit",
        )
    total = sum(float(effect.matrix[0, 0]) for effect in parameters.random_effects)
    return chosen / (total + parameters.residual.variance)


def _refused(expected: str, got: str) -> ArgumentError:
    return ArgumentError(where="quantity", expected=expected, got=got)
