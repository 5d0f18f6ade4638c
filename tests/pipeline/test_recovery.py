"""The analysis finds the truth over repeated simulation: the short version of the validity study.

The long version is analysis/05_validity_recovery.py and analysis/06_validity_type_one_error.py.
Limits are Monte Carlo errors: three for a bias, and for coverage the interval in which a binomial
count with the nominal share lies 999 times in 1,000.
"""

from dataclasses import replace

import pytest
from scipy.stats import binom

from studykit.protocol.reading import read_protocol
from studykit.shipped import shipped
from studykit.trial.performance import (
    batches_of,
    estimate_batch,
    run_in_order,
    summarise_performance,
    with_exercises,
    without_effect,
)
from studykit.trial.settings import TrialSettings
from studykit.trial.truth import true_values

PROTOCOL = read_protocol(shipped("protocols") / "parallel.toml").protocol
ONE = with_exercises(PROTOCOL, PROTOCOL.continuous_outcomes[0].exercises[:1])


def studio(protocol, clients, trainers=6):
    """A clear effect; departures depend on the gains that were seen."""
    planned = TrialSettings.from_protocol(protocol, clients=clients)
    return replace(
        planned,
        trainers=trainers,
        strength=replace(planned.strength, effects=(0.0, 0.10)),
        retention=replace(planned.retention, retained=(0.70, 0.80), per_gain=-0.4),
        missed_by_attendance=-0.4,
    )


def performance(protocol, settings, trials, *, truth, analysis="strength", seed=31):
    estimates = run_in_order(
        lambda size, number: estimate_batch(
            protocol, settings, size, seed=seed, batch=number, analysis=analysis
        ),
        batches_of(trials),
    )
    return summarise_performance(estimates, truth=truth)


def assert_recovers(found):
    assert abs(found.bias) < 3.0 * found.bias_error
    low, high = binom.ppf([0.0005, 0.9995], found.coverage.trials, 0.95)
    assert low <= found.coverage.count <= high


@pytest.mark.slow
def test_strength_by_the_model():
    settings = studio(ONE, 54)
    truth = true_values(settings, seed=32, trials=2000)[0].value
    found = performance(ONE, settings, 100, truth=truth)
    assert found.failed == 0
    assert_recovers(found)


def test_strength_by_the_fallback():
    """Under 24 clients with a score the composite of four machines is analysed by regression."""
    settings = studio(PROTOCOL, 26, trainers=3)
    truth = true_values(settings, seed=32, trials=4000)[0].value
    found = performance(PROTOCOL, settings, 200, truth=truth)
    assert found.failed == 0
    assert_recovers(found)


def test_retention():
    settings = studio(PROTOCOL, 60)
    truth = true_values(settings, seed=32, trials=4000)[1].value
    found = performance(PROTOCOL, settings, 200, truth=truth, analysis="retention")
    assert found.failed == 0
    assert_recovers(found)


def test_no_effect_is_found_as_often_as_promised():
    """5 % of null trials, within the binomial limits; the long version holds 4.2 to 5.8 %."""
    settings = without_effect(studio(PROTOCOL, 26, trainers=3))
    found = performance(PROTOCOL, settings, 300, truth=0.0)
    low, high = binom.ppf([0.0005, 0.9995], found.trials - found.failed, 0.05)
    assert low <= found.rejected.count <= high
