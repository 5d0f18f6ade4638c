r"""From what the search moves to the covariance elements: ``eta = L psi + psi' T psi / 2``.

Every covariance matrix ``G`` is written as ``Lambda Lambda'`` with ``Lambda`` lower triangular, so
``eta`` (lower triangles of the ``G``) is quadratic in ``psi`` (lower triangles of the ``Lambda``)::

    G_ab = sum over d of Lambda_ad Lambda_bd

and the chain rule is exact and short, with ``J = L + T psi``::

    gradient in psi = J' g          Hessian in psi = J' H J + sum over i of g_i T_i

The signs of ``Lambda`` are free, a zero diagonal is an ordinary point, and ``G`` is never outside its
range: a variance of zero needs no bound and no special case. The autocorrelation enters linearly.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@cache
def triangle(order: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Row and column numbers of a lower triangle, row by row."""
    rows, columns = np.tril_indices(order)
    return rows, columns


@cache
def _places(order: int) -> NDArray[np.intp]:
    """Place of every element of a symmetric matrix in its lower triangle."""
    places = np.zeros((order, order), np.intp)
    places[triangle(order)] = np.arange(order * (order + 1) // 2)
    return np.maximum(places, places.T)


@dataclass(frozen=True, slots=True, eq=False)
class CovarianceBlock:
    """A covariance matrix among the parameters: its order and where its elements stand in ``eta``.

    Parameters
    ----------
    start : int
        Place of its first element in ``eta`` (and of its first factor in ``psi``).
    order : int
        Number of rows; ``order (order + 1) / 2`` elements follow ``start``.
    """

    start: int
    order: int

    @property
    def stop(self) -> int:
        """Place after its last element."""
        return self.start + self.order * (self.order + 1) // 2

    def matrix(self, values: Array) -> Array:
        """Symmetric matrices (..., order, order) from elements (..., k)."""
        return np.asarray(values[..., self.start + _places(self.order)])

    def factor(self, psi: Array) -> Array:
        """Lower triangular factors (..., order, order) from ``psi`` (..., k)."""
        rows, columns = triangle(self.order)
        full = np.zeros((*psi.shape[:-1], self.order, self.order))
        full[..., rows, columns] = psi[..., self.start : self.stop]
        return full

    def gradient_matrix(self, gradient: Array) -> Array:
        """Derivative by the matrix itself: off-diagonal elements count twice in ``eta``."""
        return self.matrix(gradient) * np.where(np.eye(self.order, dtype=bool), 1.0, 0.5)


@dataclass(frozen=True, slots=True, eq=False)
class ParameterMap:
    """The map from ``psi`` to ``eta`` and its derivatives.

    Parameters
    ----------
    blocks : tuple of CovarianceBlock
        Every covariance matrix; a single variance has order one.
    size : int
        Number of elements, the autocorrelation included.
    linear : ndarray of bool, shape (size,)
        True at the autocorrelation, which enters as it is.
    """

    blocks: tuple[CovarianceBlock, ...]
    size: int
    linear: NDArray[np.bool_]
    quadratic: Array

    @classmethod
    @cache
    def build(cls, orders: tuple[int, ...], *, autocorrelation: bool) -> ParameterMap:
        """Blocks of the given orders one after the other, then the autocorrelation if there is one."""
        blocks: list[CovarianceBlock] = []
        start = 0
        for order in orders:
            blocks.append(CovarianceBlock(start, order))
            start = blocks[-1].stop
        size = start + int(autocorrelation)
        quadratic = np.zeros((size, size, size))
        for block in blocks:
            place = np.full((block.order, block.order), -1)
            place[triangle(block.order)] = np.arange(block.start, block.stop)
            for a, b in zip(*triangle(block.order), strict=True):
                for d in range(b + 1):
                    quadratic[place[a, b], place[a, d], place[b, d]] += 1.0
                    quadratic[place[a, b], place[b, d], place[a, d]] += 1.0
        return cls(tuple(blocks), size, np.arange(size) >= start, quadratic)

    def elements(self, psi: Array) -> Array:
        """``eta`` (m, k) at ``psi`` (m, k)."""
        halves = 0.5 * (self._quadratic_times(psi) @ psi[..., None])[..., 0]
        return np.asarray(np.where(self.linear, psi, halves))

    def pull_back(self, psi: Array, gradient: Array, hessian: Array) -> tuple[Array, Array]:
        """Gradient and Hessian in ``psi`` from those in ``eta``."""
        jacobian = self._quadratic_times(psi) + np.diag(self.linear.astype(float))
        turned = np.swapaxes(jacobian, -1, -2)
        curved = (gradient @ self.quadratic.reshape(self.size, -1)).reshape(hessian.shape)
        return (turned @ gradient[..., None])[..., 0], turned @ hessian @ jacobian + curved

    def _quadratic_times(self, psi: Array) -> Array:
        """``T psi`` (m, k, k): the Jacobian, but for what is linear."""
        product = psi @ self.quadratic.reshape(-1, self.size).T
        return np.asarray(product.reshape(len(psi), self.size, self.size))

    def scaled(self, psi: Array, factor: Array) -> Array:
        """``psi`` of a covariance multiplied by ``factor`` (m,)."""
        return np.asarray(np.where(self.linear, psi, psi * np.sqrt(factor)[:, None]))

    def largest_trace(self, eta: Array) -> Array:
        """Largest trace of all matrices, (m,)."""
        traces = [np.trace(block.matrix(eta), axis1=1, axis2=2) for block in self.blocks]
        return np.asarray(np.max(traces, axis=0))

    def least_share(self, eta: Array, number: int | None = None) -> Array:
        """Smallest eigenvalue of the first ``number`` matrices over the largest trace of all, (m,)."""
        largest = self.largest_trace(eta)
        least = [least_eigenvalue(block.matrix(eta)) for block in self.blocks[:number]]
        return np.asarray(np.min(least, axis=0) / largest) if least else np.full(len(eta), np.inf)

    def residual_share(self, eta: Array, effects: int) -> Array:
        """Smallest eigenvalue of the matrices behind those of the effects over the largest trace, (m,)."""
        least = [least_eigenvalue(block.matrix(eta)) for block in self.blocks[effects:]]
        return np.asarray(np.min(least, axis=0) / self.largest_trace(eta))

    def factors(self, eta: Array) -> Array:
        """``psi`` of given elements (..., k): Cholesky factors, a zero pivot giving a zero column."""
        psi = np.array(eta, dtype=float)
        for block in self.blocks:
            rows, columns = triangle(block.order)
            factor = semidefinite_factor(block.matrix(psi))
            psi[..., block.start : block.stop] = factor[..., rows, columns]
        return psi


def semidefinite_factor(matrix: Array) -> Array:
    """Lower triangular factors (..., q, q) of matrices that may be singular.

    Examples
    --------
    >>> semidefinite_factor(np.array([[4.0, 2.0], [2.0, 1.0]]))
    array([[2., 0.],
           [1., 0.]])
    """
    if matrix.shape[-1] == 1:
        return np.sqrt(np.maximum(matrix, 0.0))
    rest = np.array(matrix, dtype=float)
    factor = np.zeros_like(rest)
    floor = 1e-13 * np.diagonal(rest, axis1=-2, axis2=-1).max(axis=-1, initial=0.0)
    for place in range(rest.shape[-1]):
        pivot = rest[..., place, place]
        root = np.where(pivot > floor, 1.0 / np.sqrt(np.where(pivot > floor, pivot, 1.0)), 0.0)
        column = rest[..., place:, place] * root[..., None]
        factor[..., place:, place] = column
        rest[..., place:, place:] -= column[..., :, None] * column[..., None, :]
    return factor


def least_eigenvalue(matrix: Array) -> Array:
    """Smallest eigenvalue of symmetric matrices (..., q, q)."""
    if matrix.shape[-1] == 1:
        return np.asarray(matrix[..., 0, 0])
    return np.asarray(np.linalg.eigvalsh(matrix)[..., 0])


def nearest_covariance(matrix: Array, floor: float) -> Array:
    """Matrices (..., q, q) with eigenvalues below ``floor`` raised to it."""
    if matrix.shape[-1] == 1:
        return np.asarray(np.maximum(matrix, floor))
    values, vectors = np.linalg.eigh(matrix)
    raised = np.maximum(values, floor)[..., None, :]
    return np.asarray((vectors * raised) @ vectors.swapaxes(-1, -2))
