"""Landmarks: who is in, what is known by then, no immortal days, refusals."""

import dataclasses
import math

import numpy as np
import pytest

from studykit.lookback.adjustment import trainer_role
from studykit.lookback.episodes import first_session_as_joining, follow_clients, log_rate, session_facts
from studykit.lookback.landmark import answer_landmark, landmark_hazard_ratio, landmark_rows, landmark_terms
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY
from studykit.retention.censored import CensoredTimes
from studykit.retention.hazard import fit_hazards
from synthetic_data.simulated_studio import StudioTruth, simulated_log


def small(**changes):
    log = simulated_log(StudioTruth(**{"clients": 200, "starting": 0.03, **changes}), 4)
    episodes = follow_clients(log)
    return log, episodes, session_facts(log, episodes)


def test_rows_hold_what_was_known_on_the_landmark():
    _, episodes, facts = small()
    rows = landmark_rows(episodes, facts, 56)
    assert rows.rows.supplied == len(episodes.client)
    assert set(rows.episode) == set(np.flatnonzero(episodes.new & (episodes.time > 84)))
    for place, episode in enumerate(rows.episode[:40]):
        own = (episodes.episode == episode) & (episodes.day <= 56)
        assert rows.exposed[place] == facts.done[own].any()
        assert rows.recency[place] == 56 - episodes.day[own].max()
        late = own & (episodes.day > 28)
        assert rows.recent[place] == log_rate(late.sum(), np.array(28))
        assert rows.overall[place] == log_rate(own.sum(), np.array(56))
        counts = np.bincount(facts.trainer[own])
        assert rows.trainer[place] == counts.argmax()


def test_where_nothing_works_nothing_is_found():
    log, episodes, _ = small(clients=6000)
    for landmark in (28, 84):
        answer = answer_landmark(log, episodes, landmark, horizon=182, least_events=20)
        ratio, difference = answer.hazard_ratio, answer.risk_difference
        assert abs(math.log(ratio.value)) < 3 * ratio.standard_error
        assert ratio.standard_error < 0.12
        assert abs(difference.value) < 3 * difference.standard_error
        assert abs(math.log(answer.risk_ratio.value)) < 3 * answer.risk_ratio.standard_error
        assert answer.out_of_100[0] - answer.out_of_100[1] == pytest.approx(-100 * difference.value)


def test_without_the_time_since_the_last_session_a_landmark_would_mislead():
    """Clients with more sessions so far came more recently, and cannot be confirmed as having left soon."""
    _, episodes, facts = small(clients=6000, spread=0.5)
    rows = landmark_rows(episodes, facts, 28)
    assert rows.recency[rows.exposed].mean() < rows.recency[~rows.exposed].mean() - 0.3


def test_too_few_departures_and_unmarked_sessions():
    log, episodes, facts = small()
    refused = answer_landmark(log, episodes, 84, horizon=182, least_events=400)
    assert refused.hazard_ratio is None
    assert refused.refused.startswith("too few departures after day 84: ")
    assert refused.rows.used == refused.clients
    unmarked = dataclasses.replace(log, session_partner_reps=np.full_like(log.session_partner_reps, UNKNOWN))
    nobody = answer_landmark(unmarked, follow_clients(unmarked), 28, horizon=182, least_events=20)
    assert nobody.clients == 0
    assert dict(nobody.rows.left_out)["no session of which partner reps were marked"] > 50
    never = dataclasses.replace(facts, begun=np.zeros_like(facts.begun))
    one_sided = answer_landmark(log, episodes, 28, horizon=182, least_events=20, facts=never)
    assert "0 with partner reps" in one_sided.refused


def test_trainers_who_do_or_do_not():
    log, episodes, facts = small(trainers=2)
    by_trainer = dataclasses.replace(facts, begun=facts.trainer == 0)
    answer = answer_landmark(log, episodes, 28, horizon=182, least_events=20, facts=by_trainer)
    assert "cannot be told from the person" in answer.refused
    many, clients, known = small(trainers=8, clients=900)
    usual = np.zeros(len(clients.client), dtype=int)
    rows = landmark_rows(clients, known, 28)
    usual[rows.episode] = rows.trainer
    split = dataclasses.replace(known, begun=usual[clients.episode] % 2 == 0)
    clustered = answer_landmark(many, clients, 28, horizon=182, least_events=20, facts=split)
    assert clustered.hazard_ratio.degrees_of_freedom == 6
    assert "trainers" in clustered.method_in_words


def test_few_trainers_as_clusters_are_compared_as_by_a_t_test():
    """The divisor is trainers minus two; with one less, 91 % of intervals were right under four trainers.

    400 studios of 300 clients, trainers differing by 0.3 in the log hazard: 94.5 (1.1) % with it.
    """
    log, episodes, facts = small(trainers=4, clients=900)
    rows = landmark_rows(episodes, facts, 28)
    split = dataclasses.replace(rows, exposed=rows.trainer % 2 == 0)
    entry = np.full(rows.episode.size, 56)
    times = CensoredTimes(episodes.time[rows.episode], episodes.event[rows.episode], entry=entry)
    trainers = trainer_role(split.exposed.astype(float), rows.trainer, rows.episode)
    assert trainers.role == "clusters"
    terms = landmark_terms(log, episodes, split, 28)
    found, design = landmark_hazard_ratio(times, split, trainers, terms, times.events)
    weeks = np.minimum(rows.recency // 7, 3)
    model = fit_hazards(times, design.columns, names=design.names, strata=weeks, clusters=rows.trainer)
    assert found.standard_error == pytest.approx(math.sqrt(model.robust_covariance[0, 0] * 4 / 2))
    assert found.degrees_of_freedom == 2


def test_attendance_counts_once_where_all_came_on_the_day_of_joining():
    """By day 28 both attendances are one; with both, shares fell out in 172 of 400 studios."""
    log = simulated_log(StudioTruth(clients=400, starting=0.03, leaving=0.03), 1)
    unknown = dataclasses.replace(log, joined=np.full_like(log.joined, UNKNOWN_DAY))
    supposed, _ = first_session_as_joining(unknown, quiet_days=56)
    episodes = follow_clients(supposed)
    rows = landmark_rows(episodes, session_facts(supposed, episodes), 28)
    assert np.corrcoef(rows.recent, rows.overall)[0, 1] > 0.99
    early, late = (answer_landmark(supposed, episodes, day, horizon=182, least_events=20) for day in (28, 56))
    assert early.risk_difference is not None
    assert "attendance since joining" not in early.adjusted_for
    assert "attendance since joining" in late.adjusted_for


def test_closures_hide_nobody_who_had_stopped_by_the_landmark():
    """A closure puts off the confirmation; such clients once counted as leaving after the landmark."""
    log = simulated_log(StudioTruth(clients=600, starting=0.03, leaving=0.03), 2)
    first, last = 200, 220
    open_days = (log.session_day < first) | (log.session_day > last)
    kept = {
        name: getattr(log, name)[open_days]
        for name in ("session_client", "session_day", "session_trainer", "session_partner_reps")
    }
    episodes = follow_clients(dataclasses.replace(log, **kept, closures=((first, last),)))
    rows = landmark_rows(episodes, session_facts(log, episodes), 56)
    late = (episodes.last_attended <= 56) & episodes.new & (episodes.time > 84)
    assert late.sum() > 3
    assert (episodes.last_attended[rows.episode] > 56).all()
