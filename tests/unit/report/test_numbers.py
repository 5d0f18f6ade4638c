"""The style of numbers (reporting requirement C04), against the rules of the APA manual.

Source: American Psychological Association, Publication Manual (7th edition), 6.36 and 6.43 to 6.46: exact
p-values to two or three decimals, "p < .001" below, no leading zero where a quantity cannot exceed 1,
intervals in brackets.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studykit.report.numbers import (
    GAP,
    PER_CENT_CHANGE,
    RATIO,
    Scale,
    correlation,
    count_of,
    day_text,
    decimals_of_step,
    in_unit,
    level,
    number,
    p_cell,
    p_value,
    points,
)
from studykit.results import Interval


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (0.0312, "p = .031"), (0.003, "p = .003"), (0.0009999, "p < .001"), (0.001, "p = .001"),
        (0.45, "p = .45"), (1.0, "p > .99"), (0.0, "p < .001"), (math.nan, "not estimated"),
    ],
)  # fmt: skip
def test_p_values_follow_the_manual(value: float, shown: str) -> None:
    assert p_value(value) == shown


@given(st.floats(0.0, 1.0))
def test_a_p_value_never_reads_as_zero_or_one_and_has_two_or_three_decimals(value: float) -> None:
    """G02: never "p = .000"."""
    shown = p_cell(value)
    digits = shown.lstrip("<>").removeprefix(".")
    assert len(digits) in (2, 3)
    assert shown not in {".000", "1.00", ".00"}


@given(st.floats(-1e6, 1e6), st.integers(0, 3))
def test_rounding_is_to_the_nearest_and_never_shows_a_negative_zero(value: float, decimals: int) -> None:
    text = number(value, decimals)
    back = float(text.replace("\u2212", "-"))
    assert abs(back - value) <= 0.5 * 10.0**-decimals * (1 + 1e-9) + 1e-9
    assert not (back == 0.0 and text.startswith("\u2212"))


def test_halves_are_rounded_as_people_do() -> None:
    assert [number(value, 1) for value in (0.25, 0.35, -0.25, 2.675)] == ["0.3", "0.4", "\u22120.3", "2.7"]


def test_a_per_cent_never_comes_without_its_counts() -> None:
    """G17: counts first, and no decimals below 1,000 clients."""
    assert count_of(5, 14, "clients").replace(GAP, " ") == "5 of 14 clients (36 %)"
    assert count_of(700, 2000).replace(GAP, " ") == "700 of 2000 (35.0 %)"
    assert count_of(0, 0, "clients") == "0 of 0 clients"


@pytest.mark.parametrize(
    ("step", "decimals"), [(5.0, 0), (2.5, 1), (1.25, 2), (0.1, 1), (20.0, 0), (None, 1)]
)
def test_decimals_are_no_finer_than_the_measuring_step(step: float | None, decimals: int) -> None:
    assert decimals_of_step(step) == decimals
    assert in_unit("kg", step).decimals == decimals


def test_an_interval_stands_in_brackets_with_its_unit_once() -> None:
    interval = Interval(0.988, 1.0836, 0.95, "t")
    assert PER_CENT_CHANGE.interval(interval).replace(GAP, " ") == "[\u22121.2, 8.4] %"
    assert RATIO.interval(interval).replace(GAP, " ") == "[0.99, 1.08]"
    assert points(72).interval(Interval(-0.118, 0.276, 0.95, "score")).startswith("[\u221212,")


def test_a_scale_knows_what_no_difference_looks_like() -> None:
    assert PER_CENT_CHANGE.rounds_to_null(1.0004)
    assert not PER_CENT_CHANGE.rounds_to_null(1.0006)
    assert RATIO.rounds_to_null(1.0)
    assert Scale("kg", 0).size(-2.6).replace(GAP, " ") == "3 kg"
    assert RATIO.size(1.04).strip() == "0.04"


def test_small_things() -> None:
    assert correlation(1.0) == "1.00"
    assert level(0.9).replace(GAP, " ") == "90 %"
    assert day_text(0) == "day 0"
    assert number(math.inf) == "infinity"
