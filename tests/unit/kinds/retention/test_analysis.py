"""Trainers as allocated units, one share each; clients whose status is not known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from studykit.errors import DesignError
from studykit.kinds.retention.analysis import answer, between_trainers, counts_in_cells
from studykit.outcomes.clients import ClientArrays

TRAINERS = tuple("ABCDEF")
TRAINER = np.repeat(np.arange(6), [8, 10, 12, 9, 11, 10])
COMPARED = np.isin(TRAINER, [1, 3, 5])
STATUS = (np.random.default_rng(2).random(60) < 0.7).astype(float)


def clients_of(arm, trainer=TRAINER) -> ClientArrays:
    return ClientArrays(
        np.asarray(arm, dtype=int)[None], ("reference", "compared"), 1, trainer[None], TRAINERS
    )


def test_two_sample_t_of_trainer_shares():
    found = between_trainers(clients_of(COMPARED), STATUS[None]).estimate("trainers minus two")
    shares = np.array([STATUS[trainer == TRAINER].mean() for trainer in range(6)])
    t = stats.ttest_ind(shares[1::2], shares[::2])
    assert found.value == pytest.approx(shares[1::2].mean() - shares[::2].mean())
    assert found.p_value == pytest.approx(t.pvalue)
    assert found.degrees_of_freedom == 4


def test_what_trainers_as_units_cannot_answer():
    with pytest.raises(DesignError, match="trainer A: expected clients of one arm only"):
        between_trainers(clients_of(np.arange(60) % 2), STATUS[None]).estimate("")
    with pytest.raises(DesignError, match="at least two trainers in each arm; found 5 and 1"):
        between_trainers(clients_of(TRAINER == 0), STATUS[None]).estimate("")


def test_nobody_is_counted_whose_status_is_not_known(make_protocol):
    status = STATUS.copy()
    status[[0, 3, 59]] = np.nan
    kept, everybody = counts_in_cells(clients_of(np.arange(60) % 2), status[None], TRAINER[None])
    known = np.isfinite(status)
    assert everybody.sum() == 57
    assert kept.sum() == status[known].sum()
    assert everybody[0, 0].tolist() == [3, 3]  # clients 0 and 3 of the first trainer's eight are not known
    nobody = answer(make_protocol(retention=True), clients_of(np.arange(60) % 2), np.full((1, 60), np.nan))
    assert "clients known to have stayed, or left, by the day that counts (the horizon)" in nobody.reason[0]
