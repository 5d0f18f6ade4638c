"""Products and inverses of stacks of very small matrices, where calling LAPACK once per matrix is slow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SMALL = 4  # inner dimension up to which a sum over it is faster than one library call per matrix


def multiply(left: Array, right: Array) -> Array:
    """Matrix product of stacks (..., a, b) and (..., b, c), broadcast as by ``@``.

    Examples
    --------
    >>> multiply(np.eye(2), np.array([[1.0, 2.0], [3.0, 4.0]]))
    array([[1., 2.],
           [3., 4.]])
    """
    inner = left.shape[-1]
    if inner == 1:
        return np.asarray(left * right)
    if inner > SMALL or left.ndim == 2:
        return np.asarray(left @ right)
    total = left[..., :, :1] * right[..., :1, :]
    for place in range(1, inner):
        total += left[..., :, place, None] * right[..., place, None, :]
    return np.asarray(total)


def flat(values: Array, kept: int = 2) -> Array:
    """All axes after the first ``kept`` in one."""
    return values.reshape(*values.shape[:kept], -1)


def transposed(values: Array) -> Array:
    """The last two axes exchanged."""
    return values.swapaxes(-1, -2)
