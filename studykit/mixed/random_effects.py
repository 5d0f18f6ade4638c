"""Random effects: one grouping factor, with the columns whose coefficients vary between its levels.

Symbols used in this room
-------------------------
===========  =====================================================================================
``n, p``     rows; columns of the fixed effects
``y, X``     outcome (n,); fixed effects (n, p)
``Z_k``      columns of random effect ``k``, one set of ``q_k`` columns per level
``G_k``      covariance (q_k, q_k) of one level's coefficients; every level has the same
``R``        residual covariance (n, n), see `studykit.mixed.residuals`
``V``        covariance of ``y``: sum over ``k`` of ``Z_k (I x G_k) Z_k'``, plus ``R``
``eta``      covariance elements: the lower triangles of all ``G_k``, then those of ``R``
``psi``      what the search moves: Cholesky factors, so that ``G_k`` cannot leave its range
``V_i``      derivative of ``V`` by ``eta_i``
===========  =====================================================================================
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.results import frozen_array


@dataclass(frozen=True, slots=True, eq=False)
class RandomEffect:
    """Coefficients that vary between the levels of one grouping factor.

    Parameters
    ----------
    name : str
        Names the effect in results, e.g. ``"client"``.
    groups : array_like, shape (n,)
        Label of every row's level. Equal labels are the same level: client ``1`` of one trainer and
        client ``1`` of another must carry different labels.
    design : array_like, shape (n,) or (n, q), optional
        Columns whose coefficients vary; an intercept by default. The columns of one effect are
        correlated; two effects with the same groups are not.
    columns : sequence of str, optional
        Names of the columns, for messages and results.

    Attributes
    ----------
    levels : ndarray
        Distinct labels in sorted order.
    codes : ndarray of int, shape (n,)
        For every row the place of its label among them.

    Raises
    ------
    ArgumentError
        If the shapes do not fit, a label is missing, or the design holds a value that is not finite.

    Examples
    --------
    >>> RandomEffect("client", ["a", "a", "b", "b"], [[1, 0], [1, 1], [1, 0], [1, 1]]).design.shape
    (4, 2)
    """

    name: str
    groups: NDArray[Any]
    design: NDArray[np.float64]
    columns: tuple[str, ...]
    levels: NDArray[Any]
    codes: NDArray[np.intp]

    def __init__(
        self,
        name: str,
        groups: ArrayLike,
        design: ArrayLike | None = None,
        *,
        columns: tuple[str, ...] | list[str] | None = None,
    ) -> None:
        labels = frozen_array(groups)
        where = f"random effect {name!r}"
        if labels.ndim != 1:
            raise ArgumentError(where=where, expected="one label per row", got=f"shape {labels.shape}")
        check_labels(labels, where)
        matrix = _columns(design, len(labels), where)
        names = tuple(columns) if columns is not None else _default_names(matrix)
        if len(names) != matrix.shape[1]:
            raise ArgumentError(
                where=where,
                expected=f"{matrix.shape[1]} column names, one for every column",
                got=f"{len(names)}",
            )
        object.__setattr__(self, "name", name)
        object.__setattr__(self, "groups", labels)
        object.__setattr__(self, "design", matrix)
        object.__setattr__(self, "columns", names)
        levels, codes = level_codes(labels)
        object.__setattr__(self, "levels", levels)
        object.__setattr__(self, "codes", codes)

    def __repr__(self) -> str:
        return f"RandomEffect({self.name!r}, {len(self.levels)} levels, columns {', '.join(self.columns)})"


def check_labels(labels: NDArray[Any], where: str) -> None:
    """Refuse labels that are missing: a row without a level would otherwise become a level of its own."""
    if labels.dtype.kind == "O":
        missing = np.array([label is None or label != label for label in labels], bool)
    elif labels.dtype.kind in "fc":
        missing = np.isnan(labels)
    else:
        return
    if missing.any():
        rows = ", ".join(str(row) for row in np.flatnonzero(missing)[:5])
        raise ArgumentError(
            where=where,
            expected="a label in every row",
            got=f"{int(missing.sum())} missing (first rows, counted from 0: {rows})",
            todo="Leave these rows out, or give them a label.",
        )


def level_codes(labels: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.intp]]:
    """Distinct labels in sorted order, and for every row the place of its label.

    Examples
    --------
    >>> level_codes(np.array(["b", "a", "b"]))[1]
    array([1, 0, 1])
    """
    if labels.dtype.kind == "O":
        texts = np.array([f"{type(label).__name__}:{label}" for label in labels])
        _, first, codes = np.unique(texts, return_index=True, return_inverse=True)
        return labels[first], codes.astype(np.intp)
    levels, codes = np.unique(labels, return_inverse=True)
    return levels, codes.astype(np.intp)


def column_units(design: NDArray[np.float64]) -> NDArray[np.float64]:
    """Root mean square of every column over the rows where it is not zero.

    Examples
    --------
    >>> column_units(np.array([[1.0, 0.0], [1.0, 2.0]]))
    array([1., 2.])
    """
    used = np.maximum((design != 0.0).sum(axis=0), 1)
    size = np.sqrt((design**2).sum(axis=0) / used)
    return np.asarray(np.where(size > 0.0, size, 1.0))


def _columns(design: ArrayLike | None, rows: int, where: str) -> NDArray[np.float64]:
    if design is None:
        return frozen_array(np.ones((rows, 1)))
    try:
        matrix = np.array(design, dtype=float)
    except (TypeError, ValueError):
        raise ArgumentError(
            where=where, expected="a design of numbers, shape (n, q)", got=type(design).__name__
        ) from None
    if matrix.ndim == 1:
        matrix = matrix[:, None]
    if matrix.ndim != 2 or len(matrix) != rows or matrix.shape[1] == 0:
        raise ArgumentError(
            where=where,
            expected=f"a design with {rows} rows, as many as labels, and at least one column",
            got=f"shape {matrix.shape}",
        )
    if not np.isfinite(matrix).all():
        raise ArgumentError(where=where, expected="finite numbers in the design", got="nan or infinity")
    return frozen_array(matrix)


def _default_names(matrix: NDArray[np.float64]) -> tuple[str, ...]:
    if matrix.shape[1] == 1 and (matrix == 1.0).all():
        return ("intercept",)
    return tuple(f"column {number + 1}" for number in range(matrix.shape[1]))
