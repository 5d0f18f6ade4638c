from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from studykit.errors import ArgumentError, DesignError
from studykit.planning.power import (
    chance_beyond,
    detectable_difference,
    expected_half_width,
    mean_of_standard_deviation,
    smallest_whole,
    t_power,
)


@settings(max_examples=30, deadline=None)
@given(st.floats(2.0, 200.0), st.floats(0.1, 0.95), st.floats(0.01, 0.09))
def test_the_detectable_difference_has_the_wanted_power(freedom: float, power: float, alpha: float) -> None:
    difference = detectable_difference(0.7, degrees_of_freedom=freedom, power=power, alpha=alpha)
    assert t_power(difference, 0.7, degrees_of_freedom=freedom, alpha=alpha) == pytest.approx(power, abs=1e-6)


@pytest.mark.parametrize("effect", [0.0, 1e-9])
def test_without_an_effect_power_is_the_type_one_error(effect: float) -> None:
    assert t_power(effect, 1.0, degrees_of_freedom=7) == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize(("effect", "sides", "power"), [(1e6, 2, 1.0), (-1e6, 2, 1.0), (-1e6, 1, 0.0)])
def test_huge_and_wrong_signed_effects_are_numbers_too(effect: float, sides: int, power: float) -> None:
    """User ask 3.4: other solvers give nan or another type, unsaid."""
    assert t_power(effect, 1.0, degrees_of_freedom=10, sides=sides) == power  # type: ignore[arg-type]


@pytest.mark.parametrize(("freedom", "effect"), [(1.0, 8.0), (2.0, 20.0), (1.5, 25.0)])
def test_few_degrees_of_freedom_give_a_number_between_their_neighbours(freedom: float, effect: float) -> None:
    """The noncentral t of the library gives nan at some of these points."""
    powers = [t_power(value, 1.0, degrees_of_freedom=freedom) for value in (effect - 1, effect, effect + 1)]
    assert powers[1] - powers[0] > -1e-6  # both ways of counting are that exact near one
    assert powers[2] - powers[1] > -1e-6
    assert 0.05 < powers[0] <= 1.0


@pytest.mark.parametrize("alpha", [0.05, 0.001])
@pytest.mark.parametrize("sides", [1, 2])
def test_without_an_effect_power_is_the_error_rate_to_the_last_digits(alpha, sides):
    """The sum over the spread gives it to seven digits only; it serves where the library gives no number."""
    assert t_power(0.0, 1.7, degrees_of_freedom=10, alpha=alpha, sides=sides) == pytest.approx(
        alpha, abs=1e-13
    )


def test_quadrature_agrees_with_the_library() -> None:
    for freedom in (1.0, 3.0, 12.0, 40.0):
        for effect in (0.5, 2.0, 3.5):
            critical = float(stats.t.ppf(0.975, freedom))
            got = chance_beyond(critical, effect, freedom) + chance_beyond(critical, -effect, freedom)
            assert got == pytest.approx(t_power(effect, 1.0, degrees_of_freedom=freedom), abs=1e-6)


def test_a_huge_effect_is_not_certain_where_the_critical_value_is_larger_still() -> None:
    """Integrated by scipy over the estimated spread, which with one degree of freedom is half-normal."""
    for effect, alpha in ((31.0, 0.005), (40.0, 0.01), (31.0, 0.05)):
        critical = float(stats.t.ppf(1.0 - alpha / 2.0, 1))

        def missed(spread: float, effect: float = effect, critical: float = critical) -> float:
            return float(stats.norm.cdf(critical * spread - effect) * 2.0 * stats.norm.pdf(spread))

        middle = effect / critical
        around = [max(0.0, middle - 10.0 / critical), middle + 10.0 / critical]
        expected = 1.0 - integrate.quad(missed, 0.0, 12.0, points=around, limit=200)[0]
        assert t_power(effect, 1.0, degrees_of_freedom=1.0, alpha=alpha) == pytest.approx(expected, abs=1e-4)
    difference = detectable_difference(1.0, degrees_of_freedom=1.0, alpha=0.01)
    assert t_power(difference, 1.0, degrees_of_freedom=1.0, alpha=0.01) == pytest.approx(0.8, abs=1e-6)


def test_the_expected_standard_deviation_of_small_samples() -> None:
    """Handbook constants c4 for samples of 2 and 5 (degrees of freedom 1 and 4): 0.7979, 0.9400."""
    assert mean_of_standard_deviation(1.0) == pytest.approx(0.7979, abs=5e-5)
    assert mean_of_standard_deviation(4.0) == pytest.approx(0.9400, abs=5e-5)
    assert mean_of_standard_deviation(math.inf) == 1.0


def test_widths_shrink_with_degrees_of_freedom() -> None:
    widths = [expected_half_width(1.0, degrees_of_freedom=freedom) for freedom in (1, 2, 5, 20, math.inf)]
    assert widths == sorted(widths, reverse=True)


@settings(max_examples=50, deadline=None)
@given(st.integers(2, 5000))
def test_the_smallest_whole_number_is_the_smallest(answer: int) -> None:
    assert smallest_whole(lambda number: float(number), float(answer)) == answer


def test_out_of_reach_says_what_is_reached() -> None:
    with pytest.raises(DesignError, match=r"at most 1000; found 0.999 against 1 there"):
        smallest_whole(lambda number: 1.0 - 1.0 / number, 1.0, most=1000)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            {"standard_error": 0.0, "degrees_of_freedom": 5.0},
            "a standard error and degrees of freedom above 0",
        ),
        (
            {"standard_error": 1.0, "degrees_of_freedom": 0.0},
            "a standard error and degrees of freedom above 0",
        ),
        ({"standard_error": 1.0, "degrees_of_freedom": 5.0, "alpha": 5.0}, "a number between 0 and 1"),
    ],
)
def test_impossible_arguments_are_refused(arguments: dict[str, float], message: str) -> None:
    with pytest.raises(ArgumentError, match=message):
        t_power(1.0, **arguments)


@pytest.mark.parametrize(("sides", "power"), [(1, 0.6388), (2, 0.5160)])
def test_without_limit_of_degrees_of_freedom_power_is_the_normal_one(sides: int, power: float) -> None:
    """Two standard errors at 5 %: 1 - Phi(1.645 - 2), and both tails beyond 1.960."""
    found = t_power(2.0, 1.0, degrees_of_freedom=float("inf"), sides=sides)  # type: ignore[arg-type]
    assert found == pytest.approx(power, abs=5e-5)
