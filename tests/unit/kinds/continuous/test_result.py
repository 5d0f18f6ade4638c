"""Strength end to end on small rows: presentation, fallback, visits, arms, trainers, missing."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from studykit.errors import ArgumentError, DesignError, FitError
from studykit.kinds.continuous.assembly import analyse_continuous
from studykit.results import Estimate, to_plain
from tests.support.primary import primary_continuous


def cube_of(
    number: int, *, visits: int = 3, exercises: int = 1, seed: int = 1, arm: Any = None, effect: float = 0.1
) -> Any:
    """Scores in kilograms with gains that fan out; the last visit carries the effect."""
    rng = np.random.default_rng(seed)
    logs = rng.normal(4.2, 0.25, (number, 1, 1)) + rng.normal(0.0, 0.04, (number, visits, exercises))
    logs = logs + rng.normal(0.0, 0.08, (number, 1, exercises))
    logs = logs + np.cumsum(np.abs(rng.normal(0.1, 0.08, (number, visits, 1))), axis=1)
    if arm is not None:
        logs[:, -1] += effect * np.asarray(arm)[:, None]
    return np.exp(logs)


ARM = [0, 1] * 20


def test_a_ratio_is_a_ratio_and_kilograms_are_kilograms(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    """G16, G17: per cent with the original unit beside it, and the standardised size with its denominator."""
    protocol = make_protocol(exercises=("a", "b"))
    rows = make_rows(make_clients(ARM), cube_of(40, exercises=2, arm=ARM), protocol)
    result = analyse_continuous(protocol, protocol.continuous_outcomes[0], rows)
    assert result.primary.presentation == "ratio"
    assert result.primary.confidence_interval().contains(math.exp(0.1))
    reference = next(m.value for m in result.means if (m.arm, m.visit) == ("conventional", "day_84"))
    compared = next(m.value for m in result.means if (m.arm, m.visit) == ("partner_reps", "day_84"))
    assert compared / reference == pytest.approx(result.primary.value, rel=1e-9)
    assert result.original_unit is not None
    assert result.original_unit.unit == "kg"
    assert result.original_unit.value == pytest.approx(compared - reference, rel=1e-9)
    assert result.original_unit.p_value == result.primary.p_value
    assert result.standardised.unit == (
        "standard deviations of the composite log score before allocation, pooled within arms"
    )
    assert len(result.by_exercise) == 2
    assert to_plain(result)["primary"]["interval"]["lower"] < result.primary.value


def test_light_and_full_analysis_give_the_same_primary(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    protocol = make_protocol()
    outcome = protocol.continuous_outcomes[0]
    rows = make_rows(make_clients(ARM, [0, 0, 1, 1] * 10), cube_of(40), protocol)
    assert primary_continuous(protocol, outcome, rows) == analyse_continuous(protocol, outcome, rows).primary


def test_nothing_is_changed_in_place(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    """User ask 2.7."""
    protocol = make_protocol()
    rows = make_rows(make_clients(ARM), cube_of(40), protocol)
    before = rows.score.tobytes(), rows.client.tobytes(), rows.clients.arm.tobytes()
    analyse_continuous(protocol, protocol.continuous_outcomes[0], rows)
    assert (rows.score.tobytes(), rows.client.tobytes(), rows.clients.arm.tobytes()) == before


def test_rescaling_the_unit_changes_no_ratio(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    protocol = make_protocol(exercises=("a", "b"))
    outcome = protocol.continuous_outcomes[0]
    cube = cube_of(40, exercises=2)
    heavy = primary_continuous(protocol, outcome, make_rows(make_clients(ARM), cube, protocol))
    light = primary_continuous(protocol, outcome, make_rows(make_clients(ARM), cube * 2.2046226, protocol))
    assert light.value == pytest.approx(heavy.value, rel=1e-7)
    assert light.p_value == pytest.approx(heavy.p_value, rel=1e-5)


def test_swapping_the_arms_turns_the_ratio_over(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    protocol = make_protocol()
    outcome = protocol.continuous_outcomes[0]
    cube = cube_of(40, arm=ARM)
    one = primary_continuous(protocol, outcome, make_rows(make_clients(ARM), cube, protocol))
    other = primary_continuous(protocol, outcome, make_rows(make_clients(1 - np.array(ARM)), cube, protocol))
    assert other.value == pytest.approx(1.0 / one.value, rel=1e-7)


def test_clients_with_a_baseline_only_are_used(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    """F01, F14: everybody allocated with any score is in the model; the others are named."""
    protocol = make_protocol()
    cube = cube_of(40)
    cube[:5, 1:] = np.nan
    cube[5] = np.nan
    rows = make_rows(make_clients(ARM), cube, protocol)
    result = analyse_continuous(protocol, protocol.continuous_outcomes[0], rows)
    assert str(result.primary.rows) == "39 of 40 clients used; left out: 1 (no score at any visit)"
    assert sum(number for _, number in result.analysed) == 39
    assert len(result.series) == 39
    missing = {(count.arm, count.visit): count.observed for count in result.missing}
    assert missing["conventional", "day_84"] + missing["partner_reps", "day_84"] == 34


@pytest.mark.parametrize(("number", "fallback"), [(23, True), (24, False)])
def test_the_rule_counts_clients_with_the_primary_visit(
    number: int, fallback: bool, make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    """F21: an if-then rule written before the data, that looks at no arm."""
    protocol = make_protocol()
    cube = cube_of(40)
    cube[number:, 2] = np.nan
    rows = make_rows(make_clients(ARM), cube, protocol)
    result = analyse_continuous(protocol, protocol.continuous_outcomes[0], rows)
    assert bool(result.fallback) is fallback
    assert ("regression" in result.primary.method) is fallback
    if fallback:
        assert "23 clients have a score at the primary visit, fewer than the 24" in result.primary.remarks[0]
        assert any(row.name == "mixed model over all visits" for row in result.sensitivity)
        assert result.spread == ()


def test_one_score_per_client_needs_no_model(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    """A single outcome without a visit before allocation: the unpaired comparison, and no fallback."""
    protocol = make_protocol(baselines=(), follow_ups=(84,), scale="as_measured")
    cube = cube_of(40, visits=1)
    result = analyse_continuous(
        protocol, protocol.continuous_outcomes[0], make_rows(make_clients(ARM), cube, protocol)
    )
    arm = np.array(ARM)
    assert result.primary.value == pytest.approx(cube[arm == 1].mean() - cube[arm == 0].mean())
    estimate = result.primary.estimate
    assert isinstance(estimate, Estimate)
    assert estimate.degrees_of_freedom == 38.0
    assert result.fallback == ""
    assert result.original_unit is None


def test_one_visit_and_several_exercises(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    protocol = make_protocol(baselines=(), follow_ups=(84,), exercises=("a", "b"))
    rows = make_rows(make_clients(ARM), cube_of(40, visits=1, exercises=2), protocol)
    result = analyse_continuous(protocol, protocol.continuous_outcomes[0], rows)
    composite = np.log(cube_of(40, visits=1, exercises=2)).mean(axis=(1, 2))
    arm = np.array(ARM)
    expected = math.exp(composite[arm == 1].mean() - composite[arm == 0].mean())
    assert result.primary.value == pytest.approx(expected, rel=1e-9)


def test_three_arms(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    arms = ("conventional", "partner_reps", "lighter_drop")
    protocol = make_protocol(arms=arms, analysis={"comparison": "lighter_drop"})
    clients = make_clients([0, 1, 2] * 14, arm_labels=arms)
    result = analyse_continuous(
        protocol, protocol.continuous_outcomes[0], make_rows(clients, cube_of(42), protocol)
    )
    assert result.primary.contrast == "lighter_drop compared with conventional"
    assert [row.contrast for row in result.other_arms] == ["partner_reps compared with conventional"]


def test_an_empty_arm_at_the_primary_visit_is_named(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    protocol = make_protocol()
    cube = cube_of(60)
    cube[np.arange(60) % 2 == 1, 2] = np.nan
    rows = make_rows(make_clients([0, 1] * 30), cube, protocol)
    with pytest.raises(FitError, match="no score at visit day_84 in partner_reps"):
        primary_continuous(protocol, protocol.continuous_outcomes[0], rows)


def test_an_empty_earlier_visit_is_remarked(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    protocol = make_protocol()
    cube = cube_of(40)
    cube[:, 1] = np.nan
    rows = make_rows(make_clients(ARM), cube, protocol)
    result = analyse_continuous(protocol, protocol.continuous_outcomes[0], rows)
    assert [row.name for row in result.by_visit] == ["strength at day_84"]
    assert "No comparison at day_42" in result.remarks[0]


def test_trainers_are_shown_and_not_generalised(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    protocol = make_protocol()
    rows = make_rows(make_clients(ARM, [0, 0, 1, 1, 2, 2, 0, 0] * 5), cube_of(40), protocol)
    result = analyse_continuous(protocol, protocol.continuous_outcomes[0], rows)
    assert [row.name[-2:] for row in result.trainer_effects] == ["T1", "T2", "T3"]
    assert {row.role for row in result.trainer_effects} == {"exploratory"}
    assert "not generalised" in result.primary.remarks[0]
    assert any(row.name == "trainers as a random effect" for row in result.sensitivity)


def test_trainers_who_deliver_one_arm_are_random(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    """F06, F07: clusters always in the model; degrees of freedom near the trainers', not the clients'."""
    protocol = make_protocol(deliver="one arm")
    cube = cube_of(60)
    trainer = np.arange(60) % 6
    cube[:, 1:] *= np.exp(np.random.default_rng(3).normal(0.0, 0.3, 6))[trainer][:, None, None]
    rows = make_rows(make_clients(trainer % 2, trainer), cube, protocol)
    estimate = primary_continuous(protocol, protocol.continuous_outcomes[0], rows).estimate
    assert isinstance(estimate, Estimate)
    assert estimate.degrees_of_freedom < 8.0


def test_few_clients_under_clustered_trainers(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    protocol = make_protocol(deliver="one arm")
    trainer = np.arange(20) % 4
    rows = make_rows(make_clients(trainer % 2, trainer), cube_of(20), protocol)
    estimate = primary_continuous(protocol, protocol.continuous_outcomes[0], rows).estimate
    assert isinstance(estimate, Estimate)
    assert estimate.degrees_of_freedom == 2.0


def test_one_trainer_per_arm_makes_no_claim(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    protocol = make_protocol(deliver="one arm")
    rows = make_rows(make_clients(ARM, ARM), cube_of(40), protocol)
    with pytest.raises(DesignError, match="at least two trainers in each arm"):
        primary_continuous(protocol, protocol.continuous_outcomes[0], rows)


def test_trainers_nested_against_the_protocol_are_clusters(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    protocol = make_protocol()
    trainer = np.arange(40) % 4
    rows = make_rows(make_clients(trainer % 2, trainer), cube_of(40), protocol)
    primary = primary_continuous(protocol, protocol.continuous_outcomes[0], rows)
    assert "treated as clusters" in primary.remarks[0]


def test_rows_of_another_outcome_are_refused(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    protocol = make_protocol()
    rows = make_rows(make_clients(ARM), cube_of(40), protocol)
    other = protocol.continuous_outcomes[0].model_copy(update={"code": "grip"})
    with pytest.raises(ArgumentError, match="rows of this outcome"):
        primary_continuous(protocol, other, rows)


def test_reasons_of_missing_scores_come_from_attendance(
    make_protocol: Any, make_clients: Any, make_rows: Any, make_spells: Any
) -> None:
    """C10: missing data by arm and visit with reasons."""
    protocol = make_protocol(retention=True)
    clients = make_clients(ARM)
    cube = cube_of(40)
    cube[[0, 2, 4], 2] = np.nan
    last = [200] * 40
    last[0] = 50
    result = analyse_continuous(
        protocol, protocol.continuous_outcomes[0], make_rows(clients, cube, protocol),
        spells=make_spells(clients, last),
    )  # fmt: skip
    count = next(c for c in result.missing if (c.arm, c.visit) == ("conventional", "day_84"))
    assert count.reasons == (("left the studio before the visit", 1), ("no test, still training", 2))
    early = analyse_continuous(
        protocol, protocol.continuous_outcomes[0], make_rows(clients, cube, protocol),
        spells=make_spells(clients, [min(day, 60) for day in last], data_through=70),
    )  # fmt: skip
    count = next(c for c in early.missing if (c.arm, c.visit) == ("conventional", "day_84"))
    assert count.reasons == (("the records end before the visit", 3),)
