"""The strength analyses held to lme4 with pbkrtest, to nlme, and to statsmodels' least squares.

The reference codes the same model in another way (arm columns without centring, own contrasts), so that the
design matrices of this project are checked and not only its fits.
"""

from __future__ import annotations

import csv
import datetime as dt
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from studykit.kinds.continuous.analysis import RegressionAnalysis, fit_model, prepare
from studykit.kinds.continuous.assembly import analyse_continuous
from studykit.protocol.types import Protocol
from studykit.records.rows import Clients, Scores
from studykit.results import Estimate, RowCount
from tests.support.primary import primary_continuous

HERE = Path(__file__).parent
REFERENCE = json.loads((HERE / "reference.json").read_text(encoding="utf-8"))
# lme4 stops about 1e-6 away from the optimum in a variance; effects and standard errors follow it.
LME4 = {"rel": 2e-5, "abs": 2e-7}
DEGREES = {"rel": 1e-3}  # Kenward-Roger degrees of freedom feel the same distance more strongly
NLME = {"rel": 2e-4}


def columns() -> dict[str, np.ndarray]:
    with (HERE / "data" / "scores.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


def protocol(exercises: tuple[str, ...], random_from: int = 5) -> Protocol:
    return Protocol.model_validate({
        "format": 1, "design": "parallel",
        "study": {"title": "A", "code": "a", "version": "1", "date": dt.date(2026, 1, 1), "question": "?"},
        "arms": [{"code": "conventional", "name": "c"}, {"code": "partner_reps", "name": "p"}],
        "exercises": [{"code": code, "name": code} for code in exercises],
        "strata": [{"code": "sex", "levels": ["female", "male"]}],
        "visits": [{"code": "baseline", "name": "before", "day": 0, "baseline": True},
                   {"code": "week_6", "name": "six", "day": 42},
                   {"code": "week_12", "name": "twelve", "day": 84}],
        "outcomes": [{"kind": "continuous", "code": "strength", "name": "strength", "unit": "kg",
                      "score": {"rule": "load at repetitions"}, "exercises": list(exercises),
                      "role": "primary", "primary_visit": "week_12"}],
        "allocation": {"method": "permuted blocks", "strata": ["sex"]},
        "analysis": {"trainer_random_from": random_from},
    })  # fmt: skip


def rows_of(exercises: tuple[int, ...]) -> Scores:
    table = columns()
    kept = np.isin(table["exercise"], exercises)
    table = {name: values[kept] for name, values in table.items()}
    client = table["client"].astype(int)
    n = 36
    facts = {name: np.zeros(n, dtype=int) for name in ("arm", "sex", "trainer")}
    for name, values in facts.items():
        values[client] = table[name].astype(int)
    clients = Clients(
        labels=tuple(f"C{number}" for number in range(n)),
        arm=facts["arm"],
        arm_labels=("conventional", "partner_reps"),
        trainer=facts["trainer"],
        trainer_labels=("T0", "T1", "T2"),
        factors=(("sex", facts["sex"], ("female", "male")),),
        covariates=(),
        allocated_on=np.full(n, np.datetime64("NaT"), dtype="datetime64[D]"),
    )
    return Scores(
        outcome="strength",
        clients=clients,
        client=client,
        visit=table["visit"].astype(int),
        exercise=np.searchsorted(exercises, table["exercise"]).astype(int),
        score=np.exp(table["log_score"]),
        day=np.full(client.size, np.nan),
        visit_labels=("baseline", "week_6", "week_12"),
        baseline_visits=(0,),
        exercise_labels=tuple(f"e{number}" for number in exercises) if len(exercises) > 1 else ("",),
        rows=RowCount(client.size, client.size),
    )


def agrees(estimate: Any, reference: dict[str, float]) -> None:
    assert isinstance(estimate, Estimate)
    assert estimate.value == pytest.approx(reference["value"], **LME4)
    assert estimate.standard_error == pytest.approx(reference["standard_error"], **LME4)
    assert estimate.degrees_of_freedom == pytest.approx(reference["degrees_of_freedom"], **DEGREES)


@pytest.mark.parametrize(("name", "random_from"), [("several_exercises", 5), ("trainers_random", 2)])
def test_several_exercises_agree_with_lme4_and_pbkrtest(name: str, random_from: int) -> None:
    """Three trainers fixed (fewer than five) or, from two, random; Kenward-Roger throughout."""
    reference = REFERENCE[name]
    exercises = ("e0", "e1", "e2")
    plan = protocol(exercises, random_from)
    result = analyse_continuous(plan, plan.continuous_outcomes[0], rows_of((0, 1, 2)))
    assert result.rows.used == reference["rows"]
    assert result.fallback == ""
    agrees(result.primary.estimate, reference["primary"])
    first, _ = result.by_visit
    agrees(first.estimate, reference["first_visit"])
    agrees(result.by_exercise[1].estimate, reference["one_exercise"])
    deviations = {part.name: part.standard_deviation for part in result.spread}
    for visit, variance in zip(
        ("baseline", "week_6", "week_12"), np.diag(reference["client_covariance"]), strict=True
    ):
        assert deviations[f"between clients, {visit}"] ** 2 == pytest.approx(variance, rel=1e-3)
    assert deviations["client by exercise"] ** 2 == pytest.approx(reference["client_by_exercise"], rel=1e-3)
    assert deviations["residual"] ** 2 == pytest.approx(reference["residual"], rel=1e-3)


def test_one_exercise_agrees_with_nlme() -> None:
    """Unstructured residuals; nlme's standard error is the model's, without the Kenward-Roger adjustment."""
    reference = REFERENCE["one_exercise"]
    plan = protocol(())
    model = fit_model(prepare(plan, plan.continuous_outcomes[0], rows_of((1,))))
    weights, _ = model.layout.effect(1, 2, (0,))
    plain = model.fit.contrast(weights[model.alone.kept], degrees_of_freedom="satterthwaite")
    assert plain.value == pytest.approx(reference["value"], **NLME)
    assert plain.standard_error == pytest.approx(reference["model_standard_error"], **NLME)
    adjusted = primary_continuous(plan, plan.continuous_outcomes[0], rows_of((1,))).estimate
    assert adjusted.value == pytest.approx(reference["value"], **NLME)
    assert isinstance(adjusted, Estimate)
    assert adjusted.standard_error > plain.standard_error


def test_the_fallback_is_least_squares() -> None:
    """Composite at the primary visit on baseline composite, stratifier and trainer: statsmodels' OLS."""
    plan = protocol(("e0", "e1", "e2"))
    setting = prepare(plan, plan.continuous_outcomes[0], rows_of((0, 1, 2)))
    ours = RegressionAnalysis(setting).effect(1, 2, (0, 1, 2))
    clients = setting.rows.clients
    outcome, baseline = setting.composite[:, 2], setting.composite[:, 0]
    design = np.column_stack([
        np.ones(36), clients.arm, baseline, clients.factors[0][1], clients.trainer == 1, clients.trainer == 2,
    ]).astype(float)  # fmt: skip
    used = np.isfinite(outcome)
    theirs = sm.OLS(outcome[used], design[used]).fit()
    assert ours.value == pytest.approx(theirs.params[1], rel=1e-10)
    assert ours.standard_error == pytest.approx(theirs.bse[1], rel=1e-10)
    assert ours.degrees_of_freedom == theirs.df_resid
    assert ours.p_value == pytest.approx(theirs.pvalues[1], rel=1e-8)


def test_few_clients_go_through_the_fallback() -> None:
    """The rule of the protocol: fewer clients with a score at the primary visit than it names."""
    plan = protocol(("e0", "e1", "e2"))
    plan = plan.model_copy(
        update={"analysis": plan.analysis.model_copy(update={"composite_below_clients": 40})}
    )
    result = analyse_continuous(plan, plan.continuous_outcomes[0], rows_of((0, 1, 2)))
    assert "fewer than the 40" in result.fallback
    assert result.primary.rows.left_out[0][0] == "no score at the primary visit"
    other = next(row for row in result.sensitivity if row.name == "mixed model over all visits")
    agrees(other.estimate, REFERENCE["several_exercises"]["primary"])
