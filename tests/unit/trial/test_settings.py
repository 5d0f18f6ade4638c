"""Settings of a simulated trial, by hand and from a protocol."""

import math

import pytest

from studykit.errors import ArgumentError, DesignError
from studykit.trial.batch import simulate_batch
from studykit.trial.models import AttendanceModel, RetentionModel, StrengthModel
from studykit.trial.settings import TrialSettings


def assumed(value):
    return {"value": value, "source": "invented for this test"}


def test_takes_design_from_the_protocol(protocol):
    settings = TrialSettings.from_protocol(protocol())
    assert (settings.clients, settings.trainers) == (44, 5)
    assert settings.arms == ("conventional", "partner_reps")
    assert settings.strata == ("trainer", "sex")
    assert [visit.code for visit in settings.visits] == ["baseline", "week_12"]
    assert settings.primary_visit == 1
    assert [(m.code, m.unit, m.stack_step, m.effect_share) for m in settings.machines] == [
        ("leg_press", "kg", 5.0, 1.0),
        ("row", "lb", 0.0, 0.0),
    ]
    assert settings.machines[1].to_outcome == 0.45359237
    assert settings.factors[0].strength_shift == (0.0, math.log(1.8))
    assert settings.repetitions == 8
    assert settings.retention.horizon_day == 170
    assert (settings.delivery.sets, settings.delivery.reps_per_set) == (3, 4)
    assert TrialSettings.from_protocol(protocol(), clients=90).clients == 90


def test_takes_assumptions_from_the_protocol(protocol):
    settings = TrialSettings.from_protocol(
        protocol(
            {
                "sd_score": assumed(0.30),
                "measurement_sd": assumed(0.05),
                "sd_gain": assumed(0.10),
                "correlation_exercises": assumed(0.5),
                "gain_reference": assumed(10.0),
                "effect_strength": assumed(5.0),
                "trainer_icc_strength": assumed(0.04),
                "retention_reference": assumed(0.6),
                "effect_retention": assumed(8.0),
                "missed_tests": assumed(0.2),
                "delivered_as_planned": assumed(0.9),
                "contamination": assumed(0.2),
                "sessions_per_week": assumed(3.0),
            }
        )
    )
    strength = settings.strength
    assert math.hypot(strength.sd_client, strength.sd_client_exercise, 0.05) == pytest.approx(0.30)
    change = math.sqrt(strength.sd_gain**2 + strength.sd_gain_exercise**2 + 2 * 0.05**2)
    assert change == pytest.approx(0.10)
    assert strength.sd_gain**2 / 0.10**2 == pytest.approx(0.5)
    assert strength.gain == pytest.approx(math.log(1.10))
    # As offered: dilution by delivery and contamination brings it back to 5 %.
    assert strength.effects[1] * (0.9 - 0.2) == pytest.approx(math.log(1.05))
    assert strength.sd_trainer**2 / (strength.sd_trainer**2 + 0.10**2) == pytest.approx(0.04)
    assert settings.retention.retained == (0.6, pytest.approx(0.68))
    assert [visit.missed for visit in settings.visits] == [0.0, 0.2]
    assert settings.attendance.booked_per_week == 3.0


def test_an_effect_under_full_delivery_is_taken_as_it_is(protocol):
    settings = TrialSettings.from_protocol(
        protocol({"effect_strength": assumed(5.0), "effect_declared": "under full delivery"})
    )
    assert settings.strength.effects == (0.0, pytest.approx(math.log(1.05)))


def test_spread_of_gains_from_the_correlation(protocol):
    """SD of change = SD sqrt(2 (1 - r)), the identity that the planning defaults use."""
    settings = TrialSettings.from_protocol(
        protocol({"sd_score": assumed(0.25), "correlation_baseline": assumed(0.88)})
    )
    strength = settings.strength
    change = math.sqrt(strength.sd_gain**2 + strength.sd_gain_exercise**2 + 2 * strength.measurement_sd**2)
    assert change == pytest.approx(0.25 * math.sqrt(0.24))


def test_scale_as_measured_takes_everything_in_the_unit(protocol):
    outcome = {
        "scale": "as_measured",
        "unit": "points",
        "score": {"rule": "as recorded"},
        "exercises": [],
    }
    settings = TrialSettings.from_protocol(
        protocol({"sd_score": assumed(10.0), "effect_strength": assumed(-3.0)}, outcome)
    )
    assert settings.score == "as recorded"
    assert settings.strength.scale == "as_measured"
    assert settings.strength.effects[1] * 0.7 == pytest.approx(-3.0)
    assert settings.strength.gain == settings.strength.learning == 0.0
    batch = simulate_batch(settings, 50, seed=1)
    assert settings.factors[0].strength_shift == (0.0, 0.0)
    assert batch.tests.score[:, :, 0, 0].std() == pytest.approx(10.0, rel=0.1)


def test_estimated_maximum(protocol):
    outcome = {"score": {"rule": "estimated maximum", "equation": "brzycki", "most_repetitions": 9}}
    settings = TrialSettings.from_protocol(protocol(outcome=outcome))
    assert (settings.score, settings.equation, settings.repetitions) == ("estimated maximum", "brzycki", 9)


@pytest.mark.parametrize(
    ("planning", "outcome", "message"),
    [
        ({}, {"scale": "as_measured"}, "planning.sd_score: expected the spread of strength"),
        ({"contamination": assumed(0.8)}, {}, "more sets delivered as planned than clients"),
        ({"effect_retention": assumed(45.0)}, {}, "points that keep the share retained between 0 and 1"),
    ],
)
def test_refuses_a_protocol_that_cannot_be_simulated(protocol, planning, outcome, message):
    with pytest.raises(DesignError, match=message):
        TrialSettings.from_protocol(protocol(planning, outcome))


def test_pauses_are_no_longer_than_the_protocol_lets_them_stop_the_clock(protocol):
    study = protocol()
    strength, retention = study.outcomes
    for cap, share, days in ((10, 0.15, (7, 10)), (0, 0.0, AttendanceModel().pause_days)):
        changed = retention.model_copy(update={"pause_cap_days": cap})
        settings = TrialSettings.from_protocol(study.model_copy(update={"outcomes": (strength, changed)}))
        assert settings.retention.pause_cap_days == cap
        assert (settings.attendance.pause_share, settings.attendance.pause_days) == (share, days)


def test_refuses_a_protocol_without_a_continuous_outcome(protocol):
    retention = [{"kind": "retention", "code": "stays", "name": "Stays"}]
    with pytest.raises(DesignError, match="a continuous outcome to simulate; found none"):
        TrialSettings.from_protocol(protocol(outcomes=retention))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"clients": 1}, "at least 2 clients and 1 trainer; found 1 clients"),
        ({"ratio": (1,)}, "ratio: expected 2 numbers, one per arm"),
        ({"strength": StrengthModel(effects=(0.0, 0.1, 0.1))}, r"strength.effects: expected 2 numbers"),
        ({"retention": RetentionModel(retained=(0.7,))}, r"retention.retained: expected 2 numbers"),
        ({"strata": ("sex",)}, "codes among trainer; found sex"),
        ({"trainers_deliver": "one arm", "trainers": 1}, "at least one trainer per arm"),
        ({"attendance": AttendanceModel(pause_days=(7, 40))}, "pauses of at most 28 days"),
    ],
)
def test_refuses_settings_that_do_not_fit_each_other(changes, message):
    with pytest.raises(ArgumentError, match=message):
        TrialSettings(**changes)
