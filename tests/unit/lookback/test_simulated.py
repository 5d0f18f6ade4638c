"""Studios of known truth: the mechanism does what it says, and luck is the same under every regime."""

import dataclasses

import numpy as np

from studykit.lookback.episodes import follow_clients
from synthetic_data.simulated_studio import (
    FAR,
    Regime,
    StudioTruth,
    records_of,
    simulate_studio,
    simulated_log,
)

TRUTH = StudioTruth(clients=2000, days=400, starting=0.03)


def test_a_session_is_the_last_one_at_the_hazard_asked_for():
    """Standard error of a share of 2 % among some 60,000 sessions: 0.0006."""
    studio = simulate_studio(dataclasses.replace(TRUTH, spread=0.0), 3, all_join_on=0)
    left = studio.confirmed_on() < FAR
    sessions = studio.sessions.sum()
    assert abs(left.sum() / sessions + np.expm1(-TRUTH.leaving)) < 3 * np.sqrt(0.02 / sessions) + 0.002


def test_regimes_share_luck_until_they_differ():
    by_chance = simulate_studio(TRUTH, 5, all_join_on=0)
    forced = simulate_studio(TRUTH, 5, regime=Regime(at_latest=60), all_join_on=0)
    forgotten = simulate_studio(TRUTH, 5, regime=Regime(forgotten_on=60), all_join_on=0)
    early = (by_chance.day < 60) & (np.arange(by_chance.day.shape[1]) < by_chance.sessions[:, None])
    for other in (forced, forgotten):
        assert (other.day[early] == by_chance.day[early]).all()
        assert (other.begun[early] == by_chance.begun[early]).all()
    late = (forced.day >= 60) & (np.arange(forced.day.shape[1]) < forced.sessions[:, None])
    assert forced.begun[late].all()
    first_late = (forgotten.day >= 60).argmax(axis=1)
    came = forgotten.day[np.arange(2000), first_late] < FAR
    assert forgotten.begun[np.arange(2000), first_late][came].mean() < 0.06
    never = simulate_studio(TRUTH, 5, regime=Regime(not_before=FAR), all_join_on=0)
    assert not never.begun.any()


def test_without_effect_regimes_do_not_matter_and_with_it_they_do():
    one, other = (
        simulate_studio(TRUTH, 5, regime=regime, all_join_on=0).confirmed_on()
        for regime in (Regime(at_latest=0), Regime(not_before=FAR))
    )
    np.testing.assert_array_equal(one, other)
    effect = dataclasses.replace(TRUTH, hazard_ratio=0.5)
    with_reps = simulate_studio(effect, 5, regime=Regime(at_latest=0), all_join_on=0).confirmed_on()
    assert (with_reps >= one).all()
    assert (with_reps > one).any()


def test_departures_in_the_records_are_those_of_the_studio():
    studio = simulate_studio(TRUTH, 8)
    log = records_of(TRUTH, studio)
    episodes = follow_clients(log)
    new = np.flatnonzero(episodes.new)
    confirmed = studio.confirmed_on()[episodes.client[new]]
    inside = confirmed <= log.last_day - studio.joined[episodes.client[new]]
    np.testing.assert_array_equal(episodes.event[new], inside)
    np.testing.assert_array_equal(episodes.time[new][inside], confirmed[inside])


def test_records_begin_on_day_0_and_the_first_session_with_partner_reps_is_marked():
    log = simulated_log(TRUTH, 2)
    assert log.session_day.min() >= 0
    assert log.joined.min() < 0
    studio = simulate_studio(TRUTH, 2)
    here = np.arange(studio.day.shape[1]) < studio.sessions[:, None]
    begun, done = studio.begun & here, studio.partner_reps & here
    rows = begun.any(axis=1)
    np.testing.assert_array_equal(begun[rows].argmax(axis=1), done[rows].argmax(axis=1))
    assert abs(done.sum() / begun.sum() - TRUTH.dose) < 0.05


def test_a_trait_moves_trainers_and_attendance_as_asked():
    swayed = dataclasses.replace(TRUTH, trainer_starting=1.5, attendance_starting=1.0, hidden_starting=0.5)
    studio = simulate_studio(swayed, 3, all_join_on=0)
    here = np.arange(studio.day.shape[1]) < np.minimum(studio.sessions, 5)[:, None]
    share = [studio.begun[here & (studio.trainer == trainer)].mean() for trainer in (0, 3)]
    assert share[1] > share[0] + 0.1
