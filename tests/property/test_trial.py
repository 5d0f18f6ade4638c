"""Simulated trials, whatever the settings."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studykit.errors import ArgumentError
from studykit.retention.clock import RetentionRule, is_active
from studykit.trial.batch import simulate_batch
from studykit.trial.models import AttendanceModel, RetentionModel, StrengthModel
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_rows import client_history

shares = st.floats(0.05, 0.95)
first_days = st.lists(st.integers(-20, 260), min_size=4, max_size=4, unique=True).map(sorted)
closures = st.tuples(first_days, st.integers(0, 2)).map(
    lambda drawn: tuple((drawn[0][2 * k], drawn[0][2 * k + 1] - 1) for k in range(drawn[1]))
)


@st.composite
def attendances(draw):
    """Attendance and retention that go together."""
    absence = draw(st.integers(7, 40))
    cap = draw(st.integers(1, 28))
    return (
        AttendanceModel(
            booked_per_week=draw(st.floats(0.3, 7.0)),
            attended=draw(shares),
            pause_share=draw(shares),
            pause_days=(1, cap),
            closures=draw(closures),
        ),
        RetentionModel(
            horizon_day=draw(st.integers(absence + 1, 200)),
            absence_days=absence,
            pause_cap_days=cap,
            retained=(draw(shares), draw(shares)),
            return_share=draw(shares),
        ),
    )


@settings(max_examples=60, deadline=None)
@given(parts=attendances(), seed=st.integers(0, 10**6))
def test_quick_status_is_that_of_the_clock(parts, seed):
    """Days that are both closed and paused are counted once by the clock, and so they must be in the sum."""
    attendance, retention = parts
    chosen = TrialSettings(clients=8, trainers=2, attendance=attendance, retention=retention)
    batch = simulate_batch(chosen, 1, seed=seed)
    rule = RetentionRule(retention.absence_days, retention.pause_cap_days)
    clock = [
        is_active(client_history(batch, 0, client), retention.horizon_day, rule=rule) for client in range(8)
    ]
    assert batch.retained[0].tolist() == clock


@pytest.mark.parametrize("overlapping", [((3, 9), (9, 12)), ((20, 22), (3, 9)), ((5, 3),)])
def test_closures_stand_in_order_and_apart(overlapping):
    with pytest.raises(ArgumentError, match="closures"):
        AttendanceModel(closures=overlapping)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    effect=st.floats(-0.3, 0.3),
    gain=st.floats(-2.0, 2.0),
    seen=st.sampled_from(["observed", "true"]),
)
def test_a_client_sees_the_potential_outcome_of_the_own_arm(seed, effect, gain, seen):
    chosen = TrialSettings(
        clients=10,
        trainers=2,
        strength=StrengthModel(effects=(0.0, effect)),
        retention=RetentionModel(per_gain=gain, gain_seen=seen),
    )
    drawn = simulate_batch(chosen, 2, seed=seed)
    for arm in (0, 1):
        under = simulate_batch(chosen, 2, seed=seed, arm=arm)
        own = drawn.arm == arm
        np.testing.assert_array_equal(drawn.tests.score[own], under.tests.score[own])
        np.testing.assert_array_equal(drawn.leaving.left[own], under.leaving.left[own])
        np.testing.assert_array_equal(drawn.retained[own], under.retained[own])


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), factor=st.sampled_from([0.001, 0.45359237, 1000.0]))
def test_units_change_nothing_but_the_numbers(seed, factor):
    """Stacks marked in another unit: the same steps, the same clients, scores times a constant."""
    plain = TrialSettings(clients=6, trainers=1)
    scaled = replace(
        plain,
        machines=tuple(
            replace(machine, level=machine.level * factor, stack_step=machine.stack_step * factor)
            for machine in plain.machines
        ),
    )
    first, second = (simulate_batch(chosen, 1, seed=seed) for chosen in (plain, scaled))
    np.testing.assert_allclose(second.tests.score, first.tests.score * factor, rtol=1e-9)
    np.testing.assert_array_equal(first.retained, second.retained)
