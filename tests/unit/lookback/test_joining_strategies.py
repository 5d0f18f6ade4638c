"""Strategies from joining: known truths, errors, resampling, refusals (H03 to H06)."""

import dataclasses

import numpy as np
import pytest

from studykit.lookback.associations import difference_of_shares
from studykit.lookback.clones import _of_one_sided_trainers, starters_of, trainer_begun_on
from studykit.lookback.episodes import follow_clients
from studykit.lookback.joining_strategies import (
    _correlation,
    answer_strategies,
    compare_strategies,
    strategy_balance,
)
from studykit.lookback.log import UNKNOWN, ClientFact
from studykit.lookback.strategy_estimates import (
    Estimates,
    clone,
    estimate,
    influence_on_retained,
    resample_clients,
    standard_error,
    weigh,
)
from studykit.lookback.weighting import Stretches, daily_sums, fit_logistic, log_hazard_ratio
from studykit.randomness import stream
from synthetic_data.simulated_studio import Regime, StudioTruth, simulate_studio, simulated_log

HORIZON, GRACE = 182, 28
NOTHING = StudioTruth(clients=2400)
STUDIOS = {
    "no effect": NOTHING,
    "effect 0.7": dataclasses.replace(NOTHING, hazard_ratio=0.7),
    "trainers": dataclasses.replace(NOTHING, hazard_ratio=0.7, trainer_leaving=0.5, trainer_starting=-0.7),
    "early attendance": dataclasses.replace(NOTHING, attendance_leaving=-0.7, attendance_starting=0.7),
}


def share_that_left(truth, regime, clients):
    """By the horizon, had everybody followed the regime: departures confirmed 28 days after a session."""
    many = dataclasses.replace(truth, clients=clients, days=HORIZON + 60)
    studio = simulate_studio(many, 99, regime=regime, all_join_on=0)
    here = np.arange(studio.day.shape[1]) < studio.sessions[:, None]
    day = np.c_[np.zeros(clients), np.where(here, studio.day, 10**6)]
    gap = np.diff(np.c_[day, np.full(clients, 10**6)], axis=1)
    return float(np.mean(np.where(gap > 28, day + 28, 10**6).min(axis=1) <= HORIZON))


def true_shares(truth, clients=20_000):
    drawn = np.random.default_rng(5).integers(0, GRACE, clients)
    return (
        share_that_left(truth, Regime(not_before=drawn, at_latest=drawn), clients),
        share_that_left(truth, Regime(not_before=GRACE), clients),
    )


@pytest.fixture(scope="module")
def small():
    log = simulated_log(dataclasses.replace(STUDIOS["trainers"], clients=400), 3)
    return log, follow_clients(log)


@pytest.mark.slow
@pytest.mark.parametrize("name", STUDIOS)
def test_each_studio_gives_back_its_own_truth(name):
    """Two large studios each; error of the mean from the studios' own standard errors, times 3."""
    truth = STUDIOS[name]
    wanted = true_shares(truth)
    found, errors = [], []
    for seed in range(2):
        log = simulated_log(truth, seed)
        answer = answer_strategies(log, follow_clients(log), horizon=HORIZON, resamples=0)
        found.append(answer.risk_difference.value)
        errors.append(answer.risk_difference.standard_error)
    allowed = 3.0 * float(np.sqrt(np.sum(np.square(errors)))) / 2.0
    assert allowed < 0.08
    assert abs(np.mean(found) - (wanted[0] - wanted[1])) < allowed


def test_the_crude_comparison_of_the_same_clients_is_confounded():
    """Clients who began within the weeks against those who did not: the trap that weighting avoids."""
    truth = STUDIOS["early attendance"]
    log = simulated_log(truth, 0)
    starters, _ = starters_of(log, follow_clients(log), grace=GRACE)
    began = np.zeros(len(starters.end), bool)
    early = (starters.session_partner_reps == 1) & (starters.session_day < GRACE)
    began[starters.session_client[early]] = True
    known = (starters.end >= HORIZON) | starters.departed
    left = starters.departed & (starters.end <= HORIZON)
    crude = left[known & began].mean() - left[known & ~began].mean()
    assert crude < -0.05
    answer = answer_strategies(log, follow_clients(log), horizon=HORIZON, resamples=0)
    assert abs(answer.risk_difference.value) < 3 * answer.risk_difference.standard_error


def test_influences_are_the_derivatives_by_case_weights(small):
    """Central differences of the share in one client's weight; the weak penalty is the only difference."""
    log, episodes = small
    starters, _ = starters_of(log, episodes, grace=GRACE)
    study = clone(starters, grace=GRACE, horizon=HORIZON)
    n = len(starters.end)
    some = np.arange(0, n, 7)
    step = 1e-4
    up, down = (np.ones((some.size, n)) + sign * step * np.eye(n)[some] for sign in (1.0, -1.0))
    above, below = estimate(study, up), estimate(study, down)
    everybody = np.ones((1, n))
    found = influence_on_retained(study, weigh(study, everybody), everybody)
    for side, curve in enumerate(("start", "refrain")):
        numeric = (getattr(above, curve)[:, -1] - getattr(below, curve)[:, -1]) / (2 * step)
        np.testing.assert_allclose(found[side][0, some], numeric, rtol=1e-3, atol=1e-7)


def test_robust_and_resampled_standard_errors_agree(small):
    """400 resamples: Monte Carlo error of a standard error about 4 %, small-sample differences up to 10 %."""
    log, episodes = small
    starters, rows = starters_of(log, episodes, grace=GRACE)
    robust = compare_strategies(starters, rows, horizon=HORIZON, resamples=0)
    drawn = compare_strategies(starters, rows, horizon=HORIZON, resamples=400)
    ratio = robust.risk_difference.standard_error / drawn.risk_difference.standard_error
    assert 0.82 < ratio < 1.18
    assert robust.risk_difference.value == drawn.risk_difference.value
    assert "400 resamples of clients within their trainer" in drawn.method_in_words


def test_resamples_keep_each_trainers_number_of_clients_or_take_whole_trainers():
    rng = np.random.default_rng(1)
    few = resample_clients(np.repeat([0, 1, 2], [5, 7, 9]), 50, rng)
    assert (few[:, :5].sum(axis=1) == 5).all()
    assert (few[:, 5:12].sum(axis=1) == 7).all()
    many = resample_clients(np.repeat(np.arange(12), 4), 50, rng).reshape(50, 12, 4)
    assert (many == many[:, :, :1]).all()
    assert (many[:, :, 0].sum(axis=1) == 12).all()


def test_same_seed_same_answer_whatever_the_portions(small, monkeypatch):
    log, episodes = small
    one = answer_strategies(log, episodes, horizon=HORIZON, resamples=40, seed=5)
    monkeypatch.setattr("studykit.lookback.strategy_estimates.CELLS_AT_ONCE", 10_000)
    two = answer_strategies(log, episodes, horizon=HORIZON, resamples=40, seed=5)
    assert two.risk_difference.standard_error == pytest.approx(one.risk_difference.standard_error, rel=1e-9)


def test_weights_are_shown_and_curves_end_at_the_shares(small):
    log, episodes = small
    answer = answer_strategies(log, episodes, horizon=HORIZON, resamples=100)
    checks = dict(answer.checks)
    for side in ("begin", "do not begin"):
        assert checks[f"mean weight, {side} (near 1 where the model fits)"] == pytest.approx(1.0, abs=0.15)
        assert 1.0 <= checks[f"largest weight, {side}"] < 40.0
        assert (
            checks[f"effective number of clients, {side}"]
            <= checks[f"clients whose records agree with the strategy, {side}"]
        )
    for curve, stayed in zip(answer.curves, answer.out_of_100, strict=True):
        assert curve.share[-1] == pytest.approx(stayed / 100.0)
        assert curve.day[-1] == HORIZON
        assert ((curve.lower <= curve.share) & (curve.share <= curve.upper)).all()
        assert (np.diff(curve.share) <= 1e-12).all()
    left = [1.0 - stayed / 100.0 for stayed in answer.out_of_100]
    assert answer.risk_difference.value == pytest.approx(left[0] - left[1])
    assert answer.risk_ratio.value == pytest.approx(left[0] / left[1])
    assert answer.rows.used + sum(number for _, number in answer.rows.left_out) == len(log.clients)
    assert "trainer" in answer.adjusted_for


def test_weighting_brings_the_trainers_closer(small):
    log, episodes = small
    rows = {row.fact: row for row in strategy_balance(log, episodes, horizon=HORIZON)}
    trainers = [row for fact, row in rows.items() if fact.startswith("trainer")]
    before = np.sqrt(np.mean([row.standardised_difference**2 for row in trainers]))
    after = np.sqrt(np.mean([row.after_weighting**2 for row in trainers]))
    assert before > 0.15
    assert after < before / 2.0


def test_who_is_left_out_is_counted_with_reasons(small):
    log, episodes = small
    marks = log.session_partner_reps.copy()
    trainer_2 = log.session_trainer == 2
    marks[trainer_2] = 0
    _, rows = starters_of(dataclasses.replace(log, session_partner_reps=marks), episodes, grace=GRACE)
    reasons = dict(rows.left_out)
    assert reasons["joined before their trainer worked with partner reps"] > 30
    marks = log.session_partner_reps.copy()
    marks[::9] = UNKNOWN
    _, rows = starters_of(dataclasses.replace(log, session_partner_reps=marks), episodes, grace=GRACE)
    assert dict(rows.left_out)["not written whether there were partner reps in the weeks in question"] > 30


def test_a_stated_date_of_adoption_opens_the_door_earlier_than_the_first_mark(small):
    log, _ = small
    first = trainer_begun_on(log)
    stated = trainer_begun_on(dataclasses.replace(log, adopted=np.array([-50, -50, 400, -50])))
    assert stated[0] == -50
    assert stated[2] == first[2]
    assert first[-1] == log.first_day


def test_too_few_clients_or_departures_are_refused(small):
    log, episodes = small
    none = answer_strategies(log, episodes, horizon=HORIZON, least_events=10_000)
    assert none.refused.startswith("too few departures among new clients")
    assert none.risk_difference is None
    tiny = simulated_log(StudioTruth(clients=30), 1)
    assert "too few new clients" in answer_strategies(tiny, follow_clients(tiny), horizon=HORIZON).refused
    far = answer_strategies(log, episodes, horizon=560)
    assert "too few clients stay with a strategy up to day 560" in far.refused


def test_the_logistic_model_counts_a_row_as_often_as_it_is_said_to():
    rng = np.random.default_rng(2)
    x, y = rng.normal(size=(80, 3)), rng.random(80) < 0.3
    often = rng.integers(0, 3, 80)
    fit = fit_logistic(x, y, np.stack((often.astype(float), np.ones(80))))
    assert fit.converged.all()
    # The rows written out; columns are standardised by the rows given, so predictions are compared.
    one = fit_logistic(x, y, often[None].astype(float))
    np.testing.assert_allclose(one.chance[0], fit.chance[0], rtol=1e-8)


def test_a_separated_model_stays_finite():
    x = np.r_[np.zeros(20), np.ones(20)][:, None]
    fit = fit_logistic(x, x[:, 0] > 0.5, np.ones((1, 40)))
    assert fit.converged.all()
    assert 0.0 < fit.chance.min() < 0.05


def test_unit_weights_give_kaplan_and_meier_and_one_sided_departures_an_infinite_ratio():
    n = 4
    side = Stretches(
        np.arange(n), np.zeros(n, int), np.array([10, 20, 30, 40]),
        np.array([True, False, True, False]), np.full(n, -1),
    )  # fmt: skip
    sums = daily_sums(side, np.ones((1, n)), 40)
    assert sums.curve()[0, [9, 10, 30, 40]].tolist() == [1.0, 0.75, 0.375, 0.375]
    nobody = daily_sums(dataclasses.replace(side, departed=np.zeros(n, bool)), np.ones((1, n)), 40)
    assert log_hazard_ratio(sums, nobody)[0] == np.inf
    assert log_hazard_ratio(nobody, sums)[0] == -np.inf


def test_facts_at_joining_are_adjusted_for_and_balanced_by_name(small):
    """A goal that 4 of 10 have, with a level that nobody has and some not recorded."""
    log, episodes = small
    rng = np.random.default_rng(6)
    level = rng.choice([0, 1, UNKNOWN], size=len(log.clients), p=[0.5, 0.4, 0.1])
    goal = ClientFact("goal", ("fitness", "strength", "rehabilitation"), level)
    with_goal = dataclasses.replace(log, facts=(goal,))
    assert "goal" in answer_strategies(with_goal, episodes, horizon=HORIZON, resamples=20).adjusted_for
    rows = {row.fact: row for row in strategy_balance(with_goal, episodes, horizon=HORIZON)}
    assert {"goal: strength", "goal: not recorded"} <= set(rows)
    assert "goal: rehabilitation" not in rows
    starters, _ = starters_of(with_goal, episodes, grace=GRACE)
    share = starters.facts[:, starters.fact_names.index("goal") + 1].mean()
    assert 0.3 < share < 0.5
    assert abs(rows["goal: strength"].after_weighting) < 0.2


def test_the_correlation_of_two_shares_from_three_standard_errors():
    """By hand: (0.09 + 0.25 - 0.16) / (2 x 0.3 x 0.5)."""
    assert _correlation(0.3, 0.5, 0.4) == pytest.approx(0.6)
    assert _correlation(0.5, 0.3, np.hypot(0.5, 0.3)) == pytest.approx(0.0, abs=1e-12)
    assert _correlation(0.2, 0.5, 0.9) == -1.0
    assert _correlation(0.2, 0.5, 0.1) == 1.0
    assert _correlation(0.2, 0.0, 0.2) == 0.0
    assert np.isfinite(_correlation(0.2, 0.5, 0.4))


def test_the_interval_holds_the_correlation_of_the_shares(small):
    """From the variance of the difference as resampling has it, whatever way the interval is made."""
    log, episodes = small
    starters, rows = starters_of(log, episodes, grace=GRACE)
    answer = compare_strategies(starters, rows, horizon=HORIZON, resamples=12, seed=4)
    study = clone(starters, grace=GRACE, horizon=HORIZON)
    drawn = resample_clients(starters.trainer, 12, stream(4, "look back", "strategies", HORIZON))
    everybody = weigh(study, np.ones((1, len(starters.end))))
    bands = estimate(study, drawn, start=everybody.fits.coefficients[0])
    begun, not_begun = bands.start[:, -1], bands.refrain[:, -1]
    together = np.corrcoef(begun, not_begun)[0, 1]
    assert 0.3 < together < 0.5
    expected = difference_of_shares(
        tuple(1.0 - stayed / 100.0 for stayed in answer.out_of_100),
        (begun.std(ddof=1), not_begun.std(ddof=1)),
        correlation=together,
        degrees_of_freedom=answer.risk_difference.degrees_of_freedom,
        method="as there",
    )
    for name in ("lower", "upper"):
        assert getattr(answer.risk_difference.interval, name) == pytest.approx(
            getattr(expected.interval, name), rel=1e-9
        )


def test_shares_are_compared_at_the_horizon_and_not_the_day_before():
    curves = np.array([[1.0, 0.9, 0.6], [1.0, 0.8, 0.75]]), np.array([[1.0, 0.7, 0.2], [1.0, 0.95, 0.5]])
    found = Estimates(*curves, np.zeros(2))
    assert found.risk_difference.tolist() == pytest.approx([0.2 - 0.6, 0.5 - 0.75])
    assert np.exp(found.log_risk_ratio).tolist() == pytest.approx([0.4 / 0.8, 0.25 / 0.5])


def test_standard_errors_from_influences_by_hand():
    """Trainers: 2 (36 + 36). Clients around their trainer: 2 (5 - 9/2) + 3/2 (89 - 225/3)."""
    influence, trainer = np.array([[1.0, 2.0, 4.0, 3.0, 8.0]]), np.array([4, 4, 7, 7, 7])
    once = np.ones((1, 5))
    assert standard_error(influence, once, trainer, whole_trainers=True)[0] == pytest.approx(12.0)
    assert standard_error(influence, once, trainer, whole_trainers=False)[0] == pytest.approx(np.sqrt(22.0))
    twice = np.array([[2.0, 0.0, 1.0, 1.0, 0.0]])  # the first client drawn twice, two not at all
    assert standard_error(influence, twice, trainer, whole_trainers=False)[0] == pytest.approx(np.sqrt(1.0))
    assert standard_error(influence, twice, trainer, whole_trainers=True)[0] == pytest.approx(np.sqrt(25.0))


def test_a_first_session_with_partner_reps_on_the_last_day_of_the_weeks_counts_and_one_a_day_later_does_not(
    small,
):
    """Everybody of trainer 1 begins on day 27 of 28, everybody of trainer 2 on day 28."""
    log, episodes = small
    starters, _ = starters_of(log, episodes, grace=GRACE)
    day = np.where(starters.trainer == 1, GRACE - 1, GRACE)
    n = len(starters.end)
    told = dataclasses.replace(
        starters,
        session_client=np.arange(n),
        session_day=day,
        session_partner_reps=np.ones(n, np.int64),
        **{name: getattr(starters, name)[:n] for name in ("session_trainer", "history")},
    )
    only = np.isin(starters.trainer, (1, 2))
    assert _of_one_sided_trainers(told, only, GRACE)[only].all()
    mixed = dataclasses.replace(told, trainer=np.full(n, 3))
    assert not _of_one_sided_trainers(mixed, only, GRACE).any()
