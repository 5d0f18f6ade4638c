"""Sessions of simulated clients, and the status at the horizon."""

import numpy as np
import pytest

from studykit.retention.clock import RetentionRule, is_active
from studykit.trial.attendance import last_day_needed, retained_at_horizon
from studykit.trial.batch import simulate_batch
from studykit.trial.models import AttendanceModel, RetentionModel
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_rows import client_history

BUSY = AttendanceModel(
    booked_per_week=1.2, attended=0.6, sd_attended=1.0, pause_share=0.7, closures=((60, 70), (150, 163))
)


def test_status_at_the_horizon_is_that_of_the_clock():
    """All trials at once against the clock, one client at a time, with pauses, closures and returns."""
    settings = TrialSettings(
        clients=30,
        attendance=BUSY,
        retention=RetentionModel(retained=(0.5, 0.6), return_share=0.4, horizon_day=170),
    )
    batch = simulate_batch(settings, 12, seed=6)
    quick = retained_at_horizon(settings, batch.attendance)
    rule = RetentionRule(28, 28, 56)
    slow = [
        [is_active(client_history(batch, trial, client), 170, rule=rule) for client in range(30)]
        for trial in range(12)
    ]
    np.testing.assert_array_equal(quick, np.array(slow, dtype=bool))
    assert 0.2 < quick.mean() < 0.9


def test_following_longer_does_not_change_what_was_seen_by_the_clock():
    settings = TrialSettings(clients=30, attendance=BUSY)
    whole = simulate_batch(settings, 3, seed=6, whole_study=True)
    rule = RetentionRule(28, 28, 56)
    for client in range(30):
        history = client_history(whole, 1, client)
        assert is_active(history, 182, rule=rule) == bool(whole.retained[1, client])
    assert whole.attendance.through_day.min() >= last_day_needed(settings)


def test_pauses_last_from_the_shortest_to_the_longest_day():
    """Each length from 7 to 12 days comes, both ends included; no pause ends before it begins."""
    model = AttendanceModel(pause_share=0.5, pause_days=(7, 12))
    attendance = simulate_batch(TrialSettings(clients=40, attendance=model), 20, seed=9).attendance
    lengths = attendance.pause_last - attendance.pause_first + 1
    assert set(np.unique(lengths).tolist()) == {0, *range(7, 13)}
    before = attendance.pause_first - attendance.pause_entered
    assert (before.min(), before.max()) == (1, 7)
    assert attendance.pause_first.min() == 8


def test_shares_booked_and_attended():
    """3 sessions a week for 26 weeks, 88 % attended in the middle client; 12,000 clients."""
    settings = TrialSettings(
        attendance=AttendanceModel(booked_per_week=3.0, pause_share=0.0, sd_attended=0.0),
        retention=RetentionModel(retained=(1.0, 1.0)),
    )
    batch = simulate_batch(settings, 200, seed=7)
    weeks = 182 / 7
    assert batch.attendance.booked.sum(axis=-1).mean() == pytest.approx(3.0 * weeks, abs=2.0)
    share = batch.attendance.attended.sum() / batch.attendance.booked.sum()
    assert share == pytest.approx(0.88, abs=0.002)


def test_nobody_is_booked_when_away_closed_or_gone():
    batch = simulate_batch(TrialSettings(attendance=BUSY), 5, seed=8, whole_study=True)
    seen, day = batch.attendance, batch.attendance.day
    paused = (day >= seen.pause_first[..., None]) & (day <= seen.pause_last[..., None])
    assert not (seen.booked & paused).any()
    assert not (seen.booked & ~batch.leaving.trains(day)).any()
    for closure in range(2):
        closed = (day >= seen.closures[:, :, closure, 0, None]) & (
            day <= seen.closures[:, :, closure, 1, None]
        )
        assert closed.any()
        assert not (seen.booked & closed).any()
    assert not (seen.attended & ~seen.booked).any()


def test_pauses_are_entered_before_they_begin_by_clients_who_still_train():
    batch = simulate_batch(TrialSettings(attendance=BUSY), 50, seed=9)
    seen = batch.attendance
    has = seen.pause_last >= seen.pause_first
    assert has.any()
    assert np.all(seen.pause_entered[has] < seen.pause_first[has])
    assert np.all(seen.pause_entered[has] >= 1)
    assert batch.leaving.trains(seen.pause_first[..., None])[..., 0][has].all()


def test_one_session_a_day_at_most():
    batch = simulate_batch(TrialSettings(attendance=AttendanceModel(booked_per_week=7.0)), 2, seed=9)
    assert np.all(np.diff(batch.attendance.day, axis=-1) >= 1)
