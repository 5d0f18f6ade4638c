"""The analysis finds the truth over repeated simulation: the short version of the validity study.

The long version is analysis/05_validity_recovery.py and analysis/06_validity_type_one_error.py.
Limits are Monte Carlo errors: three for a bias, and for coverage the interval in which a binomial
count with the nominal share lies 999 times in 1,000.
"""

from dataclasses import replace

import pytest
from scipy.stats import binom

from studykit.planning.simulation import simulate_study
from studykit.protocol.protocol_file import read_protocol
from studykit.shipped import shipped
from studykit.trial.performance import with_exercises, without_effect
from studykit.trial.settings import TrialSettings

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


def performance(protocol, settings, trials, *, outcome="strength"):
    found = simulate_study(protocol, settings, trials=trials, seed=31, null_trials=False, only=[outcome])
    return found.outcome(outcome).with_effect


def assert_recovers(found):
    assert abs(found.bias) < 3.0 * found.bias_error
    low, high = binom.ppf([0.0005, 0.9995], found.coverage.trials, 0.95)
    assert low <= found.coverage.count <= high


@pytest.mark.slow
def test_strength_by_the_model():
    settings = studio(ONE, 54)
    found = performance(ONE, settings, 300)
    assert found.failed == 0
    assert_recovers(found)


def test_strength_by_the_fallback():
    """Under 24 clients with a score the composite of four machines is analysed by regression."""
    settings = studio(PROTOCOL, 26, trainers=3)
    found = performance(PROTOCOL, settings, 400)
    assert found.failed == 0
    assert_recovers(found)


def test_retention():
    settings = studio(PROTOCOL, 60)
    found = performance(PROTOCOL, settings, 400, outcome="retention")
    assert found.failed == 0
    assert_recovers(found)


def test_no_effect_is_found_as_often_as_promised():
    """5 % of null trials, within the binomial limits; the long version holds 4.2 to 5.8 %."""
    settings = without_effect(studio(PROTOCOL, 26, trainers=3))
    found = performance(PROTOCOL, settings, 1000)
    low, high = binom.ppf([0.0005, 0.9995], found.trials - found.failed, 0.05)
    assert low <= found.rejected.count <= high
