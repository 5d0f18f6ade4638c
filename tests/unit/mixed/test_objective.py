"""Covariances at the very edge of what can be inverted."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.mixed.objective import _invert

EDGE = [[0.6146246404, 1.1708192514], [1.1708192514, 2.2303331649]]


def test_a_singular_matrix_that_one_factorisation_lets_pass_is_no_optimum_and_no_crash() -> None:
    """Of rank one, yet its Cholesky factor exists in rounding, while elimination meets a zero pivot.

    A small trial with an unstructured covariance got there once in a thousand and ended in an error.
    """
    matrices = np.array([np.eye(2), EDGE])
    assert np.isfinite(np.linalg.cholesky(matrices)).all()
    with pytest.raises(np.linalg.LinAlgError, match="Singular"):
        np.linalg.inv(matrices)
    inverse, logs = _invert(matrices)
    np.testing.assert_array_equal(inverse[0], np.eye(2))
    assert np.isfinite(inverse).all()
    assert logs.tolist() == [0.0, np.inf]
