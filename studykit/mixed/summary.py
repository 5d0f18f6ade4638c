"""Covariance parameters in the user's units, and what is said about those at the boundary."""

from __future__ import annotations

import hashlib
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.parameters import ParameterMap, triangle
from studykit.mixed.random_effects import RandomEffect
from studykit.mixed.residuals import ResidualStructure
from studykit.mixed.result import CovarianceParameters, RandomEffectCovariance, ResidualCovariance
from studykit.results import frozen_array

Array = NDArray[np.float64]

BOUNDARY = 1e-8  # share of the largest variance below which an eigenvalue is zero


class Arranged(Protocol):
    """What is read from a layout: the model, the places of its elements, and the units of its columns."""

    @property
    def effects(self) -> tuple[RandomEffect, ...]:
        """The random effects."""
        ...

    @property
    def residual(self) -> ResidualStructure:
        """The residual structure."""
        ...

    @property
    def map(self) -> ParameterMap:
        """Places of the elements."""
        ...

    @property
    def units(self) -> tuple[Array, ...]:
        """Units of the columns of every random effect."""
        ...


def element_units(layout: Arranged, spread: float) -> Array:
    """Factors (k,) from the search's units to those of outcome and columns."""
    factors = np.ones(layout.map.size)
    for block, unit in zip(layout.map.blocks, layout.units, strict=False):
        rows, columns = triangle(block.order)
        factors[block.start : block.stop] = 1.0 / (unit[rows] * unit[columns])
    return np.where(layout.map.linear, factors, factors * spread**2)


def covariance_parameters(layout: Arranged, eta: Array) -> CovarianceParameters:
    """The elements (k,), in the user's units, as named matrices."""
    blocks = layout.map.blocks
    effects = tuple(
        RandomEffectCovariance(
            effect.name,
            effect.columns,
            frozen_array(block.matrix(eta)),
            len(effect.levels),
        )
        for effect, block in zip(layout.effects, blocks, strict=False)
    )
    rest = blocks[len(layout.effects) :]
    residual = layout.residual
    visits = () if residual.kind == "autoregressive" else residual.visit_labels
    if residual.kind == "by visit":
        matrix = np.diag([float(eta[block.start]) for block in rest])
    else:
        matrix = rest[0].matrix(eta)
    rho = float(eta[-1]) if residual.kind == "autoregressive" else None
    found = ResidualCovariance(residual.kind, visits, frozen_array(matrix), rho, residual.distance)
    return CovarianceParameters(effects, found)


def fingerprint(y: Array, X: Array) -> tuple[str, str]:
    """Hashes of the outcome and of the fixed effects, by which fits know that they may be compared."""
    return _hash(y), _hash(X)


def _hash(values: Array) -> str:
    return hashlib.sha256(np.ascontiguousarray(values).tobytes()).hexdigest()


def boundary_terms(layout: Arranged, eta: Array) -> tuple[str, ...]:
    """One sentence for every covariance matrix that is at zero or singular; ``eta`` in the search's units."""
    largest = max(float(np.trace(block.matrix(eta))) for block in layout.map.blocks)
    sentences = []
    for effect, block in zip(layout.effects, layout.map.blocks, strict=False):
        matrix = block.matrix(eta)
        zero = np.diag(matrix) <= BOUNDARY * largest
        values = np.linalg.eigvalsh(matrix)
        for column in np.flatnonzero(zero):
            what = effect.name if block.order == 1 else f"{effect.name} ({effect.columns[column]})"
            sentences.append(f"The estimated variance of {what} is zero.")
        if (values <= BOUNDARY * largest).sum() > zero.sum():
            sentences.append(
                f"The estimated covariance of {effect.name} is singular: "
                "its columns are perfectly correlated."
            )
    return tuple(sentences)
