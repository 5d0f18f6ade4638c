"""The ladder of the smallest studies: what leaves the regression, in which order, and that it is told."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from studykit.kinds.continuous.analysis import RegressionAnalysis, choose_analysis, prepare, primary_estimate
from studykit.kinds.continuous.primary import answer, regression_at
from studykit.kinds.continuous.regression import BASELINE, FACTS, TRAINERS
from studykit.kinds.continuous.rerandomisation import _nuisance
from studykit.outcomes.rerandomisation import regression_products
from studykit.planning.plan import plan_study
from studykit.protocol.protocol_file import parse_protocol
from studykit.results import Estimate
from studykit.shipped import shipped

CLIENTS = 12
RNG = np.random.default_rng(3)
START = RNG.normal(4.0, 0.25, 24)
AFTER = START + 0.1 + RNG.normal(0.0, 0.12, 24)


@pytest.fixture
def setting(make_protocol: Any, make_clients: Any, make_rows: Any) -> Any:
    def of(clients: int, missing: int, trainers: int = 4) -> Any:
        protocol = make_protocol(follow_ups=(84,), strata=())
        after = np.where(np.arange(clients) < missing, np.nan, AFTER[:clients])
        cube = np.exp(np.stack([START[:clients], after], axis=1))[..., None]
        facts = [("sex", np.arange(clients) // 3 % 2, ("female", "male"))]
        arm, trainer = np.arange(clients) % 2, np.arange(clients) // 2 % trainers
        rows = make_rows(make_clients(arm, trainer, factors=facts), cube, protocol)
        return prepare(protocol, protocol.continuous_outcomes[0], rows)

    return of


# Columns: mean, arm, baseline, sex, three of four trainers; five degrees of freedom are wanted.
@pytest.mark.parametrize(
    ("clients", "missing", "dropped", "freedom"),
    [
        (24, 4, (), 13),
        (12, 0, (), 5),
        (12, 1, (TRAINERS,), 7),
        (12, 3, (TRAINERS,), 5),
        (12, 4, (TRAINERS, FACTS), 5),
        (12, 7, (TRAINERS, FACTS), 2),
        (12, 8, (TRAINERS, FACTS, BASELINE), 2),
    ],
)
def test_the_rung_follows_from_the_number_tested(
    setting: Any, clients: int, missing: int, dropped: tuple[str, ...], freedom: int
) -> None:
    own = setting(clients, missing)
    analysis, _ = choose_analysis(own)
    assert isinstance(analysis, RegressionAnalysis)
    estimate = analysis.effect(1, own.primary_visit, own.exercises)
    assert estimate.degrees_of_freedom == freedom
    fit = regression_at(own.arrays, own.trainers.role, own.primary_visit, own.exercises)
    assert fit.dropped() == dropped
    assert fit.left_out() == ()  # what left by the ladder is not called a repetition of other columns
    (remark,) = analysis.remarks or ("",)
    assert remark == (
        f"{clients - missing} clients were tested at the visit, too few for every term: by the order written "
        f"in advance, {' and '.join(dropped)} left the regression."
        if dropped
        else ""
    )
    assert ("trainer" in analysis.method) == (TRAINERS not in dropped)
    assert ("on arm alone" in analysis.method) == (BASELINE in dropped)


def test_without_every_term_it_is_the_regression_by_hand(setting: Any) -> None:
    own = setting(12, 4)
    estimate = primary_estimate(own, *choose_analysis(own)).estimate
    assert isinstance(estimate, Estimate)
    design = np.column_stack([np.ones(8), np.arange(8) % 2, START[4:12]])
    beta, squares, *_ = np.linalg.lstsq(design, AFTER[4:12], rcond=None)
    error = np.sqrt(squares[0] / 5.0 * np.linalg.inv(design.T @ design)[1, 1])
    assert estimate.value == pytest.approx(beta[1])
    assert estimate.standard_error == pytest.approx(error)
    lowest = setting(12, 8)
    found = primary_estimate(lowest, *choose_analysis(lowest))
    reference = stats.ttest_ind(AFTER[[9, 11]], AFTER[[8, 10]])
    assert found.p_value == pytest.approx(reference.pvalue)


def test_many_studies_stand_each_on_its_own_rung_and_no_score_moves_it(setting: Any) -> None:
    studies = [setting(12, missing) for missing in (0, 2, 4, 8)]
    arrays = studies[0].arrays
    score = np.concatenate([own.arrays.score for own in studies])
    together = replace(arrays.take([0, 0, 0, 0]), score=score)
    found = answer(studies[0].protocol, together)
    for place, own in enumerate(studies):
        alone = primary_estimate(own, *choose_analysis(own))
        assert found.value[place] == pytest.approx(np.log(alone.value), rel=1e-12)
        assert found.degrees_of_freedom[place] == alone.estimate.degrees_of_freedom
    moved = replace(together, score=score + 3.0 * np.random.default_rng(5).normal(size=score.shape))
    rungs = [regression_at(scores, "fixed", 1, (0,)).rung.tolist() for scores in (together, moved)]
    assert rungs[0] == rungs[1]
    assert len(set(rungs[0])) == 4


def test_rerandomisation_stands_on_the_same_rung(setting: Any) -> None:
    """Its t at the arms seen is that of the regression; with every term nothing would be left to vary."""
    own = setting(12, 4)
    estimate = primary_estimate(own, *choose_analysis(own)).estimate
    assert isinstance(estimate, Estimate)
    seen = own.rows.clients.arm
    t = [_statistic(own, arm) for arm in (seen, 1 - seen)]
    assert t[0] == pytest.approx(estimate.statistic)
    assert t[1] == pytest.approx(-estimate.statistic)


def _statistic(own: Any, arm: Any) -> float:
    score = own.score_at(own.primary_visit, own.exercises)
    used = np.isfinite(score)
    products = regression_products(
        score[used], _nuisance(own, used), arm[None, used].astype(np.int8), number_of_arms=2, compared=1
    )
    return float(products.t(0.0)[0])


def test_the_plan_says_the_order_before_the_first_client() -> None:
    """With 12 clients and 3 trainers there is a plan, and it says what will leave the analysis."""
    text = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
    assert "clients = 40" in text
    plans = {
        clients: plan_study(parse_protocol(text.replace("clients = 40", f"clients = {clients}", 1)).protocol)
        for clients in (12, 40)
    }
    told = {
        clients: [line for line in plan.cannot_tell if "leave it, in this order" in line]
        for clients, plan in plans.items()
    }
    assert told[40] == []
    assert len(told[12]) == 1
    assert told[12][0].startswith(
        "About 8 tested clients are too few for every term of the analysis: trainers"
    )
    assert plans[12]["strength"].planned.degrees_of_freedom == pytest.approx(
        plans[12]["strength"].tested_clients - 3.0
    )
