"""Difference of two shares: printed intervals, inversion for the p-value, limits."""

import math

import pytest

from studykit.errors import ArgumentError
from studykit.lookback.associations import difference_of_shares


def found(shares, errors, correlation=0.0, freedom=math.inf):
    return difference_of_shares(
        shares, errors, correlation=correlation, degrees_of_freedom=freedom, method="given"
    )


def test_the_recovery_of_variances_by_hand():
    """Shares 0.3 (0.06) and 0.5 (0.07): logit intervals 0.1965 to 0.4289 and 0.3661 to 0.6339."""
    one = found((0.3, 0.5), (0.06, 0.07))

    def ends(share, error):
        reach = 1.959964 * error / (share * (1 - share))
        return [1 / (1 + math.exp(-(math.log(share / (1 - share)) + sign * reach))) for sign in (-1, 1)]

    (l1, u1), (l0, u0) = ends(0.3, 0.06), ends(0.5, 0.07)
    assert one.interval.lower == pytest.approx(-0.2 - math.hypot(0.3 - l1, u0 - 0.5), rel=1e-6)
    assert one.interval.upper == pytest.approx(-0.2 + math.hypot(u1 - 0.3, 0.5 - l0), rel=1e-6)
    assert one.standard_error == pytest.approx(math.hypot(0.06, 0.07))


def test_close_to_the_printed_interval_for_two_independent_shares():
    """56/70 and 48/80 (Newcombe 1998, table II): method 10 prints 0.0524 to 0.3339; logits come near."""
    shares = (56 / 70, 48 / 80)
    errors = tuple(math.sqrt(p * (1 - p) / n) for p, n in zip(shares, (70, 80), strict=True))
    interval = found(shares, errors).interval
    assert interval.lower == pytest.approx(0.0524, abs=0.01)
    assert interval.upper == pytest.approx(0.3339, abs=0.01)


def test_the_p_value_is_the_level_at_which_the_interval_ends_at_zero():
    edge = found((0.3, 0.5), (0.06, 0.07), freedom=12.0)
    low, high = 0.3, 0.8
    for _ in range(60):  # the second share at which the upper end stands at 0
        middle = (low + high) / 2
        end = found((0.3, middle), (0.06, 0.07), freedom=12.0).interval.upper
        low, high = (middle, high) if end > 0 else (low, middle)
    at_edge = found((0.3, low), (0.06, 0.07), freedom=12.0)
    assert at_edge.p_value == pytest.approx(0.05, abs=1e-6)
    assert edge.p_value < 0.1
    assert found((0.4, 0.4), (0.1, 0.1)).p_value == 1.0
    assert found((0.1, 0.9), (1e-4, 1e-4)).p_value < 1e-100


def test_swapping_the_shares_mirrors_everything():
    one, two = found((0.2, 0.6), (0.05, 0.08), 0.3, 9.0), found((0.6, 0.2), (0.08, 0.05), 0.3, 9.0)
    assert one.interval.lower == pytest.approx(-two.interval.upper)
    assert one.p_value == pytest.approx(two.p_value)
    assert one.standard_error == pytest.approx(two.standard_error)


def test_small_errors_give_the_usual_interval_and_ends_stay_within_minus_one_and_one():
    one = found((0.3, 0.5), (0.003, 0.004), 0.2)
    assert one.interval.upper - one.value == pytest.approx(1.959964 * one.standard_error, rel=0.01)
    wide = found((0.02, 0.97), (0.3, 0.3), -0.5)  # so wide that each share's own interval is 0 to 1
    assert wide.interval.lower == pytest.approx(-0.95 - math.sqrt(0.02**2 + 0.03**2 + 0.02 * 0.03), abs=1e-6)
    assert wide.interval.upper == pytest.approx(-0.95 + math.sqrt(0.98**2 + 0.97**2 + 0.98 * 0.97), abs=1e-6)


def test_impossible_shares_are_refused():
    with pytest.raises(ArgumentError, match="shares from 0 to 1"):
        found((1.2, 0.5), (0.1, 0.1))
