"""The fallback regression, and trainers as units."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from studykit.errors import FitError
from studykit.kinds.continuous.regression import compare_clusters, regress_on_baseline
from studykit.outcomes.clients import ClientArrays
from studykit.outcomes.trainers import plan_trainers, unpaired_t

RNG = np.random.default_rng(21)
START = RNG.normal(4.0, 0.3, 24)
AFTER = 0.5 + 0.9 * START + RNG.normal(0.0, 0.1, 24)
ARM = np.arange(24) % 2


def test_without_baseline_it_is_the_unpaired_t(make_clients: Any) -> None:
    clients = ClientArrays.of_study(make_clients(ARM))
    fit = regress_on_baseline(AFTER[None], None, clients, trainers=False)
    estimate = fit.coefficient("partner_reps").estimate("residual")
    reference = stats.ttest_ind(AFTER[ARM == 1], AFTER[ARM == 0])
    assert estimate.statistic == pytest.approx(reference.statistic)
    assert estimate.p_value == pytest.approx(reference.pvalue)
    assert estimate.degrees_of_freedom == 22.0


def test_a_client_without_baseline_is_kept(make_clients: Any) -> None:
    """F04: mean imputation and an indicator leave the others' contrast as if the client had an own level."""
    clients = ClientArrays.of_study(make_clients(ARM))
    start = START.copy()
    start[2] = np.nan
    fit = regress_on_baseline(AFTER[None], start[None], clients, trainers=False)
    assert int(fit.used.sum()) == 24
    assert "baseline missing" in fit.names
    assert fit.residuals[0, 2] == pytest.approx(0.0, abs=1e-12)  # the only one with the indicator
    complete = np.isfinite(start)
    design = np.column_stack([np.ones(24), ARM, start])[complete]
    slope = np.linalg.lstsq(design, AFTER[complete], rcond=None)[0][1]
    assert fit.coefficient("partner_reps").value.tolist() == pytest.approx([slope])


def test_too_few_clients_are_refused_with_the_number_needed(make_clients: Any) -> None:
    clients = ClientArrays.of_study(make_clients([0, 1, 0]))
    fit = regress_on_baseline(AFTER[None, :3], START[None, :3], clients, trainers=False)
    with pytest.raises(FitError, match="at least 4 clients with a score for 2 columns; found 3"):
        fit.coefficient("partner_reps").estimate("residual")


def test_trainers_as_units_equal_the_t_on_their_means(make_clients: Any) -> None:
    """Two stages, Hayes & Moulton 2017, chapter 10: equal weights, t on trainers minus two."""
    trainer = np.arange(24) % 6
    clients = ClientArrays.of_study(make_clients(trainer % 2, trainer))
    estimate = compare_clusters(AFTER[None], START[None], clients, arm=1).estimate("trainers as units")
    slope, level = np.polyfit(START, AFTER, 1)
    residual = AFTER - level - slope * START
    means = np.array([residual[trainer == place].mean() for place in range(6)])
    reference = stats.ttest_ind(means[1::2], means[::2])
    assert estimate.p_value == pytest.approx(reference.pvalue, rel=1e-9)
    assert estimate.degrees_of_freedom == 4.0


def test_one_trainer_on_a_side_is_no_comparison() -> None:
    with pytest.raises(FitError, match="at least two trainers in each arm"):
        unpaired_t(
            np.array([[1.0, 2.0]]), np.full((1, 2), True), np.array([[True, False]]), confidence_level=0.95
        ).estimate("t")


@pytest.mark.parametrize(
    ("trainer", "role"),
    [(None, "absent"), ([0] * 8, "one"), ([0, 0, 1, 1] * 2, "fixed"), ([0, 0, 1, 1, 2, 3, 4, 4], "random")],
)
def test_role_of_trainers(trainer: Any, role: str, make_protocol: Any, make_clients: Any) -> None:
    """Fixed when crossed and fewer than five, else random; five have clients here."""
    assert plan_trainers(make_protocol(), make_clients([0, 1] * 4, trainer)).role == role


def test_clients_without_a_trainer_share_a_label(make_protocol: Any, make_clients: Any) -> None:
    plan = plan_trainers(make_protocol(), make_clients([0, 1] * 4, [0, 0, -1, -1, 0, 0, 1, 1]))
    assert plan.labels == ("not recorded", "T1", "T2")
    assert plan.trainer.tolist() == [1, 1, 0, 0, 1, 1, 2, 2]
