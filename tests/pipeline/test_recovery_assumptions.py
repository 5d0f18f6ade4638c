"""Simulated trials of the ready protocol have the spreads and shares that its planning section assumes.

The figures are the planning defaults of the ready protocol, with their published sources beside them
there (Mayhew et al. 2008, Steele et al. 2022, Fernandes et al. 2019, Annesi 2007 and others); here the
data-generating model is held to them. 24,000 simulated clients: Monte Carlo errors are under 1 %.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from studykit.protocol.protocol_file import read_protocol
from studykit.shipped import shipped
from studykit.trial.batch import simulate_batch
from studykit.trial.settings import TrialSettings

PROTOCOL = read_protocol(shipped("protocols") / "parallel.toml").protocol
PLANNING = PROTOCOL.planning


@pytest.fixture(scope="module")
def reference():
    """Everybody in the reference arm, loads unrounded, nobody contaminated."""
    settings = TrialSettings.from_protocol(PROTOCOL, clients=60)
    settings = replace(
        settings,
        trainers=6,
        machines=tuple(replace(machine, stack_step=0.0) for machine in settings.machines),
        delivery=replace(settings.delivery, contaminated=0.0),
    )
    return simulate_batch(settings, 400, seed=77, arm=0)


def within_sex(batch, values):
    """Values as deviations from the mean of their sex."""
    sex = batch.traits.levels[0]
    means = np.array([values[sex == level].mean(axis=0) for level in (0, 1)])
    return (values - means[sex]).reshape(-1, *values.shape[2:])


def test_spread_within_a_sex(reference):
    scores = within_sex(reference, reference.tests.analysed[:, :, 0, :])
    np.testing.assert_allclose(scores.std(axis=0), PLANNING.sd_score.value, rtol=0.02)


def test_spread_of_changes_and_their_correlation_between_machines(reference):
    change = reference.tests.analysed[:, :, 2, :] - reference.tests.analysed[:, :, 0, :]
    change = within_sex(reference, change)
    # The spread between trainers (intraclass correlation 0.02) is added to that of clients.
    np.testing.assert_allclose(change.std(axis=0), PLANNING.sd_gain.value / math.sqrt(0.98), rtol=0.03)
    correlations = np.corrcoef(change.T)[np.triu_indices(4, 1)]
    np.testing.assert_allclose(correlations, PLANNING.correlation_exercises.value, atol=0.04)


def test_correlation_before_and_after(reference):
    """Gains that are independent of the start give SD / sqrt(SD² + SDgain²), near the 0.88 assumed."""
    before, after = (within_sex(reference, reference.tests.analysed[:, :, visit, 0]) for visit in (0, 2))
    assert np.corrcoef(before, after)[0, 1] == pytest.approx(PLANNING.correlation_baseline.value, abs=0.03)


def test_residual_spread_after_adjustment(reference):
    """0.115 for one exercise, and 0.742 of it for a composite of four (planning defaults, derived)."""
    before, after = (within_sex(reference, reference.tests.analysed[:, :, visit, :]) for visit in (0, 2))

    def residual(first, last):
        slope = np.cov(first, last)[0, 1] / first.var(ddof=1)
        return (last - slope * first).std()

    one = residual(before[:, 0], after[:, 0])
    composite = residual(before.mean(axis=1), after.mean(axis=1))
    assert one == pytest.approx(0.115, rel=0.06)
    assert composite / one == pytest.approx(0.742, abs=0.03)


def test_gain_of_the_reference_arm(reference):
    """22 % at week 12, practice at the tests apart."""
    change = (reference.tests.analysed[:, :, 2, :] - reference.tests.analysed[:, :, 0, :]).mean()
    practice = reference.settings.strength.practice(3)[2]
    assert 100.0 * math.expm1(change - practice) == pytest.approx(PLANNING.gain_reference.value, abs=0.5)


def test_retention_and_attendance(reference):
    assert reference.retained.mean() == pytest.approx(PLANNING.retention_reference.value, abs=0.015)
    attended = reference.attendance.attended.sum() / reference.attendance.booked.sum()
    # The middle client attends the share assumed; the mean over clients is a little less.
    assert attended == pytest.approx(PLANNING.attended_of_planned.value, abs=0.02)


def test_effects_as_offered():
    """Dilution by delivery and contamination leaves the effect that the protocol declares."""
    settings = replace(TrialSettings.from_protocol(PROTOCOL, clients=60), trainers=6)
    means = [
        simulate_batch(settings, 400, seed=78, arm=arm).tests.analysed[:, :, 2, :].mean() for arm in (0, 1)
    ]
    # 2,400 trainers whose effects differ by 0.02: the Monte Carlo error is 0.0003.
    assert means[1] - means[0] == pytest.approx(math.log(1.02), abs=0.0012)
