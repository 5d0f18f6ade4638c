from __future__ import annotations

import pytest

from studykit.errors import ArgumentError
from studykit.planning.means import clients_for_difference, inflated_for_losses, summary_variance


@pytest.mark.parametrize("difference", [0.0, float("nan"), float("inf")])
def test_no_difference_has_no_sample_size(difference: float) -> None:
    """User ask 3.4: an error with the reason, not a nan."""
    with pytest.raises(ArgumentError, match="a difference that is not 0"):
        clients_for_difference(difference, 1.0)


def test_the_sign_of_a_difference_does_not_matter() -> None:
    assert clients_for_difference(-0.5, 1.0) == clients_for_difference(0.5, 1.0)


def test_unit_of_the_outcome_does_not_matter() -> None:
    assert clients_for_difference(5.0, 10.0).raw == pytest.approx(clients_for_difference(0.5, 1.0).raw)


def test_impossible_shares_and_correlations_are_refused() -> None:
    with pytest.raises(ArgumentError, match="a share from 0 to below 1"):
        inflated_for_losses(40, 1.0)
    with pytest.raises(ArgumentError, match="a correlation between -1 and 1"):
        summary_variance("change", 1.0)
    with pytest.raises(ArgumentError, match="a spread, an inflation and a ratio above 0"):
        clients_for_difference(0.5, 0.0)
