"""Reference-based beliefs on missing scores in whole analyses: designs, exercises, trainers, words."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pytest
from numpy.typing import NDArray

from studykit.kinds.continuous.analysis import ModelAnalysis, fit_model, prepare
from studykit.kinds.continuous.assembly import analyse_continuous
from studykit.kinds.continuous.figures import can_shift_both, draw_tipping_plane
from studykit.kinds.continuous.missing_scores import completion_of, reference_based, score_grid, slope
from studykit.kinds.continuous.results import ContinuousResult
from studykit.kinds.continuous.tables import completed_table
from studykit.report.report_context import Reading
from tests.unit.report.conftest import make_results

CLIENTS = 48


def cube_of(exercises: int, *, trainers: int = 0, seed: int = 4) -> NDArray[np.float64]:
    """Two visits before the last, an effect that grows, a third who leave early and later ones too."""
    rng = np.random.default_rng(seed)
    arm = np.arange(CLIENTS) % 2
    client = rng.normal(0.0, 0.1, (CLIENTS, 1)) + np.cumsum(rng.normal(0.0, 0.05, (CLIENTS, 3)), axis=1)
    scores = 4.0 + client[:, :, None] + rng.normal(0.0, 0.05, (CLIENTS, 3, exercises))
    scores += (arm[:, None] * np.array([0.0, 0.05, 0.12]))[:, :, None]
    if trainers:
        scores[:, 1:] += rng.normal(0.0, 0.05, trainers)[np.arange(CLIENTS) % trainers][:, None, None]
    scores[[1, 5, 9, 13, 2, 6], 2] = np.nan
    scores[[5, 9, 2], 1] = np.nan
    scores[17, 1] = np.nan  # between others: never taken from the other arm
    return np.exp(scores)


@pytest.fixture
def analysed(make_protocol: Any, make_clients: Any, make_rows: Any) -> Any:
    def run(exercises: int = 1, trainers: int = 0) -> Any:
        names = ("chest_press", "leg_press")[:exercises] if exercises > 1 else ()
        changes: dict[str, Any] = {"follow_ups": (42, 84)}
        if names:
            changes["exercises"] = names
        protocol = make_protocol(**changes)
        arm = np.arange(CLIENTS) % 2
        own = {"trainer": np.arange(CLIENTS) % trainers} if trainers else {}
        rows = make_rows(make_clients(arm, **own), cube_of(exercises, trainers=trainers), protocol)
        return prepare(protocol, protocol.continuous_outcomes[0], rows), protocol, rows

    return run


@pytest.mark.parametrize("exercises", [1, 2])
@pytest.mark.parametrize("role", ["none", "fixed", "random", "clusters"])
def test_missing_at_random_is_the_primary_result_whatever_the_model(
    analysed: Any, exercises: int, role: str
) -> None:
    """Completed around the own mean, the contrast is that of the fit itself; the other beliefs shrink it."""
    setting, _, _ = analysed(exercises, trainers=8 if role != "none" else 0)
    setting = replace(setting, trainers=replace(setting.trainers, role=role))
    analysis = fit_model(setting)
    grid = score_grid(setting, analysis)
    own, jump, copy, increments = completion_of(analysis, grid).values
    primary = analysis.effect(1, setting.primary_visit, setting.exercises)
    assert own == pytest.approx(primary.value, rel=1e-7)
    assert 0.0 < jump < copy < own
    assert jump < increments < own
    assert grid.grid.outcome.size == CLIENTS * 3 * exercises
    assert np.unique(grid.grid.block).size == (8 if role in {"random", "clusters"} else CLIENTS)


def test_completion_equals_multiple_imputation_without_noise(analysed: Any) -> None:
    """Slow twin by hand: each client's missing scores from the joint normal, the means adjusted."""
    setting, _, _ = analysed()
    analysis = fit_model(setting)
    assert isinstance(analysis, ModelAnalysis)
    V = analysis.fit.covariance_parameters.residual.matrix
    means = np.array([
        [analysis.mean(arm, visit, (0,)).value for visit in range(3)] for arm in (0, 1)
    ])  # fmt: skip
    scores, arm = setting.cube[:, :, 0].copy(), setting.rows.clients.arm
    for client in range(CLIENTS):
        seen = np.isfinite(scores[client])
        mean = np.where(np.arange(3) > np.flatnonzero(seen).max(), means[0], means[arm[client]])
        gain = V[np.ix_(~seen, seen)] @ np.linalg.inv(V[np.ix_(seen, seen)])
        scores[client, ~seen] = mean[~seen] + gain @ (scores[client, seen] - mean[seen])
    difference = scores[arm == 1].mean(axis=0) - scores[arm == 0].mean(axis=0)
    by_hand = difference[2] - V[2, 0] / V[0, 0] * difference[0]
    found = completion_of(analysis, score_grid(setting, analysis)).values[1]
    assert found == pytest.approx(by_hand, rel=1e-7)


def test_a_shift_moves_the_contrast_as_a_fit_to_shifted_completed_scores_does(analysed: Any) -> None:
    setting, _, _ = analysed(2, trainers=5)
    analysis = fit_model(setting)
    own = score_grid(setting, analysis)
    completion = completion_of(analysis, own)
    late = (own.visit == 2) & ~own.grid.observed & (setting.rows.clients.arm[own.client] == 1)
    assert late.sum() == 8
    slopes = [slope(own, completion, setting, arm) for arm in (1, 0)]
    assert slopes[0] == pytest.approx(4 / 24, rel=0.1)  # near the share missing, not equal: trainers adjust
    assert slopes[0] != pytest.approx(4 / 24, rel=1e-6)
    assert slopes[1] == pytest.approx(-2 / 24, rel=0.1)


@pytest.fixture
def result(analysed: Any) -> ContinuousResult:
    setting, protocol, rows = analysed()
    return analyse_continuous(protocol, setting.outcome, rows)


def test_the_report_shows_every_belief_with_both_errors(result: ContinuousResult) -> None:
    beliefs = [item.belief for item in result.completed]
    assert beliefs == [
        "missing at random",
        "jump to reference",
        "copy reference",
        "copy increments in reference",
    ]
    random, jump, *_ = result.completed
    assert random.anchored.value == pytest.approx(result.primary.estimate.value, rel=1e-7)
    assert jump.jackknife is not None
    assert random.jackknife is not None
    assert jump.anchored.standard_error == result.primary.estimate.standard_error
    assert jump.jackknife.standard_error < random.jackknife.standard_error
    assert jump.left_out == f"{CLIENTS} clients left out in turn"
    rows = [row for row in result.sensitivity if "partner_reps as if" in row.name or "changing" in row.name]
    assert [row.value for row in rows] == pytest.approx(
        [np.exp(item.anchored.value) for item in result.completed[1:]]
    )
    table = completed_table(Reading(make_results()), result)
    assert table is not None
    assert [row[0].words for row in table.rows] == beliefs
    assert "jump to reference: from the last test on as with" in table.notes[0]


def test_trainers_as_clusters_are_left_out_whole(analysed: Any) -> None:
    setting, protocol, rows = analysed(1, trainers=8)
    setting = replace(setting, trainers=replace(setting.trainers, role="clusters"))
    analysis = fit_model(setting)
    own = score_grid(setting, analysis)
    assert np.unique(own.units).tolist() == list(range(8))
    primary = analyse_continuous(protocol, setting.outcome, rows).primary
    _, beside = reference_based(setting, own, completion_of(analysis, own), primary)
    assert beside[0].left_out == "8 trainers left out in turn"


def test_two_shifts_are_drawn_where_both_arms_lack_scores(result: ContinuousResult) -> None:
    """On the full line the estimate is zero: through the tipping point of each arm alone."""
    assert can_shift_both(result)
    _, ax = plt.subplots()
    draw_tipping_plane(result, ax)
    lines = [path.vertices for drawn in ax.collections for path in drawn.get_paths() if len(path.vertices)]
    compared, reference = result.tipping_points
    estimate = result.primary.estimate.value
    on_zero = [
        np.abs(estimate + np.log1p(line / 100.0) @ [compared.slope, reference.slope]).max() for line in lines
    ]
    assert min(on_zero) < 1e-4
    assert "partner reps" in ax.get_xlabel()
    assert "conventional" in ax.get_ylabel()
    plt.close("all")
    one = replace(result, tipping_points=(compared, replace(reference, slope=0.0)))
    assert not can_shift_both(one)
