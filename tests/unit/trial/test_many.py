"""Trials analysed many at once have the very numbers of the protocol's analyses one by one."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from studykit.errors import ArgumentError, DesignError, FitError
from studykit.outcomes.retention import primary_retention
from studykit.outcomes.strength import primary_strength
from studykit.protocol.reading import read_protocol
from studykit.protocol.types import Protocol
from studykit.shipped import shipped
from studykit.trial.batch import simulate_batch
from studykit.trial.performance import estimate_trials, with_exercises
from studykit.trial.rows import retention_spells, strength_rows
from studykit.trial.settings import TrialSettings

FOUR = read_protocol(shipped("protocols") / "parallel.toml").protocol
ONE = with_exercises(FOUR, FOUR.continuous_outcomes[0].exercises[:1])


def nested(protocol: Protocol) -> Protocol:
    """The same with trainers as clusters."""
    trainers = protocol.trainers.model_copy(update={"deliver": "one arm"})
    return protocol.model_copy(update={"trainers": trainers})


def one_by_one(protocol, batch, trial, analysis):
    """Value, ends and p-value of one trial through rows, ``nan`` where it fails."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            if analysis == "retention":
                found = primary_retention(protocol, retention_spells(batch, trial))
            else:
                outcome = protocol.continuous_outcomes[0]
                found = primary_strength(protocol, outcome, strength_rows(batch, trial))
        except (FitError, DesignError):
            return (np.nan,) * 4
    interval = found.estimate.confidence_interval(0.95)
    return found.estimate.value, interval.lower, interval.upper, found.p_value


CASES = {
    "fixed trainers": (ONE, 40, 3, {}),
    "random trainers": (ONE, 40, 6, {}),
    "four exercises": (FOUR, 36, 3, {"missed_exercise": 0.1}),
    "clusters": (nested(ONE), 44, 7, {}),
    "clusters of few": (nested(FOUR), 22, 4, {"missed_exercise": 0.1}),
    "few clients": (ONE, 20, 3, {}),
    "very few": (FOUR, 10, 3, {}),
    "one trainer": (ONE, 16, 1, {}),
    "single clusters": (nested(ONE), 40, 3, {}),
    "columns that repeat others": (ONE, 36, 4, {"missed_exercise": 0.35}),
}


@pytest.mark.parametrize("analysis", ["strength", "retention"])
@pytest.mark.parametrize("case", CASES)
def test_equal_to_the_analyses_one_by_one(case, analysis):
    """Rounding only: both ways find the same optimum by the same search."""
    protocol, clients, trainers, changes = CASES[case]
    settings = replace(TrialSettings.from_protocol(protocol, clients=clients), trainers=trainers, **changes)
    batch = simulate_batch(settings, 6, seed=4)
    many = estimate_trials(protocol, batch, analysis)
    single = np.array([one_by_one(protocol, batch, trial, analysis) for trial in range(6)]).T
    together = np.array([many.value, many.lower, many.upper, many.p_value])
    np.testing.assert_allclose(together, single, rtol=1e-7, atol=1e-9)


def test_cases_reach_model_and_fallback():
    """So that the equality above is about both."""
    batch = simulate_batch(replace(TrialSettings.from_protocol(ONE, clients=34), trainers=3), 40, seed=4)
    found = estimate_trials(ONE, batch, "strength")
    assert 0 < found.by_model.sum() < 40


def test_a_baseline_that_is_missing_is_handled_alike():
    settings = TrialSettings.from_protocol(ONE, clients=20)
    visits = tuple(replace(visit, missed=0.2) for visit in settings.visits)
    batch = simulate_batch(replace(settings, visits=visits), 6, seed=4)
    many = estimate_trials(ONE, batch, "strength")
    single = np.array([one_by_one(ONE, batch, trial, "strength") for trial in range(6)]).T
    np.testing.assert_allclose([many.value, many.lower, many.upper, many.p_value], single, rtol=1e-9)


def test_no_attendance_where_only_tests_are_wanted():
    """Tests and arms are the same numbers with and without."""
    settings = TrialSettings.from_protocol(ONE, clients=12)
    without, whole = (simulate_batch(settings, 2, seed=1, attendance=wanted) for wanted in (False, True))
    np.testing.assert_array_equal(without.scores, whole.scores)
    with pytest.raises(ArgumentError, match="simulated with attendance; found one without"):
        _ = without.retained
