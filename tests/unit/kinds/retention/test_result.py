"""Retention of a trial: status, the primary difference, curves and sensitivity analyses."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from studykit.errors import DesignError, FitError
from studykit.kinds.retention.assembly import analyse_retention
from studykit.kinds.retention.results import RetentionResult
from studykit.kinds.retention.time import Wording, compare_mean_days, spells_to_horizon
from studykit.outcomes.trainers import plan_trainers
from studykit.retention.clock import ClientHistory, RetentionRule
from tests.support.primary import primary_retention

# Two trainers, both arms each; last attended days. A last day from 155 on is active on day 182.
ARM = [0, 0, 0, 0, 1, 1, 1, 1, 0, 0, 0, 0, 1, 1, 1, 1]
TRAINER = [0] * 8 + [1] * 8
LAST = [200, 200, 60, 20, 200, 200, 200, 90, 200, 40, 10, 120, 200, 200, 30, 200]


@pytest.fixture
def result(make_protocol: Any, make_clients: Any, make_spells: Any) -> RetentionResult:
    return analyse_retention(make_protocol(retention=True), make_spells(make_clients(ARM, TRAINER), LAST))


def test_status_counts_every_client_once(result: RetentionResult) -> None:
    table = [(s.arm, s.allocated, s.retained, s.departed, s.unknown) for s in result.status]
    assert table == [("conventional", 8, 3, 5, 0), ("partner_reps", 8, 6, 2, 0)]


def test_primary_is_the_mean_of_the_trainers_differences(result: RetentionResult) -> None:
    """Both trainers have four clients per arm, so Mantel-Haenszel weights are equal: (.25 + .5) / 2."""
    assert result.primary.value == pytest.approx((0.75 - 0.5) / 2 + (0.75 - 0.25) / 2, abs=1e-15)
    assert "trainer" in " ".join(result.primary.remarks)
    assert str(result.primary.rows) == "16 of 16 clients used"


def test_curve_at_the_horizon_agrees_with_the_primary(result: RetentionResult) -> None:
    """Design, retention clock: dated by confirmation, the curve at the horizon is the share retained."""
    for curve, status in zip(result.curves, result.status, strict=True):
        assert curve.retained[-1] == pytest.approx(
            status.proportion if curve.stops_at == 182 else curve.retained[-1]
        )
    reference, compared = result.curves
    assert compared.stops_at == 182.0
    assert reference.stops_at < 182.0  # three remain, fewer than five at risk
    assert reference.at_risk_days.tolist() == [0, 28, 56, 84, 112, 140, 168, 182]
    assert reference.at_risk[0] == 8
    assert reference.days[0] == 0.0


def test_mean_days_and_hazard_ratio_support(result: RetentionResult) -> None:
    (mean,) = result.restricted_mean
    assert mean.name == "mean days retained up to day 182"
    # A client departs 28 days after the last session: 125 and 166 days with one trainer, 109 and 151 with
    # the other.
    assert mean.value == pytest.approx((166 - 125 + 151 - 109) / 2)
    assert str(mean.rows) == "16 of 16 clients used"
    assert mean.role == "supporting"
    assert result.hazard_ratio is not None
    assert result.hazard_ratio.value < 1.0
    assert "stratified by trainer" in result.hazard_ratio.method


def test_the_curves_are_compared_within_trainers(result: RetentionResult) -> None:
    """By hand (Mantel 1966): departures expected in the compared arm, and their variance, day by day.

    Each client departs 28 days after the last session; (with partner reps, all) at risk on that day.
    """
    at_risk = [(4, 8), (4, 7), (4, 6), (4, 8), (4, 7), (3, 6), (3, 5)]
    expected = sum(one / both for one, both in at_risk)
    variance = sum(one * (both - one) / both**2 for one, both in at_risk)
    assert result.curve_test is not None
    assert result.curve_test.chi_squared == pytest.approx((2 - expected) ** 2 / variance, rel=1e-12)
    assert (result.curve_test.degrees_of_freedom, result.curve_test.within_trainers) == (1, True)


def test_longer_absence_is_a_sensitivity_analysis(
    make_protocol: Any, make_clients: Any, make_spells: Any
) -> None:
    """A client last seen on day 140 has departed by the 28-day rule and not by the 56-day rule."""
    last = list(LAST)
    last[2] = 140
    result = analyse_retention(make_protocol(retention=True), make_spells(make_clients(ARM, TRAINER), last))
    longer = next(row for row in result.sensitivity if row.name.startswith("absence of 56"))
    assert longer.value == pytest.approx(result.primary.value - 0.125)


def test_unknown_status_is_left_out_and_bounded(
    make_protocol: Any, make_clients: Any, make_spells: Any
) -> None:
    """Records that end on day 140 for three clients: unknown, never retained nor departed."""
    spells = make_spells(make_clients(ARM, TRAINER), LAST)
    histories = list(spells.histories)
    for place in (0, 4, 12):
        kept = tuple(day for day in histories[place].attended if day <= 140)
        histories[place] = type(histories[place])(kept, 140)
    spells = type(spells)(spells.clients, tuple(histories), spells.reasons, spells.registered_on, spells.rows)
    result = analyse_retention(make_protocol(retention=True), spells)
    assert [status.unknown for status in result.status] == [1, 2]
    assert result.primary.rows.left_out == (("status at the horizon not known: the records end earlier", 3),)
    bounds = {row.name: row.value for row in result.sensitivity}
    assert (
        bounds["unknown departed in partner_reps, retained in conventional"]
        < bounds["unknown counted as departed"]
        < bounds["unknown retained in partner_reps, departed in conventional"]
    )
    assert bounds["unknown counted as retained"] == pytest.approx(0.375)
    assert result.restricted_mean[0].value > 0.0


def with_a_late_trainer(make_clients: Any, make_spells: Any, *, through: int, last: list[int]) -> Any:
    """The same study, and a third trainer whose clients' records end on a day."""
    spells = make_spells(make_clients([*ARM, 0, 0, 1], [*TRAINER, 2, 2, 2]), [*LAST, *last])
    late = [
        ClientHistory(tuple(day for day in history.attended if day <= through), through)
        for history in spells.histories[16:]
    ]
    return replace(spells, histories=(*spells.histories[:16], *late))


def test_a_new_trainer_does_not_cut_the_horizon_of_all(
    result: RetentionResult, make_protocol: Any, make_clients: Any, make_spells: Any
) -> None:
    spells = with_a_late_trainer(make_clients, make_spells, through=20, last=[20, 20, 20])
    found = analyse_retention(make_protocol(retention=True), spells)
    (mean,), (before,) = found.restricted_mean, result.restricted_mean
    assert mean.name == before.name == "mean days retained up to day 182"
    assert (mean.value, mean.estimate) == (before.value, before.estimate)
    assert str(mean.rows) == "16 of 19 clients used; left out: 3 (records end before day 182)"
    assert (
        "Mean days retained leave out clients whose records end before day 182, whether they stayed or left: "
        "2 of 10 in conventional, 1 of 9 in partner_reps." in found.remarks
    )


@pytest.mark.parametrize(("through", "used"), [(181, 16), (182, 19)])
def test_records_reach_the_horizon_or_do_not_whatever_became_of_the_client(
    through: int, used: int, make_protocol: Any, make_clients: Any, make_spells: Any
) -> None:
    """A client who left on day 33 counts only where one who stayed would have counted too."""
    spells = with_a_late_trainer(make_clients, make_spells, through=through, last=[5, 180, 180])
    (mean,) = analyse_retention(make_protocol(retention=True), spells).restricted_mean
    assert mean.rows.used == used


def test_mean_days_before_anybody_reaches_the_horizon_are_not_compared(
    make_protocol: Any, make_clients: Any, make_spells: Any
) -> None:
    spells = make_spells(make_clients(ARM, TRAINER), [min(day, 150) for day in LAST], data_through=181)
    followed = spells_to_horizon(spells, 182, RetentionRule())
    answers, remarks = compare_mean_days(
        followed, compared_arm=1, trainers=plan_trainers(make_protocol(retention=True), spells.clients),
        wording=Wording("", "", 16), horizon=182,
    )  # fmt: skip
    assert answers == ()
    assert remarks[0].endswith(
        "8 of 8 in conventional, 8 of 8 in partner_reps. Nobody remains to be compared yet."
    )


def test_mean_days_are_unbiased_where_records_end_early(
    make_protocol: Any, make_clients: Any, make_spells: Any
) -> None:
    """Clients enter over a year, those of one trainer late; truth by the law that the days are drawn from."""
    rng = np.random.default_rng(20261)
    arm, trainer = np.tile([0, 1], 24), np.repeat([0, 1, 2, 3], 12)
    clients, plan = make_clients(arm, trainer), None
    scale = np.array([150.0, 260.0])[arm]
    found = []
    for _ in range(300):
        last = np.floor(rng.exponential(scale)).astype(int)
        through = rng.integers(30, 400, size=48) - 60 * (trainer == 3)
        histories = tuple(
            ClientHistory(tuple(day for day in (*range(0, min(stop, 400), 7), stop) if day <= end), int(end))
            for stop, end in zip(last.tolist(), np.maximum(through, 1).tolist(), strict=True)
        )
        spells = replace(make_spells(clients, [0] * 48), histories=histories)
        plan = plan or plan_trainers(make_protocol(retention=True), clients)
        followed = spells_to_horizon(spells, 182, RetentionRule())
        (answer,), _ = compare_mean_days(
            followed, compared_arm=1, trainers=plan, wording=Wording("", "", 48), horizon=182
        )
        found.append(answer.value)
    truth = np.diff([sum(np.exp(-max(day - 27, 0) / mean) for day in range(182)) for mean in (150.0, 260.0)])[
        0
    ]
    error = np.std(found, ddof=1) / np.sqrt(300)
    assert abs(np.mean(found) - truth) < 3.5 * error  # one chance in 2,000 for an unbiased rule
    assert error < 0.08 * truth


def test_every_allocation_factor_as_strata(make_protocol: Any, make_clients: Any, make_spells: Any) -> None:
    clients = make_clients(ARM, TRAINER, factors=[("sex", [0, 1] * 8, ("female", "male"))])
    result = analyse_retention(make_protocol(retention=True, strata=["sex"]), make_spells(clients, LAST))
    row = next(row for row in result.sensitivity if row.name == "stratified by every allocation factor")
    assert "4 strata" in row.method


def test_returned_clients_are_counted(make_protocol: Any, make_clients: Any, make_spells: Any) -> None:
    clients = make_clients([0, 0, 1, 1])
    spells = make_spells(clients, [200, 60, 200, 60])
    first = spells.histories[0]
    away = type(first)(tuple(day for day in first.attended if not 40 < day < 120), first.data_through)
    spells = type(spells)(
        clients, (away, *spells.histories[1:]), spells.reasons, spells.registered_on, spells.rows
    )
    result = analyse_retention(make_protocol(retention=True), spells)
    assert result.status[0].returned == 1
    assert result.status[0].reasons == (("no notice: stopped coming", 1),)


def test_trainers_who_deliver_one_arm_are_the_units(
    make_protocol: Any, make_clients: Any, make_spells: Any
) -> None:
    """F07: t on trainers minus two."""
    trainer = [0, 0, 1, 1, 2, 2, 3, 3, 0, 0, 1, 1, 2, 2, 3, 3]
    protocol = make_protocol(retention=True, deliver="one arm")
    result = analyse_retention(protocol, make_spells(make_clients(ARM, trainer), LAST))
    assert result.primary.estimate.degrees_of_freedom == 2.0  # type: ignore[attr-defined]
    assert result.ratio is None
    assert result.hazard_ratio is None or "supporting only" in result.hazard_ratio.method


def test_one_trainer_per_arm_makes_no_claim(make_protocol: Any, make_clients: Any, make_spells: Any) -> None:
    """F08: with one cluster per arm, effect and trainer cannot be told apart."""
    spells = make_spells(make_clients(ARM, ARM), LAST)
    with pytest.raises(DesignError, match="at least two trainers"):
        primary_retention(make_protocol(retention=True, deliver="one arm"), spells)


def test_one_trainer_for_both_arms_works_and_says_so(
    make_protocol: Any, make_clients: Any, make_spells: Any
) -> None:
    primary = primary_retention(make_protocol(retention=True), make_spells(make_clients(ARM, [0] * 16), LAST))
    assert primary.value == pytest.approx(0.375)
    assert "One trainer delivered both arms" in primary.remarks[0]


def test_light_and_full_analysis_give_the_same_primary(
    result: RetentionResult, make_protocol: Any, make_clients: Any, make_spells: Any
) -> None:
    light = primary_retention(make_protocol(retention=True), make_spells(make_clients(ARM, TRAINER), LAST))
    assert light.value == result.primary.value
    assert light.confidence_interval() == result.primary.confidence_interval()


def test_too_early_is_said(make_protocol: Any, make_clients: Any, make_spells: Any) -> None:
    spells = make_spells(make_clients(ARM, TRAINER), [20] * 16, data_through=30)
    with pytest.raises(FitError, match="known to have stayed, or left"):
        primary_retention(make_protocol(retention=True), spells)


def test_a_protocol_without_retention_is_refused(
    make_protocol: Any, make_clients: Any, make_spells: Any
) -> None:
    with pytest.raises(DesignError, match="a retention outcome"):
        primary_retention(make_protocol(), make_spells(make_clients(ARM), LAST))


def test_moving_away_is_left_out_in_one_sensitivity_analysis(
    make_protocol: Any, make_clients: Any, make_spells: Any
) -> None:
    reasons = [""] * 16
    reasons[7] = "moved away"
    spells = make_spells(make_clients(ARM, TRAINER), LAST, reasons=reasons)
    result = analyse_retention(make_protocol(retention=True), spells)
    row = next(row for row in result.sensitivity if "moved away" in row.name)
    assert row.rows.used == 15
    assert np.isfinite(row.value)


EVERYBODY, NOBODY = [200] * 16, [20] * 16
ONE_ARM = [200 if arm else 20 + place for place, arm in enumerate(ARM)]
NESTED = [arm + 2 * (place % 2) for place, arm in enumerate(ARM)]


@pytest.mark.parametrize(
    "trainer", [None, [0] * 16, TRAINER, NESTED], ids=["none", "one", "crossed", "nested"]
)
@pytest.mark.parametrize(
    ("last", "difference"),
    [(EVERYBODY, 0.0), (NOBODY, 0.0), (ONE_ARM, 1.0)],
    ids=["stay", "leave", "one arm"],
)
def test_extremes_give_finite_intervals_and_words(
    trainer: Any, last: Any, difference: float, make_protocol: Any, make_clients: Any, make_spells: Any
) -> None:
    """User ask 5.6: everybody stayed in one arm is no infinite ratio, no zero-width interval, no crash."""
    result = analyse_retention(make_protocol(retention=True), make_spells(make_clients(ARM, trainer), last))
    interval = result.primary.confidence_interval()
    assert result.primary.value == difference
    assert -1.0 <= interval.lower < interval.upper <= 1.0
    assert interval.width > 0.2
    assert result.hazard_ratio is None or difference == 0.0
    if result.hazard_ratio is None:
        assert "hazard ratio" in " ".join(result.remarks)
    for row in result.restricted_mean:
        assert row.confidence_interval().width > 0.0
