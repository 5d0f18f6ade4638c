"""Columns for what is known of a client before allocation: stratifiers and named covariates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.records.rows import Clients

Floats = NDArray[np.float64]
RELATIVE_RANK_TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True)
class FactColumns:
    """Centred columns, one row per allocated client; shape (clients, k)."""

    names: tuple[str, ...]
    values: Floats


def fact_columns(clients: Clients) -> FactColumns:
    """Stratifiers as indicator columns and covariates, all centred over the allocated clients.

    Notes
    -----
    A missing covariate is replaced by the mean over all allocated clients, without looking at arm or
    outcome, and an indicator column is added (White & Thompson 2005); the client is kept. Centred columns
    let a fitted mean stand for the average client of the study.
    """
    names: list[str] = []
    columns: list[Floats] = []
    for factor, codes, levels in clients.factors:
        present = [code for code in range(len(levels)) if (codes == code).any()]
        for code in present[1:]:
            names.append(f"{factor} {levels[code]}")
            columns.append(_centred(np.where(codes == code, 1.0, 0.0), codes >= 0))
        _add_missing_indicator(names, columns, factor, codes >= 0)
    for covariate, values in clients.covariates:
        known = np.isfinite(values)
        if known.any():
            names.append(covariate)
            columns.append(_centred(values, known))
            _add_missing_indicator(names, columns, covariate, known)
    matrix = np.column_stack(columns) if columns else np.empty((clients.number, 0))
    return FactColumns(tuple(names), matrix)


def label_columns(codes: NDArray[np.int64], labels: tuple[str, ...]) -> FactColumns:
    """Centred indicator columns of all labels but the first."""
    values = (codes[:, None] == np.arange(1, len(labels))).astype(float)
    return FactColumns(labels[1:], values - values.mean(axis=0))


def _centred(values: Floats, known: NDArray[np.bool_]) -> Floats:
    mean = float(values[known].mean())
    return np.where(known, values - mean, 0.0)


def _add_missing_indicator(
    names: list[str], columns: list[Floats], fact: str, known: NDArray[np.bool_]
) -> None:
    if known.all() or not known.any():
        return
    indicator = (~known).astype(float)
    names.append(f"{fact} missing")
    columns.append(indicator - indicator.mean())


def independent_columns(matrix: Floats) -> NDArray[np.bool_]:
    """Which columns say something that the columns before them do not; shape (p,).

    Examples
    --------
    >>> independent_columns(np.array([[1.0, 0.0, 1.0], [1.0, 1.0, 2.0], [1.0, 0.0, 1.0]])).tolist()
    [True, True, False]
    """
    norms = np.linalg.norm(matrix, axis=0)
    if matrix.shape[0] >= matrix.shape[1]:
        diagonal = np.abs(np.diag(np.linalg.qr(matrix, mode="r")))
        if (diagonal > RELATIVE_RANK_TOLERANCE * norms).all():
            return np.ones(matrix.shape[1], dtype=bool)
    return orthonormal_columns(matrix)[1]


def orthonormal_columns(matrix: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """An orthonormal basis of the columns, each against those before it, and which columns add to it.

    Parameters
    ----------
    matrix : ndarray, shape (..., n, p)
        Any number of matrices.

    Returns
    -------
    basis : ndarray, shape (..., n, p)
        Zero in the place of a column that repeats others.
    kept : ndarray of bool, shape (..., p)

    Examples
    --------
    >>> basis, kept = orthonormal_columns(np.array([[1.0, 2.0, 0.0], [0.0, 0.0, 3.0]]))
    >>> basis.tolist(), kept.tolist()
    ([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]], [True, False, True])
    """
    columns = np.array(np.moveaxis(matrix, -1, -2), dtype=float, order="C")  # each a row, side by side
    norms = np.linalg.norm(columns, axis=-1)
    kept = np.ones(norms.shape, dtype=bool)
    for place in range(columns.shape[-2]):
        before, rest = columns[..., :place, :], columns[..., place, :]
        for _ in range(2):  # twice, so that rounding does not leave a shadow
            rest = rest - (before.swapaxes(-1, -2) @ (before @ rest[..., None]))[..., 0]
        length = np.linalg.norm(rest, axis=-1)
        own = (norms[..., place] > 0.0) & (length > RELATIVE_RANK_TOLERANCE * norms[..., place])
        kept[..., place] = own
        columns[..., place, :] = np.where(own[..., None], rest / np.where(own, length, 1.0)[..., None], 0.0)
    return columns.swapaxes(-1, -2), kept
