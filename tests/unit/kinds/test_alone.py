"""A study alone, from its rows, has the very numbers that it has inside a batch."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from studykit.errors import ArgumentError, DesignError, FitError
from studykit.kinds.continuous.primary import answer
from studykit.kinds.continuous.within import answer_within, fit_within, within_setting
from studykit.kinds.retention import analysis as retention
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Protocol
from studykit.shipped import shipped
from studykit.trial.arrays import client_arrays, score_arrays
from studykit.trial.batch import simulate_batch
from studykit.trial.performance import estimate_trials, with_exercises
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_rows import retention_spells, strength_rows
from tests.support.primary import primary_continuous, primary_retention

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
                found = primary_continuous(protocol, outcome, strength_rows(batch, trial))
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


def test_trainers_without_any_spread_are_answered_in_arrays_too():
    """All trainers of an arm with the same share: the score interval of the clients, as one by one."""
    protocol = nested(ONE)
    settings = replace(TrialSettings.from_protocol(protocol, clients=24), trainers=6)
    batch = simulate_batch(settings, 3, seed=4)
    clients = client_arrays(protocol, batch)
    retained = np.zeros((3, 24), dtype=bool)
    retained[1] = clients.arm[1] == 1  # the second study: all of one arm; the third: two trainers differ
    retained[2] = (clients.arm[2] == 1) & (clients.trainer[2] != clients.trainer[2][clients.arm[2] == 1][0])
    found = retention.answer(protocol, clients, retained.astype(float))
    assert found.value[:2].tolist() == [0.0, 1.0]
    assert np.isnan(found.standard_error).tolist() == [True, True, False]
    assert (found.upper - found.lower > 0.2).all()
    assert found.reason == ("", "", "")


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


HARSH = {
    "fixed": (FOUR, 36, 3),
    "random, one exercise": (ONE, 34, 6),
    "clusters": (nested(FOUR), 36, 6),
}


@pytest.mark.parametrize("case", HARSH)
def test_whatever_is_missing_a_study_alone_is_the_same_in_a_batch(case):
    """A third of all scores, in some studies all of an exercise at a visit: columns and cells go."""
    protocol, clients, trainers = HARSH[case]
    analysis = protocol.analysis.model_copy(update={"composite_below_clients": 0})
    protocol = protocol.model_copy(update={"analysis": analysis})
    settings = replace(TrialSettings.from_protocol(protocol, clients=clients), trainers=trainers)
    scores = score_arrays(protocol, simulate_batch(settings, 24, seed=3, attendance=False))
    score = scores.score.copy()
    score[np.random.default_rng(5).random(score.shape) < 1 / 3] = np.nan
    score[::4, :, 1, 0] = np.nan
    for study in (1, 2, 3):
        score[study, scores.clients.arm[study] == 1, scores.primary_visit] = np.nan
    scores = replace(scores, score=score)
    together = answer(protocol, scores)
    assert together.by_model.sum() > 12
    assert sum(bool(reason) for reason in together.reason) == 3
    for study in range(24):
        alone = answer(protocol, scores.take([study]))
        assert alone.reason[0] == together.reason[study]
        assert alone.by_model[0] == together.by_model[study]
        for name in ("value", "lower", "upper", "p_value", "degrees_of_freedom"):
            # Degrees of freedom move with the last digits of the optimum, to which errors are blind.
            close = 1e-8 if name == "degrees_of_freedom" else 1e-10
            pair = getattr(alone, name)[0], getattr(together, name)[study]
            np.testing.assert_allclose(*pair, rtol=close, atol=1e-10)


def within_alone(protocol, batch, trial):
    """One study through its rows and the fit of its own; the reason where there is none."""
    setting = within_setting(protocol, protocol.continuous_outcomes[0], strength_rows(batch, trial))
    try:
        return fit_within(setting).effect(), ""
    except FitError as reason:
        return None, str(reason)


@pytest.mark.parametrize(("design", "clients"), [("crossover", 14), ("limbs", 8), ("stepped", 18)])
def test_where_clients_get_both_arms_a_study_alone_is_the_same_in_a_batch(design, clients):
    """Tests of an exercise go missing, so that columns and rows differ; some studies cannot be analysed."""
    protocol = read_protocol(shipped("protocols") / f"{design}.toml").protocol
    settings = TrialSettings.from_protocol(protocol, clients=clients)
    visits = tuple(replace(visit, missed=0.25) for visit in settings.visits)
    settings = replace(settings, visits=visits, missed_exercise=0.3)
    batch = simulate_batch(settings, 12, seed=9, attendance=False)
    together = answer_within(protocol, score_arrays(protocol, batch))
    answered = 0
    for trial in range(12):
        alone, reason = within_alone(protocol, batch, trial)
        assert together.reason[trial] == reason
        if alone is None:
            assert np.isnan(together.value[trial])
            continue
        answered += 1
        assert together.value[trial] == pytest.approx(alone.value, rel=1e-9, abs=1e-10)
        assert together.standard_error[trial] == pytest.approx(alone.standard_error, rel=1e-8)
        assert together.degrees_of_freedom[trial] == pytest.approx(alone.degrees_of_freedom, rel=1e-6)
    assert answered > 3


def test_sides_of_which_nobody_knows_the_dominant_one_are_refused_and_not_a_crash():
    protocol = read_protocol(shipped("protocols") / "limbs.toml").protocol
    batch = simulate_batch(TrialSettings.from_protocol(protocol, clients=12), 1, seed=9, attendance=False)
    rows = strength_rows(batch, 0)
    factors = tuple((name, np.full_like(codes, -1), levels) for name, codes, levels in rows.clients.factors)
    rows = replace(rows, clients=replace(rows.clients, factors=factors))
    setting = within_setting(protocol, protocol.continuous_outcomes[0], rows)
    with pytest.raises(FitError, match="4 clients tested in both arms; found 0"):
        fit_within(setting)
    assert "found 0" in answer_within(protocol, setting.arrays).reason[0]


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
