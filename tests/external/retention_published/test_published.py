"""Retention against numbers printed in papers and textbooks; each test names its source and digits."""

import math

import numpy as np
import pytest

from studykit.retention.censored import CensoredTimes
from studykit.retention.curves import kaplan_meier
from studykit.retention.hazard import fit_hazards, hazard_ratio
from studykit.retention.log_rank import log_rank
from studykit.retention.number_needed import number_needed_from_ends
from studykit.retention.proportions import Proportion
from studykit.retention.restricted_mean import restricted_mean, restricted_mean_difference
from studykit.retention.risk_difference import risk_difference
from studykit.retention.risk_ratio import risk_ratio
from studykit.retention.stratified_counts import StratifiedCounts

# Weeks; + where the child was still in remission when last seen.
TREATED = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
PLACEBO = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"


def times_of(text):
    words = text.split()
    return CensoredTimes([float(w.strip("+")) for w in words], [not w.endswith("+") for w in words])


def both_arms():
    return times_of(f"{TREATED} {PLACEBO}"), np.repeat([0, 1], 21)


def ends(interval):
    return interval.lower, interval.upper


def test_leukaemia_curve():
    """T01: Freireich et al. 1963; Kleinbaum & Klein, Survival Analysis, chapter 2; four digits."""
    curve = kaplan_meier(times_of(TREATED))
    assert curve.days.tolist() == [6, 7, 10, 13, 16, 22, 23]
    expected = [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
    np.testing.assert_allclose(curve.retained, expected, atol=5e-5)
    errors = [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]
    np.testing.assert_allclose(np.sqrt(curve.variance), errors, atol=5.1e-5)


def test_leukaemia_medians():
    """T02: 23 and 8 weeks."""
    assert kaplan_meier(times_of(TREATED)).median().value == 23
    assert kaplan_meier(times_of(PLACEBO)).median().value == 8


def test_leukaemia_log_rank():
    """T03: Kleinbaum & Klein (16.79)."""
    result = log_rank(*both_arms())
    assert result.statistic == pytest.approx(16.7929, abs=5e-5)
    assert result.p_value == pytest.approx(4.17e-5, abs=5e-8)


@pytest.mark.parametrize(
    ("weights", "expected"),
    [
        ("at risk", 13.4579),
        ("root at risk", 15.1236),
    ],
)
def test_leukaemia_weighted_tests(weights, expected):
    """T04: Kleinbaum & Klein print 13.46 and 15.12."""
    assert log_rank(*both_arms(), weights=weights).statistic == pytest.approx(expected, abs=5e-5)


def test_leukaemia_hazard_ratio():
    """T05, T06: Kleinbaum & Klein print 4.523 (Breslow)."""
    times, placebo = both_arms()
    breslow = hazard_ratio(times, placebo, ties="breslow")
    log_ratio = breslow.log_hazard_ratio("arm")
    assert (log_ratio.value, log_ratio.standard_error) == pytest.approx((1.50919, 0.40956), abs=6e-6)
    assert math.exp(log_ratio.value) == pytest.approx(4.5231, abs=5e-5)
    interval = log_ratio.confidence_interval().transformed(math.exp)
    assert ends(interval) == pytest.approx((2.027, 10.094), abs=5e-4)
    assert breslow.likelihood_ratio_statistic == pytest.approx(15.2109, abs=5e-5)
    assert log_ratio.statistic**2 == pytest.approx(13.58, abs=5e-3)
    assert breslow.score_statistic == pytest.approx(15.9305, abs=5e-5)
    assert (breslow.null_log_likelihood, breslow.log_likelihood) == pytest.approx(
        (-93.985, -86.380), abs=5e-4
    )
    efron = hazard_ratio(times, placebo).log_hazard_ratio("arm")
    assert (efron.value, efron.standard_error) == pytest.approx((1.57213, 0.41240), abs=6e-6)


def test_exact_roots_of_the_first_small_data_set():
    """T20, T21, T24: Therneau & Grambsch 2000, appendix E: roots of polynomials."""
    times = CensoredTimes([9, 1, 1, 6, 6, 8], [1, 1, 0, 1, 1, 0])
    x = [0, 1, 1, 1, 0, 0]
    breslow = fit_hazards(times, x, names=("x",), ties="breslow")
    assert breslow.coefficients[0] == pytest.approx(math.log((3 + math.sqrt(33)) / 2), abs=1e-12)
    likelihoods = (breslow.null_log_likelihood, breslow.log_likelihood)
    assert likelihoods == pytest.approx((-4.564348191, -3.824749505), abs=1e-9)
    assert breslow.covariance[0, 0] == pytest.approx(1.576868866, abs=1e-9)
    efron = fit_hazards(times, x, names=("x",))
    r = math.exp(efron.coefficients[0])
    assert 30 + 23 * r - r**3 == pytest.approx(0.0, abs=1e-9)
    likelihoods = (efron.null_log_likelihood, efron.log_likelihood)
    assert likelihoods == pytest.approx((-4.276666, -3.358974840), abs=1e-6)
    assert efron.covariance[0, 0] == pytest.approx(1.632302, abs=1e-6)
    np.testing.assert_allclose(kaplan_meier(times).retained, [5 / 6, 5 / 12, 0.0], atol=1e-12)


def test_counting_process_of_the_second_small_data_set():
    """T22: Therneau & Grambsch 2000, appendix E: start-stop rows."""
    times = CensoredTimes(
        [2, 3, 6, 7, 8, 9, 9, 9, 14, 17], [1] * 7 + [0] * 3, entry=[1, 2, 5, 2, 1, 7, 3, 4, 8, 8]
    )
    x = [1, 0, 0, 1, 0, 1, 1, 1, 0, 0]
    for ties, beta, log_likelihood, variance in (
        ("breslow", -0.08452608, -9.387015118, 0.63014587),
        ("efron", -0.02110521, -9.169166465, 0.63230626),
    ):
        model = fit_hazards(times, x, names=("x",), ties=ties)
        assert model.coefficients[0] == pytest.approx(beta, abs=1e-8)
        assert model.log_likelihood == pytest.approx(log_likelihood, abs=1e-8)
        assert model.covariance[0, 0] == pytest.approx(variance, abs=1e-8)


def test_restricted_means_of_the_leukaemia_trial():
    """T11, and the trap Z07: the squared standard error is 1.566, the spread of one client's time 30.9."""
    treated, placebo = restricted_mean(times_of(TREATED), 20), restricted_mean(times_of(PLACEBO), 20)
    assert (treated.value, math.sqrt(treated.greenwood_variance)) == pytest.approx(
        (16.1165, 1.2516), abs=5e-5
    )
    assert (placebo.value, math.sqrt(placebo.greenwood_variance)) == pytest.approx((8.4286, 1.2681), abs=5e-5)
    assert treated.greenwood_variance == pytest.approx(1.566, abs=1e-3)


@pytest.mark.parametrize(
    ("count", "clients", "wilson", "exact"),
    [
        (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
        (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
        (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
        (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
    ],
)
def test_intervals_of_one_share(count, clients, wilson, exact):
    """B10, B11, B12: Newcombe 1998, Statistics in Medicine 17:857, table I; four digits."""
    share = Proportion(count, clients)
    for method, expected in (("wilson", wilson), ("exact", exact)):
        assert ends(share.confidence_interval(method=method)) == pytest.approx(expected, abs=5.1e-5)


@pytest.mark.parametrize(
    ("numbers", "miettinen_nurminen"),
    [
        ((56, 70, 48, 80), (0.0528, 0.3382)),
        ((9, 10, 3, 10), (0.1700, 0.8406)),
    ],
)
def test_score_intervals_of_a_difference(numbers, miettinen_nurminen):
    """B14: Newcombe 1998, table II, method 6. A general library gives .0531 to .3436 for the first
    (trap Z01); two independent root finders agree with the paper."""
    one, two = Proportion(*numbers[:2]), Proportion(*numbers[2:])
    counts = StratifiedCounts([[two.count, one.count]], [[two.clients, one.clients]])
    assert ends(risk_difference(counts).confidence_interval()) == pytest.approx(
        miettinen_nurminen, abs=5.1e-5
    )


def test_chi_squared_of_a_single_table():
    """B15: X2 = 7.0234 without the factor (N - 1) / N that the score test carries."""
    statistic = risk_difference(StratifiedCounts([[48, 56]], [[80, 70]])).statistic
    assert statistic**2 * 150 / 149 == pytest.approx(7.0234, abs=5e-5)


def test_eight_centres():
    """B20: Agresti, Categorical Data Analysis, chapter 6 (Beitler & Landis 1985): 6.38 and 2.13."""
    cells = np.array(
        [[11, 25, 10, 27], [16, 4, 22, 10], [14, 5, 7, 12], [2, 14, 1, 16],
         [6, 11, 0, 12], [1, 10, 0, 10], [1, 4, 1, 8], [4, 2, 6, 1]]
    )  # fmt: skip
    counts = StratifiedCounts(cells[:, [2, 0]], cells[:, [2, 0]] + cells[:, [3, 1]])
    stratified = risk_difference(counts)
    assert (stratified.statistic**2, stratified.p_value) == pytest.approx((6.3841, 0.01151), abs=5e-5)


def test_tolbutamide_trial():
    """B22: UGDP, Rothman, Greenland & Lash 2008, table 15-1; four digits."""
    counts = StratifiedCounts([[5, 8], [16, 22]], [[120, 106], [85, 98]], strata=("under 55", "from 55"))
    assert risk_difference(counts).value == pytest.approx(0.0349, abs=5e-5)
    assert risk_ratio(counts).ratio == pytest.approx(1.3256, abs=5e-5)
    assert risk_difference(counts).statistic ** 2 == pytest.approx(1.1914, abs=5e-5)


def test_numbers_needed():
    """B30: Altman 1998, BMJ 317:1309. B31: Barrowman 2002, CMAJ 166:1676. B32: Bender 2001."""
    across = number_needed_from_ends(0.10, (-0.05, 0.25))
    assert (across.direction, across.value) == ("benefit", pytest.approx(10.0))
    assert [(r.direction, r.fewest, r.most) for r in across.interval] == [
        ("benefit", pytest.approx(4.0), math.inf),
        ("harm", pytest.approx(20.0), math.inf),
    ]
    one_side = number_needed_from_ends(0.166, (0.009, 0.322))
    assert one_side.value == pytest.approx(6.0, abs=0.05)
    assert (one_side.interval[0].fewest, one_side.interval[0].most) == pytest.approx((3.1, 111.1), abs=0.05)
    scored = number_needed_from_ends(0.2, (0.0524, 0.3339))  # B13, the interval of Newcombe 1998
    assert (scored.interval[0].fewest, scored.interval[0].most) == pytest.approx((3.0, 19.1), abs=0.05)


def test_complete_follow_up_is_welchs_comparison():
    """R37 data (Student 1908, sleep): without censoring the restricted mean is the mean, the comparison
    Welch's t: t = 1.8608, 17.776 degrees of freedom, p = .07939 (R documentation, t.test)."""
    first = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]) + 10.0
    second = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]) + 10.0
    yes = np.ones(10, dtype=bool)
    estimate = restricted_mean_difference(CensoredTimes(second, yes), CensoredTimes(first, yes), horizon=30)
    assert estimate.value == pytest.approx(1.58, abs=1e-10)
    assert estimate.statistic == pytest.approx(1.8608, abs=5e-5)
    assert estimate.degrees_of_freedom == pytest.approx(17.776, abs=5e-4)
    assert estimate.p_value == pytest.approx(0.07939, abs=5e-6)
