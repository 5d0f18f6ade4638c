"""A binary mixed model arranged for the search: scaled columns, coded levels, places of the parameters.

The search moves ``(beta, theta)``: coefficients of fixed effects that were made orthogonal with mean square
one, and the lower triangles of the factors ``Lambda_k``, row by row, of columns scaled to mean square one.
The likelihood does not change when a column of ``Lambda_k`` changes sign. It is therefore an even, smooth
function through a standard deviation of zero, where its slope is zero: a boundary that needs no bounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import roots_hermite

from studykit.mixed.binary_links import Link
from studykit.mixed.parameters import triangle
from studykit.mixed.random_effects import RandomEffect
from studykit.results import frozen_array

Array = NDArray[np.float64]
Codes = NDArray[np.intp]


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
    """The whole model, of one trial or many; symbols as in `studykit.mixed.binary_links`.

    Parameters
    ----------
    y, m : ndarray, shape (trials, n)
        A row without trials (``m = 0``) says nothing.
    X : ndarray, shape (n, p) or (trials, n, p)
        ``X'X = n I`` over the user's rows.
    back : ndarray, shape (p, p) or (trials, p, p)
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
    penalised : ndarray of bool, shape (trials,)
        Whether the trial has Jeffreys' penalty.
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
    penalised: NDArray[np.bool_]

    @property
    def coefficients(self) -> int:
        """Number of fixed effects."""
        return int(self.X.shape[-1])

    @property
    def size(self) -> int:
        """Number of parameters."""
        return self.coefficients + int(self.parts[-1].places.stop)

    @property
    def effects(self) -> int:
        """Number of random effects."""
        return sum(len(part.levels) * part.order for part in self.parts)

    def take(self, trials: NDArray[np.intp]) -> Problem:
        """The same for some of the trials."""
        return replace(
            self,
            y=self.y[trials],
            m=self.m[trials],
            X=self.X if self.X.ndim == 2 else self.X[trials],
            back=self.back if self.back.ndim == 2 else self.back[trials],
            penalised=self.penalised[trials],
        )

    def predictor(self, beta: Array) -> Array:
        """``X beta`` (trials, n)."""
        if self.X.ndim == 2:
            return np.asarray(beta @ self.X.T)
        return np.asarray((self.X @ beta[..., None])[..., 0])

    def by_coefficient(self, values: Array) -> Array:
        """``X'`` times values (trials, n)."""
        if self.X.ndim == 2:
            return np.asarray(values @ self.X)
        return np.asarray((values[:, None, :] @ self.X)[:, 0, :])

    def by_part(self, modes: Array) -> list[Array]:
        """Random effects (..., levels, q) of every part, from all in one row."""
        pieces, start = [], 0
        for part in self.parts:
            stop = start + len(part.levels) * part.order
            pieces.append(modes[..., start:stop].reshape(*modes.shape[:-1], -1, part.order))
            start = stop
        return pieces

    def single(self) -> list[int]:
        """Places, among all parameters, of the deviations of single columns."""
        return [self.coefficients + part.places.start for part in self.parts if part.order == 1]

    def diagonal(self) -> list[int]:
        """Places, among all parameters, of the diagonals of the factors."""
        return [
            self.coefficients + part.places.start + row * (row + 3) // 2
            for part in self.parts
            for row in range(part.order)
        ]

    def scale(self) -> Array:
        """Matrix (size, size) from the only trial's parameters to those in the user's units."""
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
    """The log-likelihood at one set of parameters for every trial.

    Parameters
    ----------
    x : ndarray, shape (trials, size)
    value : ndarray, shape (trials,)
        Without the binomial coefficients.
    gradient : ndarray, shape (trials, size)
    modes : ndarray, shape (trials, effects)
        Standardised random effects ``u`` at their mode, part by part, level by level.
    """

    x: Array
    value: Array
    gradient: Array
    modes: Array

    def take(self, trials: NDArray[np.intp]) -> Evaluation:
        """A copy for some of the trials."""
        return Evaluation(self.x[trials], self.value[trials], self.gradient[trials], self.modes[trials])

    def put(self, trials: NDArray[np.intp], other: Evaluation, chosen: NDArray[np.bool_]) -> None:
        """Put the ``chosen`` of the ``other`` trials in the places of ``trials``."""
        for name in ("x", "value", "gradient", "modes"):
            getattr(self, name)[trials[chosen]] = getattr(other, name)[chosen]


def arrange(
    y: Array,
    m: Array,
    X: Array,
    effects: Sequence[RandomEffect],
    link: Link,
    points: int,
) -> tuple[Problem, Codes]:
    """The problem of ``y, m`` (trials, n) and ``X`` (n, p) or (trials, n, p), and where every row went (n,).

    Rows that are alike in everything but the outcome, in every trial, are added up: 200 clients of ten
    trainers in two arms are twenty rows. The likelihood stays the same, apart from the binomial coefficients.
    """
    n = X.shape[-2]
    Q, R = np.linalg.qr(X)
    scalar = len(effects) == 1 and effects[0].design.shape[1] == 1
    units = [np.sqrt((effect.design**2).mean(axis=0)) for effect in effects]
    designs = [effect.design / unit for effect, unit in zip(effects, units, strict=True)]
    first = place = np.arange(n)
    if X.ndim == 2:
        first, place = alike([effect.codes for effect in effects], np.column_stack([X, *designs]))
    if scalar:
        order = np.argsort(effects[0].codes[first], kind="stable")
        first, place = first[order], np.argsort(order)[place]
    parts, start = [], 0
    for effect, unit, design in zip(effects, units, designs, strict=True):
        places = slice(start, start + len(unit) * (len(unit) + 1) // 2)
        codes, columns = effect.codes[first], effect.columns
        parts.append(Part(effect.name, columns, effect.levels, codes, design[first], unit, places))
        start = places.stop
    by_kind = np.argsort(place, kind="stable")
    ends = np.searchsorted(place[by_kind], np.arange(len(first)))
    successes, trials = (np.add.reduceat(part[:, by_kind], ends, axis=1) for part in (y, m))
    problem = Problem(
        y=successes,
        m=trials,
        X=Q[..., first, :] * np.sqrt(n),
        back=np.asarray(np.linalg.inv(R), float) * np.sqrt(n),
        parts=tuple(parts),
        inner=int(np.argmax([len(part.levels) * part.order for part in parts])),
        link=link,
        points=points,
        starts=np.searchsorted(parts[0].codes, np.arange(len(parts[0].levels))) if scalar else None,
        penalised=np.zeros(len(y), bool),
    )
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
