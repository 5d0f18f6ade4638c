"""Units, and which attempts give a score."""

from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.protocol.types import Protocol
from studykit.records.scores import (
    EQUATIONS,
    attempt_scores,
    estimated_maximum,
    unit_factor,
    without_logarithm,
)

from .conftest import protocol_of


def outcome_of(**changes: object) -> ContinuousOutcome:
    content = {
        "kind": "continuous", "code": "strength", "name": "s", "unit": "kg", "primary_visit": "week_6",
        "score": {"rule": "load at repetitions", "repetitions": 10}, **changes,
    }  # fmt: skip
    return ContinuousOutcome.model_validate(content)


def test_conversions_are_exact_and_go_both_ways() -> None:
    """Pound: international yard and pound agreement of 1959; standard gravity: CGPM 1901 (both exact)."""
    assert unit_factor("lb", to="kg") == 0.45359237
    assert unit_factor("kgf", to="N") == 9.80665
    assert unit_factor("kg", to="lb") * unit_factor("lb", to="kg") == pytest.approx(1.0, rel=1e-15)
    assert unit_factor("plates", to="plates") == 1.0


@pytest.mark.parametrize(
    "pair", [("kg", "N"), ("plates", "kg"), ("lb", "plates"), ("stone", "kg"), ("kg", "points")]
)
def test_what_cannot_be_converted_is_not_a_number(pair: tuple[str, str]) -> None:
    assert math.isnan(unit_factor(pair[0], to=pair[1]))


def test_an_unknown_equation_is_refused() -> None:
    with pytest.raises(ArgumentError, match="one of epley, brzycki"):
        estimated_maximum(100.0, 5, equation="guess")


@pytest.mark.parametrize("equation", EQUATIONS)
def test_no_repetition_no_estimate_and_more_repetitions_more_strength(equation: str) -> None:
    assert math.isnan(float(estimated_maximum(100.0, 0, equation=equation)))
    estimates = estimated_maximum(np.full(12, 100.0), np.arange(1, 13), equation=equation)
    assert (np.diff(estimates) > 0).all()


@pytest.mark.parametrize(
    ("equation", "most"), [("brzycki", 3600.0), ("lander", 10000.0 / (101.3 - 2.67123 * 36.0))]
)
def test_the_equations_that_end_are_used_up_to_36_repetitions(equation: str, most: float) -> None:
    found = estimated_maximum(np.full(3, 100.0), np.array([35.0, 36.0, 37.0]), equation=equation)
    assert found[1] == pytest.approx(most, rel=1e-14)
    assert np.isfinite(found).tolist() == [True, True, False]


@pytest.mark.parametrize(
    ("equation", "at_5"),
    [
        ("epley", 100.0 * (1.0 + 5.0 / 30.0)),
        ("brzycki", 3600.0 / 32.0),
        ("lombardi", 100.0 * 5.0**0.1),
        ("mayhew", 10000.0 / (52.2 + 41.9 * math.exp(-0.275))),
        ("oconner", 112.5),
        ("wathen", 10000.0 / (48.8 + 53.8 * math.exp(-0.375))),
        ("lander", 10000.0 / (101.3 - 13.35615)),
    ],
)
def test_each_equation_as_published(equation: str, at_5: float) -> None:
    assert float(estimated_maximum(100.0, 5, equation=equation)) == pytest.approx(at_5, rel=1e-14)


def test_load_at_repetitions_takes_attempts_with_at_least_the_prescribed_number() -> None:
    load = np.array([80.0, 85.0, 90.0, 95.0, 100.0])
    score, reasons = attempt_scores(
        outcome_of(),
        load,
        repetitions=np.array([10.0, 12.0, 9.0, 10.0, np.nan]),
        success=np.array([1.0, np.nan, 1.0, 0.0, 1.0]),
    )
    assert score[:2].tolist() == [80.0, 85.0]
    assert np.isnan(score[2:]).all()
    assert {reason: int(holds.sum()) for reason, holds in reasons if holds.any()} == {
        "load or repetitions not recorded": 1,
        "attempt failed": 1,
        "fewer repetitions than prescribed": 1,
    }


def test_estimated_maximum_leaves_long_sets_out() -> None:
    rule = {"rule": "estimated maximum", "equation": "epley", "most_repetitions": 10}
    score, reasons = attempt_scores(
        outcome_of(score=rule),
        np.array([100.0, 100.0, 100.0]),
        repetitions=np.array([5.0, 11.0, 1.0]),
        success=np.full(3, np.nan),
    )
    assert score[0] == pytest.approx(116.6667, abs=1e-4)
    assert np.isnan(score[1])
    assert score[2] == 100.0
    left_out = {reason: int(holds.sum()) for reason, holds in reasons}
    assert left_out["more repetitions than the equation is used for"] == 1


def test_zero_has_no_logarithm() -> None:
    score = np.array([0.0, -5.0, 5.0, np.nan])
    assert without_logarithm(outcome_of(), score).tolist() == [True, True, False, False]
    assert not without_logarithm(outcome_of(scale="as_measured"), score).any()


def test_recorded_values_have_no_attempts() -> None:
    protocol: Protocol = protocol_of()
    outcome = protocol.continuous_outcomes[0].model_copy(
        update={"score": outcome_of(score={"rule": "as recorded"}).score}
    )
    with pytest.raises(ArgumentError, match="a rule for attempts"):
        attempt_scores(outcome, np.ones(1), repetitions=np.ones(1), success=np.ones(1))
