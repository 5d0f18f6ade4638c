"""The short way to rows against the way of the records."""

from dataclasses import replace

import numpy as np
import pytest

from studykit.records.derive import derive_rows
from studykit.trial.models import AttendanceModel, RetentionModel
from studykit.trial.settings import TrialSettings
from synthetic_data.simulated_trial import simulate_trial


def both_ways(protocol, **changes):
    settings = replace(
        TrialSettings.from_protocol(protocol),
        missed_exercise=0.1,
        attendance=AttendanceModel(booked_per_week=1.5, pause_share=0.5, closures=((40, 47), (120, 125))),
        retention=RetentionModel(retained=(0.5, 0.6), return_share=0.3, horizon_day=170),
        **changes,
    )
    trial = simulate_trial(settings, seed=21)
    ends = [
        np.datetime64(client.allocated_on, "D") + np.timedelta64(int(days), "D")
        for client, days in zip(trial.allocated, trial.seen.attendance.through_day[0], strict=True)
    ]
    derived, findings = derive_rows(
        trial.records(), protocol, trial.allocated, data_through=max(ends).astype(object)
    )
    assert not [finding for finding in findings if finding.severity == "stop"]
    return trial, derived


def assert_same_clients(short, long):
    assert (short.labels, short.arm_labels, short.trainer_labels) == (
        long.labels,
        long.arm_labels,
        long.trainer_labels,
    )
    np.testing.assert_array_equal(short.arm, long.arm)
    np.testing.assert_array_equal(short.trainer, long.trainer)
    np.testing.assert_array_equal(short.allocated_on, long.allocated_on)
    assert [(name, codes.tolist(), labels) for name, codes, labels in short.factors] == [
        (name, codes.tolist(), labels) for name, codes, labels in long.factors
    ]


@pytest.mark.parametrize(
    "score",
    [
        {"rule": "load at repetitions", "repetitions": 8},
        {"rule": "estimated maximum", "equation": "wathen", "most_repetitions": 10},
    ],
)
def test_strength_rows_are_those_of_the_records(protocol, score):
    trial, derived = both_ways(protocol(outcome={"score": score}))
    short, long = trial.strength_rows(), derived.outcomes["strength"]
    assert_same_clients(short.clients, long.clients)
    for name in ("client", "visit", "exercise", "day"):
        np.testing.assert_array_equal(getattr(short, name), getattr(long, name), err_msg=name)
    # Loads in pounds are converted on both ways, in another order of operations.
    np.testing.assert_allclose(short.score, long.score, rtol=1e-13)
    assert (short.outcome, short.visit_labels, short.baseline_visits, short.exercise_labels) == (
        long.outcome,
        long.visit_labels,
        long.baseline_visits,
        long.exercise_labels,
    )


def test_measurements_are_those_of_the_records(protocol):
    outcome = {"score": {"rule": "as recorded"}, "unit": "points", "exercises": []}
    trial, derived = both_ways(protocol(outcome=outcome))
    short, long = trial.strength_rows(), derived.outcomes["strength"]
    np.testing.assert_array_equal(short.client, long.client)
    np.testing.assert_array_equal(short.score, long.score)
    assert short.exercise_labels == long.exercise_labels == ("",)


def test_retention_spells_are_those_of_the_records(protocol):
    trial, derived = both_ways(protocol())
    short, long = trial.retention_spells(), derived.retention
    assert_same_clients(short.clients, long.clients)
    assert short.histories == long.histories
    assert sum(bool(history.pauses) for history in short.histories) > 5
    assert any(reason for reason in long.reasons)


def test_sessions_and_screening_count_the_same_people(protocol):
    trial, derived = both_ways(protocol())
    assert derived.sessions.attended.sum() == trial.seen.attendance.attended.sum()
    assert derived.screening.assessed == trial.records()["screening"].number
    assert len(derived.harms) == len(trial.harms)
