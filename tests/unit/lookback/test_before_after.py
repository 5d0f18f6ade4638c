"""Before and after a date of adoption: cells by hand, known truths, comparisons, refusals."""

import dataclasses
import math

import numpy as np
import pytest
import statsmodels.api as sm

from studykit.lookback.adoption import BANDS, FollowUp, adoption_cells, daily_counts, follow_up
from studykit.lookback.before_after import answer_before_after, newey_west_error
from studykit.lookback.episodes import follow_clients
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, AttendanceLog, no_spans
from studykit.results import RowCount

BEFORE = 364  # clients join from so many days before the records
DAYS = 760


def studio(seed, *, adopt, trainers=6, when=400, clients=400, hazard_ratio=1.0, marked=False):
    """Sessions twice a week; after each a client may leave, with a month's and a trainer's luck."""
    rng = np.random.default_rng(seed)
    joined = rng.integers(-BEFORE, DAYS - 1, clients)
    trainer = rng.integers(0, trainers, clients)
    luck = rng.normal(0.0, 0.3, trainers)[trainer]
    month = rng.normal(0.0, 0.2, DAYS // 30 + 20)
    adopted = np.full(trainers, UNKNOWN_DAY)
    adopted[list(adopt)] = when
    day, here = joined + rng.integers(0, 4, clients), np.ones(clients, bool)
    rows = []
    while (now := np.flatnonzero(here & (day < DAYS))).size:
        rows.append(np.column_stack((now, day[now])))
        on = (adopted[trainer[now]] != UNKNOWN_DAY) & (day[now] >= adopted[trainer[now]])
        new = day[now] - joined[now] < 60
        hazard = 0.01 * np.exp(luck[now] + month[(day[now] + BEFORE) // 30] + 0.4 * new)
        hazard *= np.where(on, hazard_ratio, 1.0)
        here[now[rng.random(now.size) < -np.expm1(-hazard)]] = False
        day[now] += 1 + rng.poisson(2.5, now.size)
    table = np.concatenate(rows)
    table = table[table[:, 1] >= 0]
    table = table[np.lexsort((table[:, 1], table[:, 0]))]
    nothing = np.empty(0, np.int64)
    return AttendanceLog(
        clients=tuple(f"C{k:04d}" for k in range(clients)),
        trainers=tuple(f"T{k}" for k in range(trainers)),
        session_client=table[:, 0],
        session_day=table[:, 1],
        session_trainer=trainer[table[:, 0]],
        session_partner_reps=np.full(len(table), UNKNOWN),
        missed_client=nothing,
        missed_day=nothing,
        joined=joined,
        notice=np.full(clients, UNKNOWN_DAY),
        pauses=no_spans(),
        closures=(),
        facts=(),
        adopted=adopted,
        marked=marked,
        first_day=0,
        last_day=DAYS - 1,
        rows=RowCount(len(table), len(table)),
    )


def asked(log, **options):
    return answer_before_after(log, follow_clients(log), horizon=182, **options)


def test_days_and_departures_by_hand():
    """Two clients of one trainer: one leaves on day 40 in the second band, one is followed to day 60."""
    follow = FollowUp(
        joined=np.array([0, 20]), start=np.array([0, 20]), end=np.array([41, 61]),
        left=np.array([True, False]), trainer=np.array([0, 0]),
    )  # fmt: skip
    at_risk, leaving = daily_counts(follow, 1, 0, 60)
    assert at_risk[0, 0].sum() == 28 + 28
    assert at_risk[1, 0].sum() == 13 + 13
    assert np.argwhere(leaving).tolist() == [[1, 0, 40]]
    cells = adoption_cells(follow, np.array([30]), first_day=0, last_day=60)
    assert cells.days.sum() == 41 + 41
    assert cells.departures.sum() == 1
    # 1970: January has 31 days, so the adoption on day 30 splits it.
    split = {(int(m), bool(a)): float(cells.days[(cells.month == m) & (cells.adopted == a)].sum())
             for m, a in set(zip(cells.month.tolist(), cells.adopted.tolist(), strict=True))}  # fmt: skip
    assert split == {(0, False): 30 + 10, (0, True): 2, (1, True): 10 + 28, (2, True): 2}


def test_the_day_counts_are_those_of_a_plain_loop():
    log = studio(1, adopt=(0, 1), trainers=3, clients=60)
    follow, rows = follow_up(log, follow_clients(log))
    at_risk, leaving = daily_counts(follow, 3, 0, log.last_day)
    slow, gone = np.zeros_like(at_risk), np.zeros_like(leaving)
    for k in range(len(follow.end)):
        for day in range(int(follow.start[k]), int(follow.end[k])):
            band = int(np.searchsorted(BANDS, day - follow.joined[k], side="right")) - 1
            slow[band, follow.trainer[k], day] += 1
        if follow.left[k]:
            gone[band, follow.trainer[k], day] += 1
    np.testing.assert_array_equal(at_risk, slow)
    np.testing.assert_array_equal(leaving, gone)
    assert rows.used == len(follow.end)


def test_difference_in_differences_agrees_with_a_poisson_model_of_the_same_cells():
    """Hazards per day are small, so that rates and discrete hazards agree to 1 %."""
    log = studio(2, adopt=(0, 1, 2), hazard_ratio=0.7)
    answer = asked(log)
    episodes = follow_clients(log)
    cells = adoption_cells(follow_up(log, episodes)[0], log.adopted, first_day=0, last_day=episodes.cut_day)
    x = np.column_stack(
        (
            cells.adopted,
            cells.trainer[:, None] == np.arange(1, 6),
            cells.band[:, None] == np.arange(1, 4),
            cells.month[:, None] == np.arange(cells.month.max() + 1),
        )
    ).astype(float)
    silent = np.bincount(cells.month, cells.departures) == 0.0
    kept = ~silent[cells.month]
    fit = sm.GLM(
        cells.departures[kept],
        x[kept][:, x[kept].any(axis=0)],
        family=sm.families.Poisson(),
        offset=np.log(cells.days[kept]),
    ).fit()
    assert math.log(answer.hazard_ratio.value) == pytest.approx(fit.params[0], abs=0.01)
    assert answer.adjusted_for == ("trainer", "time since joining")
    assert "difference in differences" in answer.method_in_words
    assert "by trainers" in answer.method_in_words


@pytest.mark.slow
@pytest.mark.parametrize(
    ("adopt", "trainers"), [((0, 1, 2), 6), ((0,), 5), ((0, 1, 2), 3)], ids=["some", "one", "all"]
)
def test_a_known_effect_is_recovered_and_covered(adopt, trainers):
    """40 studios, true hazard ratio 0.7: bias within 3 Monte Carlo errors; at least 34 of 40 cover.

    At true coverage 95 % fewer than 34 come out once in 300 times (binomial).
    """
    off, covered = [], 0
    for seed in range(40):
        ratio = asked(studio(seed, adopt=adopt, trainers=trainers, hazard_ratio=0.7)).hazard_ratio
        off.append(math.log(ratio.value / 0.7))
        covered += ratio.interval.contains(0.7)
    assert abs(np.mean(off)) < 3 * np.std(off, ddof=1) / math.sqrt(40)
    assert covered >= 34


def test_without_comparison_time_goes_its_own_way_and_the_year_has_its_wave():
    answer = asked(studio(3, adopt=(0, 1, 2), trainers=3))
    assert answer.adjusted_for[-3:] == ("course of time", "course of time after the adoption", "season")
    assert "interrupted time series" in answer.method_in_words
    assert "with a wave of the year" in answer.method_in_words
    assert "trainers who did not adopt" not in answer.estimand


def test_what_is_read_at_the_horizon_follows_from_the_ratio():
    answer = asked(studio(4, adopt=(0, 1, 2), hazard_ratio=0.5))
    stayed = [share / 100.0 for share in answer.out_of_100]
    assert math.log(stayed[0]) / math.log(stayed[1]) == pytest.approx(answer.hazard_ratio.value)
    assert answer.risk_difference.value == pytest.approx(stayed[1] - stayed[0])
    assert answer.risk_ratio.value == pytest.approx((1 - stayed[0]) / (1 - stayed[1]))
    for curve, share in zip(answer.curves, stayed, strict=True):
        assert curve.share[-1] == pytest.approx(share)
        assert ((curve.lower <= curve.share) & (curve.share <= curve.upper)).all()
    assert answer.rows.supplied == 400


def test_marks_of_partner_reps_are_not_used():
    log = studio(5, adopt=(0, 1, 2))
    marked = dataclasses.replace(log, marked=True, session_partner_reps=np.ones(len(log.session_day), int))
    assert asked(marked).hazard_ratio == asked(log).hazard_ratio


def test_refusals_say_why():
    log = studio(6, adopt=(0, 1, 2))
    nobody = dataclasses.replace(log, adopted=np.full(6, UNKNOWN_DAY))
    assert "no trainer is known to have adopted" in asked(nobody).refused
    late = dataclasses.replace(log, adopted=np.where(log.adopted == UNKNOWN_DAY, UNKNOWN_DAY, 640))
    assert "at least 6 on each side are needed" in asked(late).refused
    early = dataclasses.replace(log, adopted=np.where(log.adopted == UNKNOWN_DAY, UNKNOWN_DAY, 90))
    assert "3.0 months of records before an adoption" in asked(early).refused
    assert "too few departures among clients of trainers who adopted" in asked(log, least_events=9999).refused
    assert asked(late).hazard_ratio is None


def test_trainers_who_adopted_before_the_records_are_no_comparison():
    log = studio(7, adopt=(0, 1, 2))
    adopted = log.adopted.copy()
    adopted[5] = -100
    _, rows = follow_up(dataclasses.replace(log, adopted=adopted), follow_clients(log))
    assert dict(rows.left_out)["their trainer worked with partner reps before the records begin"] > 20


def test_newey_west_against_another_implementation():
    """statsmodels' sandwich of a mean with Bartlett weights, no correction; 30 months, 3 lags."""
    rng = np.random.default_rng(8)
    u = np.convolve(rng.normal(size=32), [1.0, 0.6, 0.3], mode="valid")
    u = u - u.mean()
    fit = sm.OLS(u, np.ones(30)).fit(cov_type="HAC", cov_kwds={"maxlags": 3, "use_correction": False})
    assert newey_west_error(u / 30.0, columns=0) == pytest.approx(fit.bse[0])


def test_counts_before_and_after_stand_under_their_own_names():
    """Twice as many months before as after, and a halved hazard: no two counts are alike."""
    log = studio(9, adopt=(1, 2), trainers=5, when=500, hazard_ratio=0.5)
    episodes = follow_clients(log)
    cells = adoption_cells(follow_up(log, episodes)[0], log.adopted, first_day=0, last_day=episodes.cut_day)
    own = np.isin(cells.trainer, (1, 2))
    gone = [float(cells.departures[own & (cells.adopted == side)].sum()) for side in (False, True)]
    assert gone[0] > gone[1] > 5
    checks = dict(asked(log).checks)
    assert checks["departures before the adoption"] == gone[0]
    assert checks["departures after the adoption"] == gone[1]
    assert checks["trainers who adopted"] == 2
    assert checks["trainers who did not"] == 3
    assert checks["months"] == len(np.unique(cells.month))
