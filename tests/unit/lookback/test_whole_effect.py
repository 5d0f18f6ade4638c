"""The whole effect of beginning: what goes through attendance is kept, what made clients begin is not."""

from __future__ import annotations

import dataclasses
import importlib
import math

import numpy as np
import pytest

from studykit.lookback.episodes import at_first_session, follow_clients, session_facts
from studykit.lookback.log import UNKNOWN
from studykit.lookback.session_clock import answer_session_clock
from studykit.lookback.whole_effect import NEVER, answer_whole_effect, begin_weights, new_starters
from synthetic_data.simulated_studio import FAR, Regime, StudioTruth, simulate_studio, simulated_log

THROUGH_ATTENDANCE = StudioTruth(
    clients=3000, starting=0.03, leaving=0.05, attendance_ratio=2.0, attendance_leaving=-2.0
)
CHOSEN_BY_ATTENDANCE = StudioTruth(
    clients=3000, starting=0.02, leaving=0.03, attendance_leaving=-1.0, attendance_starting=0.8
)


def answers(truth, seed=4):
    log = simulated_log(truth, seed)
    episodes = follow_clients(log)
    return (
        answer_whole_effect(log, episodes, horizon=182, least_events=20),
        answer_session_clock(log, episodes, horizon=182, least_events=20),
    )


def true_difference(truth):
    many = dataclasses.replace(truth, clients=20_000, days=212)
    begun, never = (
        np.mean(simulate_studio(many, 9, regime=regime, all_join_on=0).confirmed_on() <= 182)
        for regime in (Regime(at_latest=0), Regime(not_before=FAR))
    )
    return float(begun - never)


def test_an_effect_through_attendance_is_found_that_the_same_attendance_hides() -> None:
    truth = true_difference(THROUGH_ATTENDANCE)
    assert truth < -0.1
    whole, at_the_same_attendance = (answer.risk_difference for answer in answers(THROUGH_ATTENDANCE))
    assert abs(whole.value - truth) < 2.5 * whole.standard_error
    assert whole.interval.upper < 0.0
    assert at_the_same_attendance.interval.contains(0.0)
    assert not at_the_same_attendance.interval.contains(truth)


def test_where_attendance_decides_who_begins_and_nothing_works_nothing_is_found() -> None:
    assert true_difference(CHOSEN_BY_ATTENDANCE) == 0.0
    whole, _ = answers(CHOSEN_BY_ATTENDANCE)
    assert abs(whole.risk_difference.value) < 2.0 * whole.risk_difference.standard_error
    assert whole.risk_difference.standard_error < 0.05
    assert whole.hazard_ratio.interval.contains(1.0)
    curves = {curve.label: curve for curve in whole.curves}
    assert curves["partner reps from the start"].share[-1] == pytest.approx(
        whole.out_of_100[0] / 100.0, abs=1e-12
    )
    assert curves["no partner reps"].share[1] < 1.0
    assert "members from before the records" in whole.rows.left_out[0][0]


def test_the_ratio_of_hazards_is_that_of_the_shares() -> None:
    whole, _ = answers(THROUGH_ATTENDANCE)
    stayed = np.array(whole.out_of_100) / 100.0
    assert whole.hazard_ratio.value == pytest.approx(math.log(stayed[0]) / math.log(stayed[1]), rel=1e-12)
    assert whole.risk_ratio.value == pytest.approx((1 - stayed[0]) / (1 - stayed[1]), rel=1e-12)


def weights_of(truth, seed=4):
    log = simulated_log(truth, seed)
    episodes = follow_clients(log)
    facts = session_facts(log, episodes)
    sessions = new_starters(episodes, facts)
    at_first = at_first_session(episodes, facts.trainer, missing=NEVER)
    return episodes, sessions, begin_weights(log, episodes, facts, sessions, at_first, by_trainer=True)


def test_weights_stand_for_as_many_as_were_seen() -> None:
    """Stabilised weights have mean one; where attendance decides they are far from equal."""
    _, sessions, weight = weights_of(CHOSEN_BY_ATTENDANCE)
    assert weight[sessions.judged].mean() == pytest.approx(1.0, abs=0.05)
    assert weight[sessions.judged].std() > 0.2


def test_weights_stay_as_they_are_once_partner_reps_have_begun() -> None:
    episodes, sessions, weight = weights_of(CHOSEN_BY_ATTENDANCE)
    owner = episodes.episode[sessions.place]
    later = np.flatnonzero(sessions.begun & ~sessions.begins)
    assert later.size > 1000
    assert (owner[later] == owner[later - 1]).all()
    np.testing.assert_allclose(weight[later], weight[later - 1], rtol=1e-12)


def test_sessions_of_new_clients_are_told_by_hand() -> None:
    """Client 0: sessions on days 0, 3 and 7, partner reps from the second on; an older member is left out."""
    log = simulated_log(StudioTruth(clients=2, days=200, days_before=0, leaving=0.0), 1)
    log = dataclasses.replace(
        log,
        session_client=np.array([0, 0, 0, 1, 1]),
        session_day=np.array([20, 23, 27, 60, 90]),
        session_trainer=np.zeros(5, dtype=int),
        session_partner_reps=np.array([0, 1, 0, UNKNOWN, 0]),
        joined=np.array([20, -30]),
    )
    episodes = follow_clients(log)
    sessions = new_starters(episodes, session_facts(log, episodes))
    assert episodes.day[sessions.place].tolist() == [0, 3, 7]
    assert sessions.gap.tolist() == [1.0, 3.0, 4.0]
    assert sessions.first.tolist() == [True, False, False]
    assert sessions.begins.tolist() == [False, True, False]
    assert sessions.begun.tolist() == [False, True, True]
    assert sessions.open.tolist() == [True, True, False]
    assert sessions.since.tolist() == [0, 0, 4]


@pytest.mark.parametrize(
    ("truth", "regime", "words"),
    [
        (StudioTruth(clients=300), Regime(at_latest=0), "counts as with partner reps"),
        (StudioTruth(clients=300), Regime(not_before=FAR), "counts as without partner reps"),
        (StudioTruth(clients=40, leaving=0.005, starting=0.03), Regime(), "too few departures"),
        (StudioTruth(clients=300, starting=0.3), Regime(), "who had not were followed to day 182"),
    ],
)
def test_refusals(truth: StudioTruth, regime: Regime, words: str) -> None:
    from synthetic_data.simulated_studio import records_of

    log = records_of(truth, simulate_studio(truth, 3, regime=regime))
    answer = answer_whole_effect(log, follow_clients(log), horizon=182, least_events=20)
    assert words in answer.refused
    assert answer.risk_difference is None


def test_the_validity_study_holds_each_answer_to_the_truth() -> None:
    study = importlib.import_module("analysis.13_whole_effect")
    truth = dataclasses.replace(study.STUDIOS["direct, begun by attendance"], clients=300)
    row = study.row("direct", truth, -0.1, 3)
    assert (row["studio"], row["clients"], row["truth"]) == ("direct", 300, -0.1)
    assert row["refused"] == 0
    assert row["coverage"] in (0.0, 0.3333, 0.6667, 1.0)
    assert row["spread"] > 0.0
    assert row["mean_standard_error"] > 0.05
