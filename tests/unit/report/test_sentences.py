"""Sentences from results: retention first, what remains possible, the words of significance."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studykit.errors import Finding
from studykit.outcomes.results import Decision, OutcomeEstimate, StudyResults
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Protocol
from studykit.report.kind_report import report_of
from studykit.report.methods_section import design_line, methods_paragraphs
from studykit.report.numbers import GAP, PER_CENT_CHANGE, points
from studykit.report.report_context import Reading
from studykit.report.sentences import (
    NO_YARDSTICK,
    OWN_CLIENTS_ALONE,
    UNPLANNED_LOOK,
    conditions,
    decision_sentence,
    harms_sentence,
    lead,
    limits,
    pause_warning,
    remains_possible,
    worthwhile,
)
from studykit.report.wording_check import WordingContext, check_wording
from studykit.results import Interval


class Look:
    by, event_time, body = "OW", "2026-05-01", {"reason": "curiosity"}


def plain(text: str) -> str:
    return text.replace(GAP, " ")


@pytest.fixture
def reading(results: StudyResults, protocol: Protocol) -> Reading:
    return Reading(results, protocol)


def test_the_lead_tells_retention_before_strength_with_both_intervals(reading: Reading) -> None:
    """G13: the first sentence carries the primary estimate and its interval."""
    text = plain(lead(reading))
    assert text.index("retention".capitalize()) < text.index("strength at week 12 (primary outcome)")
    assert "8 percentage points more with partner reps [−12, 28] percentage points" in text
    assert "3.5 % higher with partner reps [−1.2, 8.4] %" in text
    context = WordingContext(primary=("strength",))
    assert not check_wording(lead(reading), context=context, section="headline")


def test_retention_is_told_in_counts_with_the_unknown_left_out_aloud(reading: Reading) -> None:
    assert reading.results.retention is not None
    first, second = map(
        plain, report_of(reading.results.retention).answer(reading, reading.results.retention)
    )
    assert "On day 182 (week 26) after allocation, 26 of 35 clients (74 %) with partner reps" in first
    assert "24 of 36 clients (67 %) with conventional sets" in first
    assert "1 client whose status on that day is not known is left out" in first
    assert "anything from 12 percentage points fewer to 28 percentage points more fits these data" in second


def test_strength_is_told_in_its_own_unit_first(reading: Reading) -> None:
    """G16: original units first."""
    text = plain(report_of(reading.results.strength).answer(reading, reading.results.strength)[0])
    assert text.index("2.1 kg higher with partner reps [−0.7, 5.0] kg") < text.index("3.5 % higher")


@pytest.mark.parametrize(
    ("lower", "upper", "said"),
    [
        (1.04, 1.09, "Every value in the interval is a worthwhile gain (3 % or more)."),
        (0.90, 0.96, "Every value in the interval is a worthwhile loss (3 % or more)."),
        (0.99, 1.02, "Every value in the interval is a difference too small to matter"),
        (0.99, 1.08, "A worthwhile loss (3 % or more) does not fit the interval"),
        (0.92, 1.01, "A worthwhile gain (3 % or more) does not fit the interval"),
        (0.90, 1.10, "and a worthwhile loss (3 % or more) remain possible."),
    ],
)
def test_what_remains_possible_against_the_smallest_worthwhile(lower: float, upper: float, said: str) -> None:
    assert said in plain(worthwhile(PER_CENT_CHANGE, Interval(lower, upper, 0.95, "t"), 3.0))


def with_effect(results: StudyResults, strength: float, retention: float) -> StudyResults:
    """The invented study with other main results: a log ratio and a difference in shares."""
    assert results.retention is not None
    outcome, kept = results.strength, results.retention

    def valued(estimate: OutcomeEstimate, value: float) -> OutcomeEstimate:
        return replace(estimate, estimate=replace(estimate.estimate, value=value))  # type: ignore[type-var]

    assert outcome.original_unit is not None
    outcome = replace(
        outcome,
        primary=valued(outcome.primary, strength),
        original_unit=valued(outcome.original_unit, 60.0 * strength),
    )
    kept = replace(kept, primary=valued(kept.primary, retention))
    return replace(results, outcomes=(kept, outcome))


@pytest.mark.parametrize(
    ("strength", "retention", "said"),
    [
        (0.05, 0.081, ("5.1 % higher with partner reps", "8 percentage points more with partner reps",
                       "3.0 kg higher with partner reps")),
        (-0.05, -0.081, ("4.9 % lower with partner reps", "8 percentage points fewer with partner reps",
                         "3.0 kg lower with partner reps")),
        (0.0, 0.0, ("apart by 0.0 % between the arms", "apart by 0 percentage points between the arms",
                    "apart by 0.0 kg between the arms")),
    ],
)  # fmt: skip
def test_the_direction_of_a_difference_is_told(
    results: StudyResults, protocol: Protocol, strength: float, retention: float, said: tuple[str, str, str]
) -> None:
    reading = Reading(with_effect(results, strength, retention), protocol)
    ratio, share, own = said
    outcome, kept = reading.results.strength, reading.results.retention
    assert kept is not None
    assert f"strength at week 12 (primary outcome): {ratio} [" in plain(lead(reading))
    assert f"etention on day 182 (secondary outcome): {share} [" in plain(lead(reading))
    answer = plain(report_of(outcome).answer(reading, outcome)[0])
    assert answer.startswith(f"At week 12, compared with conventional sets, strength was {own} [")
    assert f"as a ratio, {ratio}, 95 % interval [" in answer
    assert f"difference in the share retained is {share}, 95 % interval [" in plain(
        report_of(kept).answer(reading, kept)[1]
    )


def test_an_interval_without_an_end_leaves_the_size_open(reading: Reading) -> None:
    open_ended = Interval(0.9, math.inf, 0.95, "t")
    assert remains_possible(reading, PER_CENT_CHANGE, open_ended, ("higher", "lower")) == (
        "The data leave the size of the difference open."
    )
    assert worthwhile(PER_CENT_CHANGE, open_ended, 3.0) == ""
    both = Interval(0.9, 1.2, 0.95, "t")
    assert plain(remains_possible(reading, PER_CENT_CHANGE, both, ("higher", "lower"))) == (
        "With partner reps, anything from 10.0 % lower to 20.0 % higher fits these data."
    )


@pytest.mark.parametrize(
    ("lower", "upper", "said"),
    [
        (-0.02, 0.05, "A worthwhile gain (5 percentage points or more) and a difference too small"),
        (-0.02, 0.0499, "Every value in the interval is a difference too small to matter (less than 5"),
        (-0.05, 0.02, "A difference too small to matter and a worthwhile loss"),
        (-0.0499, 0.02, "Every value in the interval is a difference too small to matter (less than 5"),
        (0.05, 0.09, "Every value in the interval is a worthwhile gain"),
        (0.0499, 0.09, "A worthwhile gain (5 percentage points or more) and a difference too small"),
        (-0.09, -0.05, "Every value in the interval is a worthwhile loss"),
    ],
)
def test_the_smallest_worthwhile_difference_counts_as_worthwhile(
    lower: float, upper: float, said: str
) -> None:
    assert said in plain(worthwhile(points(60), Interval(lower, upper, 0.95, "score"), 5.0))


def test_where_less_is_better_gain_and_loss_change_places() -> None:
    interval = Interval(1.04, 1.09, 0.95, "t")
    assert "worthwhile loss" in worthwhile(PER_CENT_CHANGE, interval, 3.0, higher_is_better=False)


def test_without_a_yardstick_the_report_says_so() -> None:
    assert worthwhile(points(40), Interval(-0.1, 0.1, 0.95, "score"), None) == NO_YARDSTICK


@given(st.floats(-30, 30), st.floats(0, 40), st.floats(0.5, 10))
def test_the_zones_are_complete_and_never_contradict(lower: float, width: float, smallest: float) -> None:
    interval = Interval(lower / 100, (lower + width) / 100, 0.95, "score")
    text = worthwhile(points(60), interval, smallest)
    upper = lower + width
    gain = "worthwhile gain" in text and "gain" not in text.partition(" remain possible. ")[2]
    # One part in a billion for the trip from per cent to share and back.
    if abs(upper - smallest) > 1e-9 * max(1.0, smallest):
        assert gain == (upper >= smallest)
    assert not check_wording(text)


def test_words_of_significance_come_only_with_estimate_interval_and_p(reading: Reading) -> None:
    """G01, for both verdicts, found by the name of the primary result as the outcomes give it."""
    for rejected in (True, False):
        decision = Decision(
            "strength at week_12", "Holm over 2 primary outcomes", 0.012, 0.024, rejected, "x"
        )
        text = decision_sentence(reading, decision)
        assert not check_wording(text)
        assert ("statistically significant" in text) == rejected
        assert "p = .012 (p = .024 allowing for the other primary outcomes)" in plain(text)


def test_under_holm_the_joint_interval_stands_beside_the_single_one(reading: Reading) -> None:
    """The text says which interval is which; without other primary outcomes there is one."""
    estimate = reading.results.strength.primary
    alone = Decision("strength at week_12", "Holm over 2 primary outcomes", 0.012, 0.024, True, "x")
    single = plain(decision_sentence(reading, alone))
    both = plain(decision_sentence(reading, replace(alone, joint_level=0.975)))
    wide, narrow = estimate.confidence_interval(0.975), estimate.confidence_interval(0.95)
    assert wide.lower < narrow.lower < narrow.upper < wide.upper
    ends = [f"{100.0 * (end - 1.0):.1f}".replace("-", "\u2212") for end in (wide.lower, wide.upper)]
    added = f"; the interval that holds together with the other primary outcomes is [{', '.join(ends)}] %."
    assert both == f"{single.removesuffix('.')}{added}"
    assert not check_wording(both)


def test_the_headline_carries_tester_delivery_and_missing_tests(reading: Reading) -> None:
    """Trade requirement E8: blinding of the tester, fidelity and missing data stand beside the answers."""
    text = plain("\n".join(conditions(reading)))
    assert "not knowing the arm at 171 of 190 test results (90 %)" in text
    assert "2461 of 2796 sets with partner reps (88.0 %) met the protocol's rule (delivery: good)" in text
    assert "2 of 36 clients (6 %) had partner reps all the same" in text
    assert "31 of 36 (86 %) with conventional sets, 30 of 36 (83 %) with partner reps" in text
    assert "rule out neither" in text


def test_an_unplanned_look_brings_its_limit(results: StudyResults, protocol: Protocol) -> None:
    """G23."""
    assert not any(UNPLANNED_LOOK in text for text in limits(Reading(results, protocol)))
    assert any(text.startswith(UNPLANNED_LOOK) for text in limits(Reading(results, protocol, (), (Look(),))))


def test_every_remark_of_the_results_stands_under_limits(reading: Reading) -> None:
    told = limits(reading)
    assert all(reading.named(remark) in told for remark in reading.results.remarks)


def test_harms_say_how_they_were_sought(results: StudyResults) -> None:
    """G14."""
    assert results.harms is not None
    asked = replace(results.harms, systematic=False)
    text = harms_sentence(Reading(replace(results, harms=asked)))
    assert text.startswith("Harms were not asked about systematically")
    assert "Harms were not recorded" in harms_sentence(Reading(replace(results, harms=None)))
    assert not check_wording(text, context=WordingContext(harms_systematic=False))


def test_the_pause_rule_speaks_first(results: StudyResults) -> None:
    assert results.harms is not None
    struck = replace(results.harms, pause_reasons=("2 severe harms in one arm",))
    assert "2 severe harms in one arm" in pause_warning(Reading(replace(results, harms=struck)))
    assert pause_warning(Reading(results)) == ""


def test_findings_do_not_leak_into_sentences(results: StudyResults, protocol: Protocol) -> None:
    noisy = replace(results, findings=(Finding("warn", "records/strength.csv, row 3", "a load", "zzz"),))
    assert "zzz" not in lead(Reading(noisy, protocol))


ELSEWHERE = Path(__file__).resolve().parents[3] / "analysis" / "weight_trial" / "protocol.toml"


def test_codes_that_are_plain_words_are_named_where_they_stand_as_a_visit_or_an_arm(
    results: StudyResults,
) -> None:
    arms = (("control", "control"), ("family", "family treatment"))
    reading = Reading(replace(results, arms=arms), read_protocol(ELSEWHERE).protocol)
    assert reading.named("weight at after") == "weight at the visit \u201cafter the study period\u201d"
    assert reading.named("between clients, with error, after").endswith(", after the study period")
    assert reading.named("in control, after all") == "in the arm control, after all"
    assert reading.named("family compared with control") == "family treatment compared with control"


def test_a_trial_allocated_elsewhere_claims_only_what_is_known(results: StudyResults) -> None:
    """How it drew its clients, in what ratio and under which trainers is told there, not here."""
    reading = Reading(results, read_protocol(ELSEWHERE).protocol)
    assert design_line(reading).endswith("(parallel arms, allocated elsewhere)")
    assert "ratio" not in methods_paragraphs(reading)[0].split(".")[0]
    nobody = tuple(replace(arm, trainers=0) for arm in results.flow.arms)
    alone = replace(results, flow=replace(results.flow, arms=nobody))
    told = [text for text in limits(replace(reading, results=alone)) if "matter of judgement" in text]
    assert told == [OWN_CLIENTS_ALONE]
    assert "trainers" not in OWN_CLIENTS_ALONE
