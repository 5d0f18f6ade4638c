"""The session clock: no immortal days either way, trainers, refusals; the trap that they avoid."""

import dataclasses
import math

import numpy as np
import pytest

from studykit.lookback.episodes import follow_clients, session_facts
from studykit.lookback.log import UNKNOWN, ClientFact
from studykit.lookback.session_clock import answer_session_clock, sessions_at_risk
from studykit.retention.censored import CensoredTimes
from studykit.retention.hazard import fit_hazards
from synthetic_data.simulated_studio import FAR, Regime, StudioTruth, simulate_studio, simulated_log

NULL = StudioTruth(clients=3000, starting=0.03)


def day_clock_log_ratio(log):
    """The trap: exposed from the day of the first session with partner reps, on the clock of days."""
    episodes = follow_clients(log)
    facts = session_facts(log, episodes)
    first = np.full(len(episodes.client), FAR)
    exposed = np.flatnonzero(facts.begun)[::-1]
    first[episodes.episode[exposed]] = episodes.day[exposed]
    before = np.minimum(first, episodes.time) > episodes.entry
    after = first < episodes.time
    stop = np.concatenate((np.minimum(first, episodes.time)[before], episodes.time[after]))
    entry = np.concatenate((episodes.entry[before], np.maximum(first, episodes.entry)[after]))
    event = np.concatenate(((episodes.event & ~after)[before], episodes.event[after]))
    begun = np.concatenate((np.zeros(before.sum()), np.ones(after.sum())))
    model = fit_hazards(CensoredTimes(stop, event, entry=entry), begun, names=("begun",))
    return model.log_hazard_ratio("begun")


def test_where_nothing_works_the_clock_of_days_finds_protection_and_the_session_clock_does_not():
    """Confirming a departure 28 days later gives whoever is exposed at a session 28 immortal days."""
    log = simulated_log(NULL, 5)
    trapped = day_clock_log_ratio(log)
    assert trapped.value < -4 * trapped.standard_error
    answer = answer_session_clock(log, follow_clients(log), horizon=182, least_events=20)
    assert answer.events > 1000
    assert abs(math.log(answer.hazard_ratio.value)) < 3 * answer.hazard_ratio.standard_error
    assert answer.hazard_ratio.standard_error < 0.08
    assert abs(answer.risk_difference.value) < 3 * answer.risk_difference.standard_error


def test_a_known_effect_and_its_share_at_the_horizon_are_recovered():
    truth = dataclasses.replace(NULL, hazard_ratio=0.7, trainer_leaving=-0.5, trainer_starting=1.0)
    log = simulated_log(truth, 6)
    answer = answer_session_clock(log, follow_clients(log), horizon=182, least_events=20)
    ratio = answer.hazard_ratio
    assert abs(math.log(ratio.value / 0.7)) < 3 * ratio.standard_error
    many = dataclasses.replace(truth, clients=20_000, days=200)
    left = [
        np.mean(simulate_studio(many, 9, regime=regime, all_join_on=0).confirmed_on() <= 182)
        for regime in (Regime(at_latest=0), Regime(not_before=FAR))
    ]
    found = answer.risk_difference
    assert abs(found.value - (left[0] - left[1])) < 3 * found.standard_error
    assert answer.out_of_100[0] == pytest.approx(100 * (1 - left[0]), abs=5.0)
    assert answer.out_of_100[1] == pytest.approx(100 * (1 - left[1]), abs=5.0)
    assert found.value == pytest.approx((answer.out_of_100[1] - answer.out_of_100[0]) / 100)
    assert "trainer" in answer.adjusted_for
    assert answer.risk_ratio.interval.contains(left[0] / left[1])
    unadjusted = dataclasses.replace(log, session_trainer=np.zeros_like(log.session_trainer), trainers=("T",))
    biased = answer_session_clock(
        unadjusted, follow_clients(unadjusted), horizon=182, least_events=20
    ).hazard_ratio
    assert biased.value < ratio.value - ratio.standard_error  # trainers move both, and count


def test_sessions_themselves_compared():
    """Where each session has partner reps or not by chance, and those that have are last ones less often."""
    log = simulated_log(dataclasses.replace(NULL, clients=2000), 7)
    episodes = follow_clients(log)
    rng = np.random.default_rng(2)
    last = np.zeros(log.session_day.size, dtype=bool)
    last[episodes.row[episodes.last]] = True
    # Bayes' rule: among last sessions partner reps are as rare as a hazard ratio of 0.5 makes them.
    done = rng.random(last.size) < np.where(last, 0.5 * 0.5 / (0.5 * 0.5 + 0.5), 0.5)
    told = dataclasses.replace(log, session_partner_reps=done.astype(np.int64))
    answer = answer_session_clock(told, episodes, horizon=182, least_events=20, exposure="done")
    ratio = answer.hazard_ratio
    assert abs(math.log(ratio.value / 0.5)) < 3 * ratio.standard_error
    assert ratio.standard_error < 0.1
    assert "about to leave" in answer.method_in_words
    assert "Was a session with partner reps more or less often a client's last one" in answer.estimand


def small(**changes):
    log = simulated_log(StudioTruth(clients=150, starting=0.03, **changes), 4)
    return log, follow_clients(log)


def test_too_few_departures_and_one_sided_exposure_give_no_number():
    log, episodes = small()
    refused = answer_session_clock(log, episodes, horizon=182, least_events=500)
    assert refused.hazard_ratio is None
    assert "at least 500 together and 5 on each side" in refused.refused
    nobody = dataclasses.replace(log, session_partner_reps=np.zeros_like(log.session_partner_reps))
    assert answer_session_clock(nobody, episodes, horizon=182, least_events=20).refused == (
        "every session counts as without partner reps"
    )


def test_trainers_who_do_against_trainers_who_do_not():
    log, _ = small(trainers=2)
    by_trainer = dataclasses.replace(log, session_partner_reps=(log.session_trainer == 0).astype(np.int64))
    own = np.repeat(
        log.session_trainer[
            np.searchsorted(log.session_client, np.arange(150)).clip(max=len(log.session_day) - 1)
        ],
        np.bincount(log.session_client, minlength=150),
    )
    faithful = dataclasses.replace(
        by_trainer, session_trainer=own, session_partner_reps=(own == 0).astype(np.int64)
    )
    answer = answer_session_clock(faithful, follow_clients(faithful), horizon=182, least_events=20)
    assert "the method cannot be told from the person" in answer.refused


def test_sessions_without_a_mark_are_left_out_and_counted():
    log, episodes = small()
    marks = log.session_partner_reps.copy()
    marks[::10] = UNKNOWN
    risk = sessions_at_risk(
        episodes, session_facts(dataclasses.replace(log, session_partner_reps=marks), episodes)
    )
    assert dict(risk.rows.left_out)["partner reps neither yes nor no"] > 20


def test_facts_at_entry_are_adjusted_for_with_not_recorded_as_a_level():
    log, episodes = small()
    level = np.arange(150) % 3 - 1
    told = dataclasses.replace(log, facts=(ClientFact("goal", ("strength", "health"), level),))
    answer = answer_session_clock(told, episodes, horizon=182, least_events=20)
    assert "goal" in answer.adjusted_for
