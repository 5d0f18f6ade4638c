"""The decision rule."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from studykit.outcomes.boundaries import planned_boundaries
from studykit.outcomes.decision import adjust_holm, decide
from studykit.outcomes.results import OutcomeEstimate
from studykit.results import Estimate, RowCount

# X10, X11: Benjamini & Hochberg 1995, JRSS B 57:289, section 4 (values from memory)
FIFTEEN = [
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459),
    *(0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0),
]


def primary(name: str, value: float, standard_error: float) -> OutcomeEstimate:
    return OutcomeEstimate(
        name, "partner_reps compared with conventional", "", "ratio", "ratio",
        Estimate(value, standard_error, 40.0, "t"), "primary", "", RowCount(10, 10),
    )  # fmt: skip


def test_holm_on_fifteen_published_p_values() -> None:
    adjusted = adjust_holm(FIFTEEN)
    assert [round(p, 4) for p in adjusted[:5]] == [0.0015, 0.0056, 0.0247, 0.1140, 0.2211]
    assert sum(p <= 0.05 for p in adjusted) == 3


def test_one_primary_is_compared_with_alpha(make_protocol: Any) -> None:
    (decision,) = decide(make_protocol(), [primary("strength", 0.05, 0.02)])
    assert decision.rejected
    assert decision.p_value == decision.adjusted_p_value
    assert decision.sentence.endswith("higher in partner_reps than in conventional")


def test_two_primaries_go_through_holm(make_protocol: Any) -> None:
    """X12 on two values: the smaller is doubled."""
    first, second = decide(
        make_protocol(), [primary("strength", 0.045, 0.02), primary("retention", 0.04, 0.02)]
    )
    assert first.adjusted_p_value == pytest.approx(2 * first.p_value)
    assert second.adjusted_p_value == pytest.approx(max(second.p_value, 2 * first.p_value))
    assert "Holm over 2" in first.rule
    assert first.joint_level == second.joint_level == pytest.approx(0.975)  # Bonferroni over two
    (alone,) = decide(make_protocol(), [primary("strength", 0.045, 0.02)])
    assert alone.joint_level is None


def test_an_open_question_is_not_called_no_difference(make_protocol: Any) -> None:
    """G04: absence of evidence is no evidence of absence."""
    (decision,) = decide(make_protocol(), [primary("strength", 0.01, 0.02)])
    assert not decision.rejected
    assert "stays open" in decision.sentence
    assert "no difference" not in decision.sentence


def test_a_pilot_decides_nothing(make_protocol: Any) -> None:
    """F22: no efficacy test as the headline of a pilot."""
    import datetime as dt

    study = {"title": "A", "code": "a", "version": "1.0", "date": dt.date(2026, 1, 1), "question": "?",
             "framework": "pilot"}  # fmt: skip
    assert decide(make_protocol(more={"study": study}), [primary("strength", 0.9, 0.02)]) == ()


def looking(make_protocol: Any, looks: int = 1) -> Any:
    protocol = make_protocol()
    return protocol.model_copy(
        update={"oversight": protocol.oversight.model_copy(update={"planned_looks": looks})}
    )


def test_a_planned_look_and_the_end_have_levels_of_their_own(make_protocol: Any) -> None:
    """F20: planned looks need a rule and their share of alpha (X30: 2.9626 halfway, 1.9686 at the end)."""
    protocol = looking(make_protocol)
    early = [decide(protocol, [primary("strength", z, 1.0)], look=1)[0].rejected for z in (3.0, 3.6)]
    assert early == [False, True]  # t on 40 degrees of freedom: p .0046 and .0009 against .0031
    (last,) = decide(protocol, [primary("strength", 2.03, 1.0)])
    assert 0.0490 < last.p_value < 0.05
    assert not last.rejected
    assert "4.9 % at the end, 1 earlier planned" in last.rule
    (only,) = decide(make_protocol(), [primary("strength", 2.03, 1.0)])
    assert only.rejected


def test_a_look_that_was_not_planned_decides_nothing(make_protocol: Any) -> None:
    assert decide(make_protocol(), [primary("strength", 9.0, 1.0)], look=1) == ()
    assert decide(looking(make_protocol), [primary("strength", 9.0, 1.0)], look=2) == ()
    assert decide(looking(make_protocol), [primary("strength", 9.0, 1.0)], look=0) == ()


def test_the_error_holds_with_t_in_small_samples(make_protocol: Any) -> None:
    """40 clients, looked at after 20: levels of the normal boundaries, p-values from t.

    20,000 simulated trials without a difference; Monte Carlo standard error 0.15 per cent.
    """
    levels = [look.level for look in planned_boundaries(looking(make_protocol))]
    rng = np.random.default_rng(20)
    scores = rng.normal(size=(20_000, 2, 20))
    rejected = np.zeros(20_000, dtype=bool)
    for clients, level in zip((10, 20), levels, strict=True):
        rejected |= stats.ttest_ind(scores[:, 0, :clients], scores[:, 1, :clients], axis=1).pvalue <= level
    assert rejected.mean() == pytest.approx(0.05, abs=3 * 0.0016)
