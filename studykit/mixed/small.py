"""Products of stacks of small matrices; those of order one are numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def multiply(left: Array, right: Array) -> Array:
    """Matrix product of stacks (..., a, b) and (..., b, c), broadcast as by ``@``.

    Examples
    --------
    >>> multiply(np.eye(2), np.array([[1.0, 2.0], [3.0, 4.0]]))
    array([[1., 2.],
           [3., 4.]])
    """
    return np.asarray(left * right if left.shape[-1] == 1 else left @ right)


def multiply_all(left: Array, right: Array) -> Array:
    """All matrices of one trial, ``left`` (m, ..., a, b), times one matrix, ``right`` (m, b, c)."""
    product = left.reshape(len(left), -1, left.shape[-1]) @ right
    return np.asarray(product.reshape(*left.shape[:-1], right.shape[-1]))


def flat(values: Array, kept: int = 2) -> Array:
    """All axes after the first ``kept`` in one."""
    return values.reshape(*values.shape[:kept], -1)


def transposed(values: Array) -> Array:
    """The last two axes exchanged."""
    return values.swapaxes(-1, -2)
