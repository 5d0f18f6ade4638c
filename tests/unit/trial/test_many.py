"""Trials analysed many at once have the very numbers of the protocol's analyses one by one."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from studykit.errors import ArgumentError, DesignError, FitError
from studykit.kinds.continuous.analysis import primary_strength
from studykit.kinds.continuous.many import answer_many
from studykit.kinds.retention.analysis import primary_retention
from studykit.kinds.retention.many import compare_many_shares
from studykit.protocol.reading import read_protocol
from studykit.protocol.types import Protocol
from studykit.shipped import shipped
from studykit.trial.batch import simulate_batch
from studykit.trial.many import many_clients, many_scores
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


def left_open(protocol, batch, analysis):
    """How many trials the analysis in arrays does not answer itself."""
    if analysis == "retention":
        return compare_many_shares(protocol, many_clients(protocol, batch), batch.retained).open.sum()
    return answer_many(protocol, many_scores(protocol, batch)).open.sum()


def test_trainers_without_any_spread_are_answered_in_arrays_too():
    """All trainers of an arm with the same share: the score interval of the clients, as one by one."""
    protocol = nested(ONE)
    settings = replace(TrialSettings.from_protocol(protocol, clients=24), trainers=6)
    batch = simulate_batch(settings, 3, seed=4)
    clients = many_clients(protocol, batch)
    retained = np.zeros((3, 24), dtype=bool)
    retained[1] = clients.arm[1] == 1  # the second study: all of one arm; the third: two trainers differ
    retained[2] = (clients.arm[2] == 1) & (clients.trainer[2] != clients.trainer[2][clients.arm[2] == 1][0])
    found = compare_many_shares(protocol, clients, retained)
    assert found.value[:2].tolist() == [0.0, 1.0]
    assert np.isnan(found.standard_error).tolist() == [True, True, False]
    assert (found.upper - found.lower > 0.2).all()
    assert not found.open.any()


@pytest.mark.parametrize("analysis", ["strength", "retention"])
@pytest.mark.parametrize("case", CASES)
def test_equal_to_the_analyses_one_by_one(case, analysis):
    """Rounding only: both ways find the same optimum by the same search."""
    protocol, clients, trainers, changes = CASES[case]
    settings = replace(TrialSettings.from_protocol(protocol, clients=clients), trainers=trainers, **changes)
    batch = simulate_batch(settings, 6, seed=4)
    # An answer that is left open is worked out one by one, and would agree with itself.
    assert left_open(protocol, batch, analysis) == (6 if case == "single clusters" else 0)
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
