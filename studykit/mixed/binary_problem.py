"""A binary mixed model arranged for the search: scaled columns, coded levels, places of the parameters.

The search moves ``(beta, theta)``: coefficients of fixed effects that were made orthogonal with mean square
one, and the lower triangles of the factors ``Lambda_k``, row by row, of columns scaled to mean square one.
The likelihood does not change when a column of ``Lambda_k`` changes sign. It is therefore an even, smooth
function through a standard deviation of zero, where its slope is zero: a boundary that needs no bounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.special import roots_hermite

from studykit.mixed.binary_links import Link
from studykit.mixed.parameters import triangle
from studykit.mixed.random_effects import RandomEffect
from studykit.results import frozen_array

Array = NDArray[np.float64]
Codes = NDArray[np.intp]
Coded = tuple[NDArray[Any], Codes]  # distinct labels, and for every row the place of its label

HUGE = 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One random effect, coded.

    Parameters
    ----------
    name : str
    columns : tuple of str
    levels : ndarray
        Labels in sorted order.
    codes : ndarray of int, shape (n,)
    design : ndarray, shape (n, q)
        Columns divided by ``unit``.
    unit : ndarray, shape (q,)
        Root mean square of every column.
    places : slice
        Where its factor stands in ``theta``.
    """

    name: str
    columns: tuple[str, ...]
    levels: NDArray[Any]
    codes: Codes
    design: Array
    unit: Array
    places: slice

    @property
    def order(self) -> int:
        """Number of columns."""
        return int(self.design.shape[1])

    def factor(self, theta: Array) -> Array:
        """The lower triangular factor (q, q)."""
        lower = np.zeros((self.order, self.order))
        lower[triangle(self.order)] = theta[self.places]
        return lower


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """The whole model; symbols as in `studykit.mixed.binary_links`.

    Parameters
    ----------
    y, m : ndarray, shape (n,)
    X : ndarray, shape (n, p)
        ``X'X = n I`` over the user's rows.
    back : ndarray, shape (p, p)
        Coefficients of the user's columns are ``back @ beta``.
    parts : tuple of Part
        As the user gave them.
    inner : int
        The part with most random effects, eliminated first; the others are ``outer``.
    link : Link
    points : int
        Quadrature points; one is Laplace.
    starts : ndarray of int or None
        First row of every level where the rows are sorted by the only, scalar, random effect.
    """

    y: Array
    m: Array
    X: Array
    back: Array
    parts: tuple[Part, ...]
    inner: int
    link: Link
    points: int
    starts: Codes | None

    @property
    def coefficients(self) -> int:
        """Number of fixed effects."""
        return int(self.X.shape[1])

    @property
    def size(self) -> int:
        """Number of parameters."""
        return self.coefficients + int(self.parts[-1].places.stop)

    @property
    def weight(self) -> float:
        """All trials: the order of magnitude of the curvature."""
        return float(self.m.sum())

    @property
    def rounding(self) -> float:
        """Rise of the log-likelihood that its own rounding may hide."""
        return 1e-12 * self.weight

    @property
    def limit(self) -> float:
        """Deviation on the link scale that no data set supports."""
        return HUGE

    def diagonal(self) -> list[int]:
        """Places, among all parameters, of the diagonals of the factors."""
        return [
            self.coefficients + part.places.start + row * (row + 3) // 2
            for part in self.parts
            for row in range(part.order)
        ]

    def scale(self) -> Array:
        """Matrix (size, size) from the search's parameters to those in the user's units."""
        matrix = np.eye(self.size)
        p = self.coefficients
        matrix[:p, :p] = self.back
        for part in self.parts:
            rows, _ = triangle(part.order)
            places = p + np.arange(part.places.start, part.places.stop)
            matrix[places, places] = 1.0 / part.unit[rows]
        return matrix


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """The log-likelihood at one set of parameters.

    Parameters
    ----------
    parameters : ndarray, shape (size,)
    value : float
        Without the binomial coefficients.
    gradient : ndarray, shape (size,)
    modes : tuple of ndarray
        Standardised random effects ``u`` (levels, q) at their mode, part by part.
    """

    parameters: Array
    value: float
    gradient: Array
    modes: tuple[Array, ...]


def arrange(
    y: Array,
    m: Array,
    X: Array,
    R: Array,
    effects: Sequence[RandomEffect],
    coded: Sequence[Coded],
    link: Link,
    points: int,
) -> tuple[Problem, Codes]:
    """The problem, and for every row of the user (n,) the row of the problem that holds it.

    Rows that are alike in everything but the outcome are added up: 200 clients of ten trainers in two arms
    are twenty rows. The likelihood stays the same, apart from the binomial coefficients.
    """
    n, p = X.shape
    back = solve_triangular(R, np.eye(p)) * np.sqrt(n)
    scalar = len(effects) == 1 and effects[0].design.shape[1] == 1
    units = [np.sqrt((effect.design**2).mean(axis=0)) for effect in effects]
    designs = [effect.design / unit for effect, unit in zip(effects, units, strict=True)]
    first, place = alike([codes for _, codes in coded], np.column_stack([X, *designs]))
    if scalar:
        order = np.argsort(coded[0][1][first], kind="stable")
        first, place = first[order], np.argsort(order)[place]
    parts, start = [], 0
    for effect, (levels, codes), unit, design in zip(effects, coded, units, designs, strict=True):
        q = design.shape[1]
        places = slice(start, start + q * (q + 1) // 2)
        parts.append(Part(effect.name, effect.columns, levels, codes[first], design[first], unit, places))
        start = places.stop
    inner = int(np.argmax([len(part.levels) * part.order for part in parts]))
    starts = np.searchsorted(parts[0].codes, np.arange(len(parts[0].levels))) if scalar else None
    successes, trials = level_sums(place, y, len(first)), level_sums(place, m, len(first))
    problem = Problem(successes, trials, X[first] @ back, back, tuple(parts), inner, link, points, starts)
    return problem, place


def alike(codes: Sequence[Codes], table: Array) -> tuple[Codes, Codes]:
    """One row of every kind, and for every row (n,) its kind; every row by itself where few are alike.

    Kinds are found by one number per row, and then checked, which is faster than sorting whole rows.
    """
    n = len(table)
    whole = np.column_stack([*codes, table])
    key = whole @ np.sin(1.0 + np.arange(whole.shape[1]))
    _, first, place = np.unique(key, return_index=True, return_inverse=True)
    if len(first) > 0.8 * n or not (whole[first[place]] == whole).all():
        return np.arange(n), np.arange(n)
    return first, place


def level_sums(codes: Codes, values: Array, levels: int) -> Array:
    """Sums of ``values`` (n,) within every level, shape (levels,)."""
    return np.bincount(codes, values, levels).astype(float, copy=False)


@lru_cache(maxsize=64)
def hermite(points: int) -> tuple[Array, Array]:
    """Nodes ``x`` and ``log(weight exp(x^2) / sqrt(pi))`` of Gauss-Hermite quadrature.

    Examples
    --------
    >>> x, log_weights = hermite(9)
    >>> round(float(np.exp(log_weights - x**2) @ x**2), 12)  # half the variance of a standard normal
    0.5
    """
    nodes, weights = roots_hermite(points)
    with np.errstate(divide="ignore"):
        return frozen_array(nodes), frozen_array(np.log(weights) + nodes**2 - 0.5 * np.log(np.pi))
