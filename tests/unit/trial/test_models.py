"""The parts of the data-generating model."""

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.trial.models import (
    AttendanceModel,
    ClientFactor,
    DeliveryModel,
    Machine,
    PlannedVisit,
    RetentionModel,
    StrengthModel,
)


def test_gains_follow_the_published_curve():
    """22 % at 12 and 30 % at 26 weeks, linear in log time (Steele et al. 2022; figures derived from it)."""
    gain = StrengthModel().gain * StrengthModel().growth(np.array([84.0, 182.0]))
    # The two percentages are given to a whole per cent, so the curve must meet them to half of one.
    np.testing.assert_allclose(100.0 * np.expm1(gain), [22.0, 30.0], atol=0.5)


def test_growth_is_nothing_before_training_and_never_falls():
    growth = StrengthModel().growth(np.arange(-10.0, 400.0))
    assert growth[:11].max() == 0.0
    assert np.all(np.diff(growth[10:]) > 0.0)


def test_spread_of_changes_is_the_planning_default():
    """SD of a change in one exercise 0.12, of which two measurement errors (planning default F1)."""
    model = StrengthModel()
    change = math.sqrt(model.sd_gain**2 + model.sd_gain_exercise**2 + 2.0 * model.measurement_sd**2)
    assert change == pytest.approx(0.12, abs=0.001)
    assert math.hypot(model.sd_client, model.sd_client_exercise) == pytest.approx(0.25, abs=0.005)


def test_practice_takes_half_of_the_last_step_each_time():
    steps = np.diff(StrengthModel(learning=0.08).practice(5))
    np.testing.assert_allclose(steps, [0.08, 0.04, 0.02, 0.01], rtol=1e-12)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: StrengthModel(sd_client=-0.1), "sd_client: expected a number from 0"),
        (lambda: StrengthModel(measurement_sd=math.nan), "measurement_sd: expected a number from 0"),
        (lambda: StrengthModel(gain_baseline_correlation=1.2), "a correlation from -1 to 1"),
        (lambda: StrengthModel(effects=(0.1, 0.2)), "0 for the reference arm first"),
        (lambda: StrengthModel(primary_day=0), "primary_day: expected a day from 1"),
        (lambda: StrengthModel(gain_time_scale=0.0), "gain_time_scale: expected days above 0"),
        (lambda: RetentionModel(retained=(0.7, 0.0)), "shares above 0, at most 1"),
        (lambda: RetentionModel(shape=0.0), "departure shape: expected a number above 0"),
        (lambda: RetentionModel(horizon_day=28), "a day later than absence_days"),
        (lambda: AttendanceModel(booked_per_week=8.0), "sessions a week, at most 7"),
        (lambda: AttendanceModel(attended=1.0), "a share strictly between 0 and 1"),
        (lambda: AttendanceModel(pause_days=(9, 8)), "shortest and longest, in order"),
        (lambda: DeliveryModel(contaminated=1.5), "contaminated: expected a share between 0 and 1"),
        (lambda: DeliveryModel(delivered_concentration=0.0), "delivered_concentration"),
        (lambda: PlannedVisit("week_6", 42, missed=-0.1), "visit week_6, missed"),
        (lambda: Machine("row", stack_step=-1.0), "machine row, stack_step"),
        (lambda: ClientFactor("sex", ("f", "m"), (0.5, 0.6)), "shares that add up to 1"),
        (lambda: ClientFactor("sex", ("f", "m"), (0.5, 0.5), (0.1,)), "strength_shift: expected 2 numbers"),
    ],
)
def test_refuses(make, message):
    with pytest.raises(ArgumentError, match=message):
        make()
