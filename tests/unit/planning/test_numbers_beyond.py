"""Numbers that no plan can stand on: one clear refusal, no traceback, no overflow."""

from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.errors import DesignError
from studykit.planning.plan import plan_study
from studykit.planning.plan_text import plan_text
from studykit.protocol.planned import Planning
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Assumption, Protocol
from studykit.shipped import shipped

READY = read_protocol(shipped("protocols") / "parallel.toml").protocol
CANNOT_VANISH = (
    "sd_score", "sd_gain", "attended_of_planned", "eligible_of_screened", "consented_of_eligible",
    "test_minutes", "departure_shape", "sessions_per_week", "clients_per_month",
)  # fmt: skip
KEYS = tuple(key for key, field in Planning.model_fields.items() if "Assumption" in str(field.annotation))


def assuming(key: str, **changes: float) -> Protocol:
    """The ready protocol with one assumption changed, whatever its type would say of it."""
    own = getattr(READY.planning, key)
    known = {} if own is None else {"value": own.value, "low": own.low, "high": own.high}
    fields = {"value": 0.5, "low": None, "high": None, **known, **changes}
    changed = Assumption.model_construct(source="invented", evidence="weak", **fields)
    planning = READY.planning.model_copy(update={key: changed})
    return READY.model_copy(update={"planning": planning})


@pytest.mark.parametrize("number", [1e308, -1e308, math.inf, math.nan])
@pytest.mark.parametrize("key", KEYS)
def test_a_number_beyond_any_unit_is_refused_by_its_place(key: str, number: float) -> None:
    assert len(KEYS) > 20
    for end in ("value", "low", "high"):
        with pytest.raises(DesignError, match=f"planning, {key}: expected ") as caught:
            plan_study(assuming(key, **{end: number}))
        assert caught.value.got == f"{number:g}"


@pytest.mark.parametrize("number", [5e-324])
@pytest.mark.parametrize("key", KEYS)
def test_a_number_next_to_nothing_is_refused_by_its_place_or_planned_with(key: str, number: float) -> None:
    with np.errstate(all="raise", under="ignore"):
        if key in CANNOT_VANISH:
            with pytest.raises(DesignError, match=f"planning, {key}: expected"):
                plan_study(assuming(key, value=number, low=None, high=None))
        else:
            plan = plan_study(assuming(key, value=number, low=None, high=None))
            assert not {"inf", "nan"} & set(plan_text(plan).replace("%", " ").split())


@pytest.mark.parametrize("number", [1e-9, 1e9])
def test_the_ends_of_what_is_taken_are_taken(number: float) -> None:
    """A day's work in some currencies is a large number."""
    costs = plan_study(assuming("hour_cost", value=number)).costs
    assert costs is not None
    assert costs.planned.money == pytest.approx(number * costs.planned.hours)


@pytest.mark.parametrize(
    ("key", "number"), [("sd_score", 1e5), ("sd_score", 1e9), ("trainer_by_arm_sd", 1e4)]
)
def test_what_would_overflow_on_the_way_is_beyond_the_bounds(key: str, number: float) -> None:
    with pytest.raises(DesignError, match=f"planning, {key}: expected a number from"):
        plan_study(assuming(key, value=number, low=None, high=None))


def test_what_the_rules_of_the_protocol_stop_is_not_planned_with() -> None:
    """A program that builds its protocol itself meets the same refusal as an owner."""
    with pytest.raises(DesignError, match="planning, missed_tests: expected a share between 0 and 1"):
        plan_study(assuming("missed_tests", value=15.0))


@pytest.mark.parametrize(
    ("key", "low", "message"),
    [
        (
            "correlation_exercises",
            -0.5,
            r"correlation_exercises: expected a number from -0\.333 to 0\.999; found -0\.5",
        ),
        ("effect_strength", -100.0, "effect_strength: expected a number from -30 to 30; found -100"),
        ("retention_reference", -0.1, r"retention_reference: expected a share between 0 and 1; found -0\.1"),
        ("retention_reference", None, ""),
    ],
)
def test_an_impossible_end_of_a_range_is_refused(key: str, low: float | None, message: str) -> None:
    """The end is planned with too: it ended in Python's own message on a domain."""
    if low is None:
        assert plan_study(assuming(key, low=0.01)).what_if
        return
    with pytest.raises(DesignError, match=message):
        plan_study(assuming(key, low=low))


def test_where_no_difference_is_large_enough_words_say_so() -> None:
    """So certain a find is none: the plan said "about inf %"."""
    planning = READY.planning.model_copy(update={"power": 1.0 - 1e-15})
    plan = plan_study(READY.model_copy(update={"planning": planning}))
    assert "no true difference, however large, is found" in plan.can_tell[0]
    assert "inf" not in plan_text(plan).split()
    alike = next(item for item in plan.improvements if "6 machines" in item.change)
    assert alike.detectable is None
