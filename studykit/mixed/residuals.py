"""Residual structures: how the rows of one client vary and hang together beyond the random effects.

============== ======================================================= ============================
kind           covariance of two rows of one group, visits s and t      elements
============== ======================================================= ============================
equal          sigma^2 if the same row, else 0                          sigma^2
by visit       sigma_t^2 if the same row, else 0                        one variance per visit
autoregressive sigma^2 rho^(|s - t| / d), d the smallest distance      sigma^2, rho
unstructured   Sigma_st                                                 lower triangle of Sigma
============== ======================================================= ============================

Distances of an autoregressive residual are those of the visits as given, days or numbers (nlme's ``corAR1``
where all are multiples of the smallest one, else ``corCAR1``, with ``phi = rho^(1 / d)``). Where they are not
all multiples of ``d``, a negative ``rho`` has no power, and only correlations from 0 to 1 are possible.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.mixed.parameters import triangle
from studykit.mixed.random_effects import RandomEffect, check_labels, level_codes
from studykit.results import frozen_array

Array = NDArray[np.float64]
ResidualKind = Literal["equal", "by visit", "autoregressive", "unstructured"]


@dataclass(frozen=True, slots=True, eq=False)
class ResidualStructure:
    """Variance and correlation of the residuals over visits.

    Parameters
    ----------
    kind : {"equal", "by visit", "autoregressive", "unstructured"}
        See the table at the head of this module.
    groups : array_like, shape (n,), optional
        Rows of one group may be correlated (usually one group per client); needed by
        ``"autoregressive"`` and ``"unstructured"``.
    visits : array_like, shape (n,), optional
        Visit of every row; numbers for ``"autoregressive"``, where their distance counts.
        Needed by every kind but ``"equal"``.

    Attributes
    ----------
    distance : float
        Smallest distance of two visits of one group, for ``"autoregressive"``.
    steps : ndarray, shape (n,), or None
        Distance of every row from its group's first visit, divided by ``distance``.
    even : bool
        Whether all steps are whole numbers.

    Raises
    ------
    ArgumentError
        If the kind is unknown, a needed column is absent or of another length, a group has two rows
        at one visit, or visits are not numbers, or no group has two, where distances count.

    Examples
    --------
    >>> ResidualStructure("unstructured", ["a", "a", "b"], [0, 6, 0]).kind
    'unstructured'
    """

    kind: ResidualKind
    groups: NDArray[Any] | None
    visits: NDArray[Any] | None
    distance: float
    steps: Array | None
    even: bool

    def __init__(
        self,
        kind: ResidualKind = "equal",
        groups: ArrayLike | None = None,
        visits: ArrayLike | None = None,
    ) -> None:
        if kind not in get_args(ResidualKind):
            raise ArgumentError(
                where="residual structure",
                expected=f"one of {', '.join(map(repr, get_args(ResidualKind)))}",
                got=repr(kind),
            )
        correlated = kind in ("autoregressive", "unstructured")
        labels = _labels(groups, "groups", needed=correlated)
        occasions = _labels(visits, "visits", needed=kind != "equal")
        if labels is not None and occasions is not None and len(labels) != len(occasions):
            raise ArgumentError(
                where="residual structure",
                expected="as many visits as groups",
                got=f"{len(occasions)} and {len(labels)}",
            )
        if correlated and labels is not None and occasions is not None:
            _check_one_row_per_visit(labels, occasions)
        distance, steps, even = 1.0, None, True
        if kind == "autoregressive" and labels is not None and occasions is not None:
            distance, steps, even = _steps(labels, occasions)
        object.__setattr__(self, "kind", kind)
        object.__setattr__(self, "groups", labels if correlated else None)
        object.__setattr__(self, "visits", occasions if kind != "equal" else None)
        object.__setattr__(self, "distance", distance)
        object.__setattr__(self, "steps", steps)
        object.__setattr__(self, "even", even)

    def __repr__(self) -> str:
        return f"ResidualStructure({self.kind!r})"

    @property
    def visit_labels(self) -> tuple[Any, ...]:
        """Distinct visits in sorted order; none for equal variances."""
        return () if self.visits is None else tuple(level_codes(self.visits)[0].tolist())

    @property
    def element_names(self) -> tuple[str, ...]:
        """One name per covariance element, in the order of the table."""
        if self.kind == "equal":
            return ("residual variance",)
        if self.kind == "autoregressive":
            return ("residual variance", "residual autocorrelation")
        visits = self.visit_labels
        if self.kind == "by visit":
            return tuple(f"residual variance at visit {visit}" for visit in visits)
        return tuple(
            f"residual covariance of visits {visits[row]} and {visits[column]}"
            if row != column
            else f"residual variance at visit {visits[row]}"
            for row in range(len(visits))
            for column in range(row + 1)
        )


def element_names(effects: Sequence[RandomEffect], residual: ResidualStructure) -> tuple[str, ...]:
    """One name per covariance element: those of the random effects, then those of the residual."""
    names: list[str] = []
    for effect in effects:
        for row, column in zip(*triangle(effect.design.shape[1]), strict=True):
            a, b = effect.columns[row], effect.columns[column]
            names.append(
                f"variance of {effect.name} ({a})"
                if row == column
                else f"covariance of {effect.name} ({b}, {a})"
            )
    return (*names, *residual.element_names)


def _labels(values: ArrayLike | None, what: str, *, needed: bool) -> NDArray[Any] | None:
    if values is None:
        if needed:
            raise ArgumentError(
                where="residual structure",
                expected=f"{what}, one per row, for this kind of structure",
                got="none",
            )
        return None
    labels = frozen_array(values)
    if labels.ndim != 1:
        raise ArgumentError(
            where="residual structure", expected=f"one of {what} per row", got=f"shape {labels.shape}"
        )
    check_labels(labels, f"residual structure, {what}")
    return labels


def _check_one_row_per_visit(groups: NDArray[Any], visits: NDArray[Any]) -> None:
    levels, codes = level_codes(groups)
    occasions, places = level_codes(visits)
    _, counts = np.unique(codes * len(occasions) + places, return_counts=True)
    if (counts > 1).any():
        cells = np.unique(codes * len(occasions) + places)[counts > 1]
        first = int(cells[0])
        raise ArgumentError(
            where="residual structure",
            expected="at most one row per group and visit",
            got=f"several rows of group {levels[first // len(occasions)]} at visit "
            f"{occasions[first % len(occasions)]}",
            todo="Use a finer group, such as client by exercise, or one row per visit.",
        )


def _steps(groups: NDArray[Any], visits: NDArray[Any]) -> tuple[float, Array, bool]:
    """Smallest distance within a group, every row's steps from its group's first visit, whether all whole."""
    if visits.dtype.kind not in "iuf" or not np.isfinite(visits).all():
        raise ArgumentError(
            where="residual structure, visits",
            expected="numbers, since the correlation falls with their distance",
            got=f"values of type {visits.dtype}",
            todo="Give the day of each visit, or number the visits 0, 1, 2, …",
        )
    days, codes = visits.astype(float), level_codes(groups)[1]
    order = np.lexsort((days, codes))
    gaps = np.diff(days[order])[np.diff(codes[order]) == 0]
    if not len(gaps):
        raise ArgumentError(
            where="residual structure, groups",
            expected="a group with two visits, by which a correlation can be known",
            got="one visit in every group",
            todo='Use residuals of equal variance, or variances "by visit".',
        )
    first = np.full(int(codes.max()) + 1, np.inf)
    np.minimum.at(first, codes, days)
    distance = float(gaps.min())
    steps = (days - first[codes]) / distance
    even = bool((np.abs(steps - np.round(steps)) < 1e-9 * (1.0 + steps)).all())
    return distance, frozen_array(np.round(steps) if even else steps), even


def powers(rho: Array, lag: Array, *, even: bool) -> tuple[Array, ...]:
    """``rho^lag`` and its first and second derivative by ``rho``; the arrays broadcast.

    Where lags are not whole (``even`` false), ``-rho`` has the opposite power, for the search to pass zero
    smoothly; what it finds there is no model.
    """
    if even:
        parts = [rho ** np.maximum(lag - k, 0.0) for k in range(3)]
        return parts[0], lag * parts[1], lag * (lag - 1.0) * parts[2]
    size, sign = np.maximum(np.abs(rho), 1e-12), np.where(rho < 0.0, -1.0, 1.0)
    apart = lag > 0.0
    power = np.where(apart, sign, 1.0) * size**lag
    slope = lag * size ** np.where(apart, lag - 1.0, 0.0)
    return power, slope, sign * lag * (lag - 1.0) * size ** np.where(apart, lag - 2.0, 0.0)


EQUAL = ResidualStructure()
