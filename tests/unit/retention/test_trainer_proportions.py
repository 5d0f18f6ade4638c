"""Trainers as allocated units: one share per trainer, t on trainers minus two."""

import numpy as np
import pytest
from scipy import stats

from studykit.errors import ArgumentError, DesignError
from studykit.retention.trainer_proportions import trainer_difference

RNG = np.random.default_rng(2)
TRAINER = np.repeat(["A", "B", "C", "D", "E", "F"], [8, 10, 12, 9, 11, 10])
COMPARED = np.isin(TRAINER, ["B", "D", "F"])
RETAINED = RNG.random(60) < 0.7


def test_two_sample_t_of_trainer_shares():
    result = trainer_difference(RETAINED, COMPARED, trainer=TRAINER)
    shares = {label: RETAINED[label == TRAINER].mean() for label in "ABCDEF"}
    t = stats.ttest_ind([shares[k] for k in "BDF"], [shares[k] for k in "ACE"])
    assert result.estimate.value == pytest.approx(
        np.mean([shares[k] for k in "BDF"]) - np.mean([shares[k] for k in "ACE"])
    )
    assert result.estimate.p_value == pytest.approx(t.pvalue)
    assert result.estimate.degrees_of_freedom == 4
    assert [row.clients for row in result.trainers] == [8, 10, 12, 9, 11, 10]


def test_refusals():
    with pytest.raises(DesignError, match="trainer A: expected clients of one arm only"):
        trainer_difference(RETAINED, np.arange(60) % 2, trainer=TRAINER)
    with pytest.raises(DesignError, match="at least two trainers in each arm; found 5 and 1"):
        trainer_difference(RETAINED, TRAINER == "A", trainer=TRAINER)
    with pytest.raises(ArgumentError, match="status and arm True or False"):
        trainer_difference(np.where(RETAINED, 1.0, np.nan), COMPARED, trainer=TRAINER)
    with pytest.raises(ArgumentError, match="a status, an arm and a trainer for each client"):
        trainer_difference(RETAINED[:-1], COMPARED, trainer=TRAINER)
