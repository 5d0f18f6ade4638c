"""Test and retest from a frame."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pingouin
import pytest

from studykit.errors import ArgumentError
from studykit.frames import retest_reliability


@pytest.fixture
def frame() -> pd.DataFrame:
    """Shrout & Fleiss 1979, table 2: six targets, four judges; ICC(2,1) .29 in their table 4."""
    scores = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    return pd.DataFrame(
        [(f"C{row}", f"day {day}", float(scores[row][day])) for row in range(6) for day in range(4)],
        columns=["client", "day", "score"],
    )  # fmt: skip


def test_the_printed_example(frame: pd.DataFrame) -> None:
    found = retest_reliability(frame, client="client", test="day", score="score")
    assert round(found.correlation, 2) == 0.29
    table = pingouin.intraclass_corr(frame, targets="client", raters="day", ratings="score")
    assert found.correlation == pytest.approx(table["ICC"].iloc[1], rel=1e-9)
    assert found.typical_error == pytest.approx(
        1.02**0.5, abs=0.005
    )  # error mean square 1.02 in their table 3
    assert found.detectable_change == pytest.approx(1.96 * 2**0.5 * found.typical_error)
    first, last = frame.loc[frame["day"] == "day 0", "score"], frame.loc[frame["day"] == "day 3", "score"]
    assert found.shift == pytest.approx(last.mean() - first.mean())
    assert "neither makes a client a responder" in str(found)
    assert "6 of 6 clients used; 4 tests each." in str(found)


def test_clients_without_every_test_are_counted(frame: pd.DataFrame) -> None:
    frame.loc[2, "score"] = np.nan
    found = retest_reliability(frame, client="client", test="day", score="score")
    assert str(found.rows) == "5 of 6 clients used; left out: 1 (not every test)"
    whole = retest_reliability(frame[frame["client"] != "C0"], client="client", test="day", score="score")
    ours, theirs = (found.correlation, found.typical_error), (whole.correlation, whole.typical_error)
    assert ours == pytest.approx(theirs, rel=1e-12)  # summed in another order


def test_what_cannot_be_answered_is_explained(frame: pd.DataFrame) -> None:
    call = {"client": "client", "test": "day", "score": "score"}
    doubled = pd.concat([frame, frame.iloc[[5]].assign(score=3.0)], ignore_index=True)
    with pytest.raises(ArgumentError, match="one score for each client and test; found two, such as 'C1'"):
        retest_reliability(doubled, **call)
    with pytest.raises(ArgumentError, match=r"two tests or more, and 3 clients or more .* found 1 tests"):
        retest_reliability(frame[frame["day"] == "day 0"], **call)
    with pytest.raises(ArgumentError, match="columns among client, day, score; found load"):
        retest_reliability(frame, **(call | {"score": "load"}))
