"""The allocated clients of one study, or of many of one size, as arrays.

Arms, trainers, and what is known before. The first axis counts studies; a single study is a batch of one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.records.rows import Clients

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
RELATIVE_RANK_TOLERANCE = 1e-9
SURELY_INDEPENDENT = 1e-4  # of a column's length is its own: far above what rounding makes of the squares
RIDGE = 1e-12


@dataclass(frozen=True, slots=True)
class FactColumns:
    """Columns centred within each study; shape (m, clients, k)."""

    names: tuple[str, ...]
    values: Floats


@dataclass(frozen=True, slots=True, eq=False)
class ClientArrays:
    """The clients of m studies, in order of allocation.

    Parameters
    ----------
    arm : ndarray of int, shape (m, clients)
        Index into ``arm_labels``; 0 is the reference arm.
    arm_labels : tuple of str
    compared_arm : int
        The arm that is compared with the reference arm.
    trainer : ndarray of int, shape (m, clients)
        Index into ``trainer_labels``.
    trainer_labels : tuple of str
    factors : tuple of (name, codes, levels)
        Stratifiers other than the trainer: codes of shape (m, clients), -1 where missing.
    covariates : tuple of (name, values)
        Values of shape (m, clients), ``nan`` where missing.
    """

    arm: Integers
    arm_labels: tuple[str, ...]
    compared_arm: int
    trainer: Integers
    trainer_labels: tuple[str, ...]
    factors: tuple[tuple[str, Integers, tuple[str, ...]], ...] = ()
    covariates: tuple[tuple[str, Floats], ...] = ()

    @classmethod
    def of_study(
        cls,
        clients: Clients,
        *,
        compared_arm: int = 1,
        trainers: tuple[Integers, tuple[str, ...]] | None = None,
    ) -> ClientArrays:
        """A single study; ``trainers`` are codes and labels in place of those recorded."""
        codes, labels = trainers or (clients.trainer, clients.trainer_labels)
        factors = []
        for name, own, levels in clients.factors:
            present = np.unique(own[own >= 0])
            place = np.where(own >= 0, np.searchsorted(present, own), -1)
            factors.append((name, place[None], tuple(levels[code] for code in present)))
        covariates = tuple((name, values[None]) for name, values in clients.covariates)
        return cls(
            clients.arm[None],
            clients.arm_labels,
            compared_arm,
            codes[None],
            labels,
            tuple(factors),
            covariates,
        )

    @property
    def studies(self) -> int:
        """How many there are."""
        return len(self.arm)

    def _changed(self, how: Any) -> ClientArrays:
        return replace(
            self, arm=how(self.arm), trainer=how(self.trainer),
            factors=tuple((name, how(codes), levels) for name, codes, levels in self.factors),
            covariates=tuple((name, how(values)) for name, values in self.covariates),
        )  # fmt: skip

    def take(self, which: Any) -> ClientArrays:
        """Some of the studies, by index or flag."""
        return self._changed(lambda values: values[which])

    def reordered(self, order: Integers) -> ClientArrays:
        """The same clients in another order, ``order`` of shape (m, clients)."""
        return self._changed(lambda values: np.take_along_axis(values, order, axis=1))

    def in_arm(self) -> Flags:
        """Who is in which arm, shape (m, clients, arms)."""
        return np.asarray(self.arm[..., None] == np.arange(len(self.arm_labels)))

    def of_trainer(self) -> Flags:
        """Who trains with whom, shape (m, clients, trainers)."""
        return np.asarray(self.trainer[..., None] == np.arange(len(self.trainer_labels)))

    def facts(self) -> FactColumns:
        """Stratifiers as indicator columns of all levels but the first, and covariates.

        Notes
        -----
        A missing covariate is replaced by the mean over all allocated clients, without looking at arm or
        outcome, and an indicator column is added (White & Thompson 2005); the client is kept. Centred columns
        let a fitted mean stand for the average client of the study.
        """
        columns: list[tuple[str, Floats]] = []
        for name, codes, levels in self.factors:
            known = codes >= 0
            columns += [
                (f"{name} {level}", _centred(codes == place, known))
                for place, level in enumerate(levels)
                if place
            ]
            columns += _missing_indicator(name, known)
        for name, values in self.covariates:
            known = np.isfinite(values)
            if known.any():
                columns += [(name, _centred(values, known)), *_missing_indicator(name, known)]
        return _side_by_side(columns, self.arm.shape)

    def trainer_columns(self) -> FactColumns:
        """Indicator columns of all trainers but the first."""
        everybody = np.ones(self.arm.shape, dtype=bool)
        columns = [
            (label, _centred(self.trainer == place, everybody))
            for place, label in enumerate(self.trainer_labels)
            if place
        ]
        return _side_by_side(columns, self.arm.shape)


def _side_by_side(columns: list[tuple[str, Floats]], shape: tuple[int, ...]) -> FactColumns:
    values = np.stack([own for _, own in columns], axis=-1) if columns else np.empty((*shape, 0))
    return FactColumns(tuple(name for name, _ in columns), values)


def _centred(values: NDArray[Any], known: Flags) -> Floats:
    filled = np.where(known, values, 0.0)
    mean = filled.sum(axis=1, keepdims=True) / np.maximum(known.sum(axis=1, keepdims=True), 1)
    return np.where(known, filled - mean, 0.0)


def _missing_indicator(name: str, known: Flags) -> list[tuple[str, Floats]]:
    if known.all() or not known.any():
        return []
    return [(f"{name} missing", _centred(~known, np.ones_like(known)))]


def independent_columns(matrix: Floats) -> Flags:
    """Which columns say something that the columns before them do not; shape (..., p).

    Parameters
    ----------
    matrix : ndarray, shape (..., n, p)
        Any number of matrices.

    Examples
    --------
    >>> independent_columns(np.array([[1.0, 0.0, 1.0], [1.0, 1.0, 2.0], [1.0, 0.0, 1.0]])).tolist()
    [True, True, False]
    """
    products = matrix.swapaxes(-1, -2) @ matrix
    norms = np.sqrt(np.diagonal(products, axis1=-2, axis2=-1))
    scale = np.where(norms > 0.0, norms, 1.0)
    cosines = products / (scale[..., None] * scale[..., None, :]) + RIDGE * np.eye(norms.shape[-1])
    lengths = np.diagonal(np.linalg.cholesky(cosines), axis1=-2, axis2=-1)
    kept = np.asarray((norms > 0.0) & (lengths > SURELY_INDEPENDENT))
    unsure = ~kept.all(axis=-1)  # squares lose half the digits, and behind a repeated column they say nothing
    if unsure.any():
        kept[unsure] = orthonormal_columns(matrix[unsure])[1]
    return kept


def orthonormal_columns(matrix: Floats) -> tuple[Floats, Flags]:
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
