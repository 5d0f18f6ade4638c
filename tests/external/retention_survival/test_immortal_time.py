"""The Stanford heart transplant programme, on which immortal time was first shown (Gail 1972).

T40, T41, T46: by "ever transplanted" the hazard ratio is 0.27; with waiting days as days without, 1.13.
"""

from pathlib import Path

import numpy as np
import pytest

from studykit.lookback.naive import compare_ever, split_at_start
from studykit.retention.censored import CensoredTimes
from studykit.retention.hazard import fit_hazards

DATA = Path(__file__).parent / "data"


@pytest.fixture
def programme():
    """Time, event and day of the transplant (infinite for none) of 103 patients, from the published rows."""
    rows = np.genfromtxt(DATA / "heart.csv", delimiter=",", names=True)
    patient = rows["id"].astype(int) - 1
    time, event, began = np.zeros(103), np.zeros(103, dtype=bool), np.full(103, np.inf)
    np.maximum.at(time, patient, rows["stop"])
    np.logical_or.at(event, patient, rows["event"] == 1)
    waited = rows["transplant"] == 1
    began[patient[waited]] = rows["start"][waited]
    return CensoredTimes(time, event), began


def test_the_tool_moves_from_the_wrong_ratio_to_the_right_one_and_says_why(programme):
    times, began = programme
    naive = compare_ever(times, began, horizon=1000)
    log_ratio = np.log(naive.hazard_ratio.value)
    assert log_ratio == pytest.approx(-1.32345, abs=1e-5)
    assert naive.hazard_ratio.standard_error == pytest.approx(0.24380, abs=1e-5)
    assert naive.hazard_ratio.interval.lower == pytest.approx(0.1651, abs=5e-5)
    assert naive.split_hazard_ratio.value == pytest.approx(1.1356, abs=5e-5)
    assert "With those days counted as days without, the hazard ratio moves from 0.27 to 1.14." in naive.why
    assert "could not hold a departure" in naive.why
    assert naive.curves[0].share[-1] > naive.curves[1].share[-1]


def test_splitting_gives_the_published_rows(programme):
    times, began = programme
    rows, state = split_at_start(times, began)
    assert len(rows) == 172
    assert state.sum() == 69
    model = fit_hazards(rows, state, names=("transplant",), ties="breslow")
    assert model.coefficients[0] == pytest.approx(0.125667, abs=5e-7)
    assert np.sqrt(model.covariance[0, 0]) == pytest.approx(0.301077, abs=5e-7)
