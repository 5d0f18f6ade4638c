"""When the search for the optimum takes its last step."""

from __future__ import annotations

import numpy as np

from studykit.mixed.search import DECREMENT, SETTLED, _is_last


def test_the_last_step_is_seen_from_the_two_before() -> None:
    """Decrements near the optimum fall as now, now (now / before)^2: 1e-9 after 1e-5 leaves 1e-17."""
    assert (DECREMENT, SETTLED) == (1e-14, 1e-7)
    before = np.array([1e-5, 1e-5, np.inf, 1e-2])
    promised = np.array([1e-9, 1.1e-8, 1e-12, 1.1e-7])  # the second leaves 1.3e-14, the last is not settled
    np.testing.assert_array_equal(_is_last(promised, before), [True, False, False, False])
