"""Analyses within clients held to a printed crossover, to lme4 with pbkrtest, and to plain t tests."""

from __future__ import annotations

import csv
import datetime as dt
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from studykit.kinds.continuous.within import difference_by_group, fit_within, within_rows, within_setting
from studykit.kinds.continuous.within_result import analyse_within
from studykit.protocol.types import Protocol
from studykit.records.rows import Clients, Scores
from studykit.results import RowCount

HERE = Path(__file__).parent
REFERENCE = json.loads((HERE / "reference.json").read_text(encoding="utf-8"))
LME4 = {"rel": 2e-5, "abs": 2e-7}  # lme4 stops about 1e-6 away from the optimum in a variance
DEGREES = {"rel": 1e-3}
PERIODS = [
    {"first_day": 0, "last_day": 27, "visit": "end_1"},
    {"first_day": 42, "last_day": 69, "visit": "end_2"},
    {"first_day": 84, "last_day": 111, "visit": "end_3"},
    {"first_day": 126, "last_day": 153, "visit": "end_4"},
]


def protocol(design: str, *, periods: int = 2, exercises: tuple[str, ...] = ()) -> Protocol:
    """A bare protocol of one as-recorded outcome."""
    sides = [{"code": f"leg_{side}", "name": side, "side": side, "pair": "leg"} for side in ("left", "right")]
    machines = [{"code": code, "name": code} for code in exercises]
    own = sides if design == "limbs" else machines
    last = "end_1" if design == "limbs" else f"end_{periods}"
    allocation: dict[str, Any] = {"method": "simple"}
    if design == "stepped":
        allocation = {"method": "trainers together"}
    return Protocol.model_validate({
        "format": 1, "design": design,
        "study": {"title": "A", "code": "a", "version": "1", "date": dt.date(2026, 1, 1), "question": "?"},
        "arms": [{"code": "conventional", "name": "c"}, {"code": "partner_reps", "name": "p"}],
        "exercises": own,
        "strata": [{"code": "dominant", "levels": ["left", "right"]}] if design == "limbs" else [],
        "visits": [{"code": "baseline", "name": "before", "day": 0, "baseline": True},
                   *({"code": f"end_{number}", "name": f"end {number}", "day": 42 * number - 14}
                     for number in range(1, periods + 1))],
        "periods": [] if design == "limbs" else PERIODS[:periods],
        "outcomes": [{"kind": "continuous", "code": "strength", "name": "strength", "unit": "kg",
                      "scale": "as_measured", "score": {"rule": "as recorded"}, "role": "primary",
                      "exercises": [entry["code"] for entry in own], "primary_visit": last}],
        "allocation": allocation,
    })  # fmt: skip


def rows_of(
    plan: Protocol, allocated: list[int], client: Any, visit: Any, exercise: Any, score: Any, *,
    trainer: list[int] | None = None, dominant: list[int] | None = None,
) -> Scores:  # fmt: skip
    number = len(allocated)
    factors = () if dominant is None else (("dominant", np.array(dominant), ("left", "right")),)
    clients = Clients(
        tuple(f"C{place}" for place in range(number)), np.array(allocated), plan.allocated_codes,
        np.array(trainer if trainer is not None else [-1] * number), tuple(f"T{place}" for place in range(9)),
        factors, (), np.full(number, np.datetime64("2026-01-05")),
    )  # fmt: skip
    labels = plan.outcomes[0].exercises or ("",)
    client, visit, exercise = (np.asarray(values, dtype=np.int64) for values in (client, visit, exercise))
    return Scores(
        "strength", clients, client, visit, exercise, np.asarray(score, dtype=float),
        np.full(client.size, np.nan), tuple(visit_.code for visit_ in plan.visits), (0,), labels,
        RowCount(client.size, client.size, (), "rows"),
    )  # fmt: skip


def table(name: str) -> dict[str, np.ndarray]:
    with (HERE / "data" / f"{name}.csv").open(encoding="utf-8") as file:
        found = list(csv.DictReader(file))
    return {key: np.array([float(row[key] or "nan") for row in found]) for key in found[0]}


def agrees(name: str, plan: Protocol, rows: Scores) -> None:
    fitted = fit_within(within_setting(plan, plan.continuous_outcomes[0], rows))
    answer, wanted = fitted.effect(), REFERENCE[name]
    assert answer.value == pytest.approx(wanted["value"], **LME4)
    assert answer.standard_error == pytest.approx(wanted["standard_error"], **LME4)
    assert answer.degrees_of_freedom == pytest.approx(wanted["degrees_of_freedom"], **DEGREES)
    parameters = fitted.fit.covariance_parameters
    ours = [float(effect.matrix[0, 0]) for effect in parameters.random_effects]
    ours.append(float(parameters.residual.matrix[0, 0]))
    # lme4 lists effects by the number of their levels; a variance is found to about 1e-4 of itself.
    assert sorted(ours) == pytest.approx(sorted(wanted["variances"]), rel=1e-3)


FIRST = [(310, 270), (310, 260), (370, 300), (410, 390), (250, 210), (380, 350), (330, 365)]
SECOND = [(370, 385), (310, 400), (380, 410), (290, 320), (260, 340), (90, 220)]


def peak_flow() -> tuple[Protocol, Scores]:
    """Formoterol (compared) then salbutamol, and the other way round."""
    plan = protocol("crossover")
    allocated = [1] * len(FIRST) + [0] * len(SECOND)  # sequence 1 has the compared arm first
    scores = np.array([*FIRST, *SECOND], dtype=float)
    client, period = np.divmod(np.arange(scores.size), 2)
    return plan, rows_of(plan, allocated, client, period + 1, client * 0, scores.ravel())


def test_a_printed_crossover() -> None:
    """P52: 46.6071, standard error 10.7766, t(11) = 4.3249, p = 0.001205, 22.89 to 70.33."""
    plan, rows = peak_flow()
    setting = within_setting(plan, plan.continuous_outcomes[0], rows)
    for answer in (fit_within(setting).effect(), difference_by_group(within_rows(plan, setting.arrays))):
        assert answer.value == pytest.approx(46.6071, abs=1e-4)
        assert answer.standard_error == pytest.approx(10.7766, abs=1e-4)
        assert answer.degrees_of_freedom == pytest.approx(11.0, abs=1e-4)
        assert answer.statistic == pytest.approx(4.3249, abs=1e-4)
        assert answer.p_value == pytest.approx(0.001205, abs=1e-6)
        interval = answer.confidence_interval(0.95)
        assert (interval.lower, interval.upper) == pytest.approx((22.89, 70.33), abs=0.01)


def test_the_result_of_the_printed_crossover_can_be_read() -> None:
    plan, rows = peak_flow()
    result = analyse_within(plan, plan.continuous_outcomes[0], rows)
    assert "within clients" in result.primary.method
    assert "13 clients have scores in both arms" in result.primary.remarks[0]
    assert "must not choose the analysis" in result.primary.remarks[1]
    assert [item.name for item in result.sensitivity] == ["clients tested in both arms only"]
    assert dict(result.analysed) == {
        "conventional_then_partner_reps": 6, "partner_reps_then_conventional": 7,
    }  # fmt: skip


def test_crossover_with_missing_tests_and_two_exercises() -> None:
    data = table("crossover")
    plan = protocol("crossover", exercises=("press", "row"))
    orders = {int(client): int(order) for client, order in zip(data["client"], data["order"], strict=True)}
    rows = rows_of(plan, [orders[client] for client in sorted(orders)], data["client"], data["period"] + 1,
                   data["exercise"], data["score"])  # fmt: skip
    agrees("crossover", plan, rows)


def test_sides() -> None:
    data = table("limbs")
    plan = protocol("limbs", periods=1)
    number = int(data["client"].max()) + 1
    first = [int(np.flatnonzero(data["client"] == client)[0]) for client in range(number)]
    seen = np.isfinite(data["after"])
    client = np.concatenate([data["client"], data["client"][seen]])
    visit = np.concatenate([np.zeros(seen.size), np.ones(int(seen.sum()))])
    side = np.concatenate([data["side"], data["side"][seen]])
    score = np.concatenate([data["before"], data["after"][seen]])
    rows = rows_of(plan, [int(data["drawn"][row]) for row in first], client, visit, side, score,
                   dominant=[int(data["dominant"][row]) for row in first])  # fmt: skip
    agrees("limbs", plan, rows)


def test_stepped() -> None:
    data = table("stepped")
    plan = protocol("stepped", periods=4)
    number = int(data["client"].max()) + 1
    first = [int(np.flatnonzero(data["client"] == client)[0]) for client in range(number)]
    rows = rows_of(plan, [int(data["step"][row]) - 1 for row in first], data["client"], data["period"],
                   data["client"] * 0, data["score"],
                   trainer=[int(data["trainer"][row]) for row in first])  # fmt: skip
    agrees("stepped", plan, rows)


def test_complete_sides_are_a_paired_comparison() -> None:
    """Dominant side drawn in as many clients either way, no test before: the two-group t of differences."""
    plan = protocol("limbs", periods=1)
    rng = np.random.default_rng(3)
    score = rng.normal(50.0, 3.0, (12, 2)) + rng.normal(0.0, 8.0, (12, 1))
    client, side = np.divmod(np.arange(24), 2)
    rows = rows_of(plan, [0, 1] * 6, client, np.ones(24), side, score.ravel(), dominant=[1] * 12)
    setting = within_setting(plan, plan.continuous_outcomes[0], rows)
    compared_left = score[0::2, 0] - score[0::2, 1]  # drawn 0: the dominant (right) side is the reference
    compared_right = score[1::2, 1] - score[1::2, 0]
    value = (compared_left.mean() + compared_right.mean()) / 2
    answer = fit_within(setting).effect()
    assert answer.value == pytest.approx(value)
    plain = stats.ttest_ind(compared_left, -compared_right)
    assert answer.statistic == pytest.approx(plain.statistic, rel=1e-6)
    assert answer.degrees_of_freedom == pytest.approx(10.0, abs=1e-3)
