"""Residual structures: how the rows of one client vary and hang together beyond the random effects.

============== ======================================================= ============================
kind           covariance of two rows of one group, visits s and t      elements
============== ======================================================= ============================
equal          sigma^2 if the same row, else 0                          sigma^2
by visit       sigma_t^2 if the same row, else 0                        one variance per visit
autoregressive sigma^2 rho^|s - t|                                      sigma^2, rho
unstructured   Sigma_st                                                 lower triangle of Sigma
============== ======================================================= ============================
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
        Visit of every row; whole numbers for ``"autoregressive"``, where their distance counts.
        Needed by every kind but ``"equal"``.

    Raises
    ------
    ArgumentError
        If the kind is unknown, a needed column is absent or of another length, a group has two rows
        at one visit, or visits are not whole numbers where distances count.

    Examples
    --------
    >>> ResidualStructure("unstructured", ["a", "a", "b"], [0, 6, 0]).kind
    'unstructured'
    """

    kind: ResidualKind
    groups: NDArray[Any] | None
    visits: NDArray[Any] | None

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
        if kind == "autoregressive" and occasions is not None:
            _check_whole(occasions)
        object.__setattr__(self, "kind", kind)
        object.__setattr__(self, "groups", labels if correlated else None)
        object.__setattr__(self, "visits", occasions if kind != "equal" else None)

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


def _check_whole(visits: NDArray[Any]) -> None:
    if visits.dtype.kind not in "iuf" or not np.array_equal(visits, np.round(visits)):
        raise ArgumentError(
            where="residual structure, visits",
            expected="whole numbers, since the correlation falls with their distance",
            got=f"values of type {visits.dtype}",
            todo="Number the visits 0, 1, 2, …",
        )
