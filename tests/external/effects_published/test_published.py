"""Effect sizes against numbers printed in papers and textbooks; each test names its source."""

import math

import numpy as np
import pytest

from studykit.effects.change import BeforeAfter, change_difference_own, change_difference_pooled
from studykit.effects.mixed_model import mixed_model_effect
from studykit.effects.odds import (
    LOGISTIC_SPREAD,
    TwoByTwo,
    correlation_from_standardised,
    standardised_from_log_odds,
)
from studykit.effects.ratios import coefficient_of_variation_from_spread, log_from_percent, percent_from_log
from studykit.effects.standardised import (
    Sample,
    difference_in_reference_spread,
    paired_difference,
    paired_difference_in_raw_spread,
    paired_from_independent,
    sample_of,
    small_sample_factor,
    standardised_difference,
)
from studykit.effects.superiority import (
    common_language_effect,
    matched_rank_biserial,
    overlap,
    probability_of_superiority,
    share_above_reference_median,
    superiority_from_standardised,
)
from studykit.results import Estimate

MPG_AUTOMATIC = [21.4, 18.7, 18.1, 14.3, 24.4, 22.8, 19.2, 17.8, 16.4, 17.3, 15.2, 10.4, 10.4, 14.7, 21.5,
                 15.5, 15.2, 13.3, 19.2]  # fmt: skip
MPG_MANUAL = [21.0, 21.0, 22.8, 32.4, 30.4, 33.9, 27.3, 26.0, 30.4, 15.8, 19.7, 15.0, 21.4]
SLEEP_1 = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
SLEEP_2 = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]


def ends(effect, confidence_level=0.95):
    interval = effect.confidence_interval(confidence_level)
    return interval.lower, interval.upper


def test_small_sample_factor():
    """E01, E02: Hedges 1981; Hedges & Olkin 1985, chapter 5; four digits. The usual approximation is off."""
    freedom = [2, 3, 4, 5, 10, 20, 30, 50, 98]
    exact = [0.5642, 0.7236, 0.7979, 0.8407, 0.9227, 0.9619, 0.9748, 0.9849, 0.9923]
    np.testing.assert_allclose([small_sample_factor(m) for m in freedom], exact, atol=5e-5)
    approximate = [1 - 3 / (4 * m - 1) for m in freedom]
    np.testing.assert_allclose(approximate[:4], [0.5714, 0.7273, 0.8000, 0.8421], atol=5e-5)


def test_two_arms():
    """E03: Borenstein et al. 2009, Introduction to Meta-Analysis, chapter 4."""
    one, two = Sample(103, 5.5, 50), Sample(100, 4.5, 50)
    d = standardised_difference(one, two, corrected=False)
    assert (d.value, d.variance, d.standard_error) == pytest.approx((0.5970, 0.0418, 0.2044), abs=5.1e-5)
    g = standardised_difference(one, two)
    assert (g.value, g.variance, g.standard_error) == pytest.approx((0.5924, 0.0411, 0.2028), abs=5.1e-5)


def test_pairs_in_raw_spread():
    """E04: the same book: difference 3, spread of differences 5.5, correlation .7, 50 pairs."""
    d = paired_difference_in_raw_spread(Sample(3, 5.5, 50), 0.7, corrected=False)
    assert (d.value, d.variance, d.standard_error) == pytest.approx((0.4225, 0.0131, 0.1143), abs=5.1e-5)
    g = paired_difference_in_raw_spread(Sample(3, 5.5, 50), 0.7)
    assert (g.value, g.variance, g.standard_error) == pytest.approx((0.4160, 0.0127, 0.1126), abs=5.1e-5)


def test_two_by_two():
    """E05: the same book, chapter 5: 5 of 100 against 10 of 100."""
    table = TwoByTwo(5, 100, 10, 100)
    ratio, odds, difference = table.log_risk_ratio(), table.log_odds_ratio(), table.risk_difference()
    assert (ratio.value, ratio.standard_error**2, ratio.standard_error) == pytest.approx(
        (-0.6931, 0.2800, 0.5292), abs=5.1e-5
    )
    assert (odds.value, odds.standard_error**2, odds.standard_error) == pytest.approx(
        (-0.7472, 0.3216, 0.5671), abs=5.1e-5
    )
    assert (difference.value, difference.standard_error) == pytest.approx((-0.05, 0.0371), abs=5.1e-5)


def test_from_odds_to_standardised():
    """E06 (the same book, chapter 7), E07 (Cooper et al., Handbook of Research Synthesis, table 13.4), E08
    (Chinn 2000)."""
    d = standardised_from_log_odds(Estimate(0.9069, math.sqrt(0.0676), math.inf, "given"))
    assert (d.value, d.standard_error**2) == pytest.approx((0.5, 0.0205), abs=5.1e-5)
    assert correlation_from_standardised(d.value) == pytest.approx(0.2425, abs=5e-5)
    table = TwoByTwo(135, 150, 40, 50)
    d = standardised_from_log_odds(table.log_odds_ratio())
    assert math.exp(table.log_odds_ratio().value) == pytest.approx(2.25, abs=5e-3)
    assert (d.value, d.standard_error) == pytest.approx((0.4471, 0.2460), abs=5.1e-5)
    assert table.phi == pytest.approx(0.1309, abs=5e-5)
    assert pytest.approx(1.8138, abs=5e-5) == LOGISTIC_SPREAD


@pytest.mark.parametrize(
    ("d", "clients", "expected"),
    [
        (0.5, 10, (-0.3981, 1.3847)),
        (0.5, 20, (-0.1330, 1.1267)),
        (0.5, 25, (-0.0658, 1.0607)),
        (0.5, 50, (0.1006, 0.8969)),
        (0.5, 100, (0.2179, 0.7809)),
        (0.8, 25, (0.2193, 1.3730)),
    ],
)
def test_noncentral_intervals(d, clients, expected):
    """E10, E11: method of Cumming & Finch 2001 and Goulet-Pelletier & Cousineau 2018; recomputed values."""
    effect = standardised_difference(Sample(d, 1.0, clients), Sample(0.0, 1.0, clients), corrected=False)
    assert ends(effect) == pytest.approx(expected, abs=5.1e-5)


def test_fuel_use():
    """E12: mtcars, documentation of the R package effectsize; two digits for ends."""
    automatic, manual = sample_of(MPG_AUTOMATIC), sample_of(MPG_MANUAL)
    d = standardised_difference(automatic, manual, corrected=False)
    assert d.value == pytest.approx(-1.4779, abs=5e-5)
    assert ends(d) == pytest.approx((-2.27, -0.67), abs=5e-3)
    g = standardised_difference(automatic, manual)
    # the printed value carries the approximate factor 1 - 3/(4m - 1); ours is exact (-1.44064)
    assert g.value == pytest.approx(-1.4407, abs=1e-4)
    assert ends(g) == pytest.approx((-2.21, -0.65), abs=5.1e-3)
    glass = difference_in_reference_spread(automatic, manual)
    assert glass.value == pytest.approx(-1.1749, abs=5e-5)
    superiority = probability_of_superiority(MPG_AUTOMATIC, MPG_MANUAL)
    assert superiority.statistic == 42
    assert superiority.rank_biserial == pytest.approx(-0.6599, abs=5e-5)
    assert superiority.value == pytest.approx(0.1700, abs=5e-5)


def test_extra_sleep():
    """E13: sleep (Student 1908), as two arms and as pairs; two digits."""
    one, two = sample_of(SLEEP_1), sample_of(SLEEP_2)
    d = standardised_difference(one, two, corrected=False)
    assert (d.value, *ends(d)) == pytest.approx((-0.83, -1.74, 0.10), abs=5e-3)
    g = standardised_difference(one, two)
    assert (g.value, *ends(g)) == pytest.approx((-0.80, -1.67, 0.09), abs=5.1e-3)
    paired = paired_difference(sample_of(SLEEP_1 - SLEEP_2))
    assert (paired.value, *ends(paired)) == pytest.approx((-1.28, -2.12, -0.41), abs=6e-3)
    assert paired.p_value == pytest.approx(0.0028329, abs=5e-8)  # R36, paired t


STUDIES = [  # n, before, after, spread before: trained arm, then control arm
    (20, 30.6, 38.5, 15.0, 20, 23.1, 19.7, 13.8),
    (50, 23.5, 26.8, 3.1, 42, 24.9, 25.3, 4.1),
    (9, 0.5, 0.7, 0.1, 9, 0.6, 0.6, 0.2),
    (10, 53.4, 75.9, 14.5, 11, 55.7, 60.7, 17.3),
    (14, 35.6, 36.0, 4.7, 14, 34.8, 33.4, 3.1),
]


@pytest.mark.parametrize(
    ("study", "pooled", "own"),
    zip(
        STUDIES,
        [0.7684, 0.8010, 1.2045, 1.0476, 0.4389],
        [0.7421, 0.9524, 1.8054, 1.1514, 0.5050],
        strict=True,
    ),
)
def test_difference_in_change(study, pooled, own):
    """E20, E21: Morris 2008, Organizational Research Methods 11:364, table 5 (exact factor)."""
    n1, before1, after1, spread1, n0, before0, after0, spread0 = study
    trained = BeforeAfter(Sample(before1, spread1, n1), after1)
    control = BeforeAfter(Sample(before0, spread0, n0), after0)
    assert change_difference_pooled(trained, control).value == pytest.approx(pooled, abs=2e-4)
    assert change_difference_own(trained, control).value == pytest.approx(own, abs=2e-4)


def test_pooling_of_the_five_studies():
    """E22: fixed-effect mean .95 (SE .14), Q(4) = 4.43, correlations .47 .64 .77 .89 .44 (metafor)."""
    effects = []
    for study, r in zip(STUDIES, [0.47, 0.64, 0.77, 0.89, 0.44], strict=True):
        n1, before1, after1, spread1, n0, before0, after0, spread0 = study
        effects.append(
            change_difference_own(
                BeforeAfter(Sample(before1, spread1, n1), after1),
                BeforeAfter(Sample(before0, spread0, n0), after0),
                correlations=(r, r),
            )
        )
    value, weight = np.array([e.value for e in effects]), np.array([1 / e.variance for e in effects])
    mean = (weight * value).sum() / weight.sum()
    assert (mean, weight.sum() ** -0.5) == pytest.approx((0.95, 0.14), abs=5e-3)
    assert (weight * (value - mean) ** 2).sum() == pytest.approx(4.43, abs=5e-3)


def test_two_metrics():
    """E23: Morris & DeShon 2002, Psychological Methods 7:105."""
    factors = [paired_from_independent(1.0, r) for r in (0.5, 0.8, 0.9)]
    assert factors == pytest.approx([1.0, 1.5811, 2.2361], abs=5e-5)


def test_superiority():
    """E30 (McGraw & Wong 1992: .92), E31, E34 (Cohen 1988)."""
    assert common_language_effect(Sample(69.7, 2.8, 2), Sample(64.3, 2.6, 2)) == pytest.approx(
        0.9212, abs=5e-5
    )
    values = [superiority_from_standardised(d) for d in (0.2, 0.5, 0.8, 1.0)]
    assert values == pytest.approx([0.5562, 0.6382, 0.7142, 0.7602], abs=5.1e-5)
    assert share_above_reference_median(0.5) == pytest.approx(0.6915, abs=5e-5)
    assert overlap(0.5) == pytest.approx(0.8026, abs=5e-5)


def test_superiority_of_ordered_readings():
    """E32: Hanley & McNeil 1982, Radiology 143:29, table I: area .893171."""
    normal = np.repeat([1, 2, 3, 4, 5], [33, 6, 6, 11, 2])
    abnormal = np.repeat([1, 2, 3, 4, 5], [3, 2, 2, 11, 33])
    assert probability_of_superiority(abnormal, normal).value == pytest.approx(0.893171, abs=5e-7)


def test_matched_rank_biserial():
    """E33: Kerby 2014; Darwin's maize (Fisher 1935): ranks 96 for and 24 against."""
    assert matched_rank_biserial(MAIZE) == pytest.approx(0.60, abs=1e-12)


def test_mixed_model_effect():
    """E40: Westfall, Kenny & Judd 2014 on Machines (Pinheiro & Bates 2000) and the shoes (Box, Hunter &
    Hunter 1978)."""
    machines = mixed_model_effect(
        Estimate(7.9667, 2.1770, 10, "given"),
        {"worker": 4.7810**2, "machine in worker": 3.7295**2, "residual": 0.96158**2},
    )
    assert machines.value == pytest.approx(1.2976, abs=5e-5)
    shoes = mixed_model_effect(
        Estimate(0.41, 0.122429, 9, "Kenward-Roger"), {"boy": 6.100889, "residual": 0.074944}
    )
    assert shoes.value == pytest.approx(0.1650, abs=5e-5)
    assert ends(shoes) == pytest.approx((0.133 / 2.48512, 0.687 / 2.48512), abs=3e-4)
    a = np.array([13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3])
    b = np.array([14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6])
    assert paired_difference(sample_of(b - a)).value == pytest.approx(1.059, abs=5e-4)


def test_per_cent_and_logarithms():
    """S30, S32 (Cole 2000; Cole & Altman 2017), S31."""
    assert percent_from_log(0.10) == pytest.approx(10.5171, abs=5e-5)
    assert 100 * log_from_percent(10) == pytest.approx(9.5310, abs=5e-5)
    assert 100 * log_from_percent(100 * (100 / 110 - 1)) == pytest.approx(-9.5310, abs=5e-5)
    assert 100 * coefficient_of_variation_from_spread(0.05) == pytest.approx(5.00313, abs=5e-6)
    assert percent_from_log(0.05) == pytest.approx(5.12711, abs=5e-6)
