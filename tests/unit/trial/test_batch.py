"""Many trials at once."""

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.trial.batch import simulate_batch
from studykit.trial.models import RetentionModel
from studykit.trial.settings import TrialSettings

SETTINGS = TrialSettings(clients=24, trainers=3)


def test_same_seed_and_batch_give_the_same_numbers():
    first, second = (simulate_batch(SETTINGS, 7, seed=1, batch=4) for _ in range(2))
    np.testing.assert_array_equal(first.tests.score, second.tests.score)
    np.testing.assert_array_equal(first.arm, second.arm)
    np.testing.assert_array_equal(first.attendance.attended, second.attendance.attended)


def test_other_batches_and_seeds_give_others():
    first = simulate_batch(SETTINGS, 7, seed=1, batch=4)
    for other in (simulate_batch(SETTINGS, 7, seed=1, batch=5), simulate_batch(SETTINGS, 7, seed=2, batch=4)):
        assert not np.array_equal(first.tests.score, other.tests.score)


def test_potential_outcomes_differ_only_by_the_arm():
    """A client's scores in a drawn trial are those under the arm that was drawn; the same for leaving."""
    drawn = simulate_batch(SETTINGS, 10, seed=3)
    under = [simulate_batch(SETTINGS, 10, seed=3, arm=arm) for arm in (0, 1)]
    for arm in (0, 1):
        own = drawn.arm == arm
        np.testing.assert_array_equal(drawn.tests.score[own], under[arm].tests.score[own])
        np.testing.assert_array_equal(drawn.leaving.left[own], under[arm].leaving.left[own])
        np.testing.assert_array_equal(drawn.attendance.attended[own], under[arm].attendance.attended[own])
    np.testing.assert_array_equal(under[0].tests.score[:, :, 0], under[1].tests.score[:, :, 0])
    assert not np.array_equal(under[0].tests.score[:, :, 2], under[1].tests.score[:, :, 2])


def test_no_score_is_seen_after_departure():
    batch = simulate_batch(SETTINGS, 40, seed=4)
    after = batch.tests.day > batch.leaving.left[..., None]
    back = batch.tests.day >= batch.leaving.returned[..., None]
    follow_up = np.array([not visit.baseline for visit in SETTINGS.visits])
    assert np.isnan(batch.scores[(after & ~back) & follow_up]).all()
    assert not np.isnan(batch.scores[:, :, 0]).any()


def test_some_are_tested_after_departure_when_told():
    leaves = RetentionModel(retained=(0.3, 0.3), return_share=0.0)
    settings = TrialSettings(clients=24, trainers=3, retention=leaves, tested_after_departure=0.5)
    batch = simulate_batch(settings, 100, seed=4)
    gone = (batch.tests.day > batch.leaving.left[..., None])[:, :, 2]
    share = (~np.isnan(batch.scores[:, :, 2, 0]))[gone].mean()
    assert share == pytest.approx(0.5 * 0.85, abs=0.06)


def test_given_arms_are_kept():
    arms = np.tile([0, 1], (2, 12))
    np.testing.assert_array_equal(simulate_batch(SETTINGS, 2, seed=1, arm=arms).arm, arms)


def test_refuses_wrong_calls():
    with pytest.raises(ArgumentError, match="trials: expected at least 1; found 0"):
        simulate_batch(SETTINGS, 0, seed=1)
    with pytest.raises(ArgumentError, match=r"an array of shape \(2, 24\); found shape \(2, 23\)"):
        simulate_batch(SETTINGS, 2, seed=1, arm=np.zeros((2, 23), int))
