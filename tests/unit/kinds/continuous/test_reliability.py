"""Intraclass correlation and typical error, held to published tables."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pingouin
import pytest

from studykit.kinds.continuous.assembly import analyse_continuous
from studykit.kinds.continuous.reliability import intraclass_correlation, mean_squares, typical_error

# Shrout & Fleiss 1979, Psychological Bulletin 86:420, tables 2 to 4 (from memory, recomputed)
FLEISS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float
)
# Weir 2005, J Strength Cond Res 19:231, set A (from memory, recomputed)
WEIR = np.array(
    [[146, 140], [148, 152], [170, 152], [90, 99], [157, 145], [156, 153], [176, 167], [205, 218]],
    dtype=float,
)


def test_mean_squares_of_shrout_and_fleiss() -> None:
    """S10."""
    assert mean_squares(FLEISS) == pytest.approx((11.241667, 32.486111, 1.019444), abs=1e-6)


def test_agreement_of_shrout_and_fleiss_with_its_interval() -> None:
    """S11, S12: ICC(2,1) .2898, 95 % interval .019 to .76; tolerances are the digits printed."""
    value, interval = intraclass_correlation(FLEISS, 0.95)
    assert value == pytest.approx(0.2898, abs=1e-4)
    assert interval.lower == pytest.approx(0.019, abs=5e-4)
    assert interval.upper == pytest.approx(0.76, abs=5e-3)


def test_weir_set_a() -> None:
    """S20, S21, S23: mean squares, ICC(2,1) .950, standard error of measurement 7.557."""
    between, visits, error = mean_squares(WEIR)
    assert between == pytest.approx(2098.536, abs=5e-4)
    assert visits == pytest.approx(30.25, abs=1e-9)
    assert error == pytest.approx(57.107, abs=5e-4)
    assert intraclass_correlation(WEIR, 0.95)[0] == pytest.approx(0.950, abs=5e-4)
    assert typical_error(WEIR) == pytest.approx(7.557, abs=5e-4)
    assert typical_error(WEIR) == pytest.approx(
        np.std(WEIR[:, 1] - WEIR[:, 0], ddof=1) / np.sqrt(2), rel=1e-12
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_interval_agrees_with_pingouin_to_its_two_decimals(seed: int) -> None:
    """Another program's interval is rounded to two decimals: the tolerance is that."""
    rng = np.random.default_rng(seed)
    scores = rng.normal(0.0, 2.0, (14, 1)) + rng.normal(0.0, 1.0, (14, 3)) + np.array([0.0, 0.3, 0.5])
    _, interval = intraclass_correlation(scores, 0.95)
    table = pd.DataFrame({
        "client": np.repeat(np.arange(14), 3), "test": np.tile(np.arange(3), 14), "score": scores.ravel(),
    })  # fmt: skip
    answer = pingouin.intraclass_corr(table, targets="client", raters="test", ratings="score")
    column = "CI95" if "CI95" in answer.columns else "CI95%"
    lower, upper = answer[column].to_numpy()[1]
    assert interval.lower == pytest.approx(lower, abs=5.1e-3)
    assert interval.upper == pytest.approx(upper, abs=5.1e-3)


def test_two_visits_before_allocation_give_reliability(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    protocol = make_protocol(baselines=(-7, 0), follow_ups=(84,), scale="as_measured")
    rng = np.random.default_rng(5)
    cube = rng.normal(80.0, 10.0, (30, 1, 1)) + rng.normal(0.0, 3.0, (30, 3, 1))
    rows = make_rows(make_clients([0, 1] * 15), cube, protocol)
    result = analyse_continuous(protocol, protocol.continuous_outcomes[0], rows)
    (reliability,) = result.reliability
    value, interval = intraclass_correlation(cube[:, :2, 0], 0.95)
    assert reliability.intraclass_correlation == value
    assert reliability.interval == interval
    assert reliability.typical_error == pytest.approx(typical_error(cube[:, :2, 0]))
    assert (reliability.typical_error_unit, reliability.source) == ("kg", "visits base_7, baseline")


def test_the_model_gives_repeatability_where_there_are_several_exercises(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    """Client 0.25, client by exercise 0.1 and error 0.05: repeatability 0.967, within sampling error."""
    protocol = make_protocol(exercises=("a", "b", "c"))
    rng = np.random.default_rng(6)
    logs = (
        rng.normal(4.0, 0.25, (60, 1, 1))
        + rng.normal(0.0, 0.1, (60, 1, 3))
        + rng.normal(0.0, 0.05, (60, 3, 3))
    )
    logs += np.cumsum(rng.normal(0.1, 0.08, (60, 3, 1)), axis=1)
    rows = make_rows(make_clients([0, 1] * 30), np.exp(logs), protocol)
    result = analyse_continuous(protocol, protocol.continuous_outcomes[0], rows)
    (repeatability,) = result.reliability
    assert repeatability.source == "model"
    assert repeatability.interval.contains(0.967)
    assert repeatability.interval.width < 0.03
    assert repeatability.typical_error == pytest.approx(5.1, abs=0.6)  # 100 (exp(0.05) - 1), per cent
    assert "two visits before allocation" in result.remarks[0]
