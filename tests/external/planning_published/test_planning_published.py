"""Planning formulas against published tables, help pages and R.

Raw numbers are compared, not rounded ones: printed tables round to the nearest, a planner rounds up.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from scipy.special import ndtri
from statsmodels.stats.power import NormalIndPower, TTestIndPower

from studykit.planning.clusters import design_effect, design_effect_of_sizes
from studykit.planning.log_rank_power import departures_needed, hazard_ratio_from_shares
from studykit.planning.means import (
    clients_for_difference,
    clients_for_half_width,
    composite_variance,
    inflated_for_losses,
    pairs_for_difference,
    summary_variance,
)
from studykit.planning.power import assurance, t_power
from studykit.planning.two_proportions import clients_for_shares, shares_power

REFERENCE = json.loads((Path(__file__).parent / "reference.json").read_text(encoding="utf-8"))
Z80 = float(ndtri(0.975) + ndtri(0.8))


@pytest.mark.parametrize(
    ("d", "alpha", "power", "raw"),
    [
        # P01: Cohen 1988, table 2.4.1; Cohen 1992, Psychological Bulletin 112:155, table 2
        (0.2, 0.05, 0.80, 393.406), (0.5, 0.05, 0.80, 63.766), (0.8, 0.05, 0.80, 25.525),
        # P02: power .90
        (0.2, 0.05, 0.90, 526.33), (0.3, 0.05, 0.90, 234.46), (0.4, 0.05, 0.90, 132.31),
        (0.5, 0.05, 0.90, 85.03), (0.6, 0.05, 0.90, 59.35), (0.7, 0.05, 0.90, 43.87),
        (0.8, 0.05, 0.90, 33.83),
        # P03
        (0.1, 0.05, 0.80, 1570.74), (0.3, 0.05, 0.80, 175.39), (0.4, 0.05, 0.80, 99.08),
        (0.6, 0.05, 0.80, 44.59), (0.7, 0.05, 0.80, 33.02), (1.0, 0.05, 0.80, 16.71),
        (1.2, 0.05, 0.80, 11.94),
        # P04: Cohen 1992, table 2, other type I errors
        (0.2, 0.01, 0.80, 585.61), (0.5, 0.01, 0.80, 95.10), (0.8, 0.01, 0.80, 38.19),
        (0.2, 0.10, 0.80, 309.79), (0.5, 0.10, 0.80, 50.15), (0.8, 0.10, 0.80, 20.03),
    ],
)  # fmt: skip
def test_clients_per_arm_for_two_means(d: float, alpha: float, power: float, raw: float) -> None:
    needed = clients_for_difference(d, 1.0, alpha=alpha, power=power)
    assert needed.raw == pytest.approx(raw, abs=0.01)
    error = [math.sqrt(2.0 / n) for n in (needed.whole - 1, needed.whole)]
    below, at = (
        t_power(d, error[i], degrees_of_freedom=2 * (needed.whole - 1 + i) - 2, alpha=alpha) for i in (0, 1)
    )
    assert below < power <= at  # user ask 3.4


@pytest.mark.parametrize(
    ("d", "n", "power"),
    [
        (0.5, 30, 0.4779), (0.5, 35, 0.5407), (0.5, 50, 0.6969), (0.5, 64, 0.8015), (0.5, 80, 0.8816),
        (0.8, 26, 0.8075),
    ],
)  # fmt: skip
def test_power_of_two_means(d: float, n: int, power: float) -> None:
    """P05: Cohen 1988, page 40."""
    got = t_power(d, math.sqrt(2.0 / n), degrees_of_freedom=2 * n - 2)
    assert got == pytest.approx(power, abs=0.0005)
    # an outside class, which counts the clients of one arm (user ask 3.5)
    assert got == pytest.approx(TTestIndPower().power(d, n, 0.05), abs=1e-9)


def test_the_far_tail_counts() -> None:
    """P05: .1282 for d = .2 and 35 per arm leaves the far tail out; with it the power is .1308."""
    error = math.sqrt(2 / 35)
    assert t_power(0.2, error, degrees_of_freedom=68, alpha=0.025, sides=1) == pytest.approx(0.1282, abs=5e-4)
    assert t_power(0.2, error, degrees_of_freedom=68) == pytest.approx(TTestIndPower().power(0.2, 35, 0.05))


def test_help_page_of_r() -> None:
    """P06: R documentation, power.t.test; both tails counted."""
    assert t_power(1.0, math.sqrt(2 / 20), degrees_of_freedom=38) == pytest.approx(0.8689530, abs=1e-6)
    assert clients_for_difference(1.0, 1.0, power=0.9).raw == pytest.approx(22.02110, abs=1e-4)
    assert clients_for_difference(1.0, 1.0, power=0.9, sides=1).raw == pytest.approx(17.84713, abs=1e-4)


def test_pairs() -> None:
    """P07: Cohen 1988, chapter 2."""
    needed = pairs_for_difference(0.5, 1.0)
    assert needed.raw == pytest.approx(33.367, abs=0.01)
    assert needed.whole == 34


@pytest.mark.parametrize("row", REFERENCE["two_means"], ids=str)
def test_two_means_equal_r(row: dict[str, float]) -> None:
    needed = clients_for_difference(row["d"], 1.0, alpha=row["alpha"], power=row["power"])
    assert needed.raw == pytest.approx(row["n"], rel=1e-6)  # R's own root search stops near 1e-8


@pytest.mark.parametrize("row", REFERENCE["power_means"], ids=str)
def test_power_equals_r(row: dict[str, float]) -> None:
    got = t_power(row["d"], math.sqrt(2 / row["n"]), degrees_of_freedom=2 * row["n"] - 2)
    assert got == pytest.approx(row["power"], abs=1e-9)


@pytest.mark.parametrize("row", REFERENCE["two_shares"], ids=str)
def test_two_shares_equal_r(row: dict[str, float]) -> None:
    got = clients_for_shares(row["p1"], row["p2"], power=row["power"]).raw
    assert got == pytest.approx(row["n"], rel=1e-7)


@pytest.mark.parametrize(
    ("correlation", "factor"), [(0.5, 0.75), (0.6, 0.64), (0.7, 0.51), (0.8, 0.36), (0.9, 0.19)]
)
def test_baseline_adjustment(correlation: float, factor: float) -> None:
    """P10: Borm, Fransen & Lemmens 2007, J Clin Epidemiol 60:1234; the variance falls so, Z12."""
    assert summary_variance("baseline-adjusted", correlation) == pytest.approx(factor, abs=1e-12)


@pytest.mark.parametrize(("correlation", "clients"), [(0.5, 48), (0.7, 33), (0.8, 24)])
def test_baseline_adjusted_sizes(correlation: float, clients: int) -> None:
    """P11: 64 times the factor, rounded up; the degrees of freedom of the smaller trial add at most one."""
    factor = summary_variance("baseline-adjusted", correlation)
    assert math.ceil(64 * factor) == clients
    assert clients_for_difference(0.5, 1.0, inflation=factor).whole - clients in (0, 1)


@pytest.mark.parametrize(
    ("p", "r", "correlation", "values"),
    [
        (1, 1, 0.5, (1, 1, 0.75)),  # P12
        (1, 3, 0.7, (0.8, 0.4, 0.31)),  # P13
        (2, 2, 0.65, (0.825, 0.35, 0.312879)),  # P14
        (3, 3, 0.65, (0.766667, 0.233333, 0.215580)),  # P15
        (1, 5, 0.7, (0.76, 0.36, 0.27)),  # P15
    ],
)
def test_repeated_tests(p: int, r: int, correlation: float, values: tuple[float, float, float]) -> None:
    """Frison & Pocock 1992, Statistics in Medicine 11:1685."""
    got = tuple(
        summary_variance(method, correlation, baselines=p, follow_ups=r)
        for method in ("follow-up only", "change", "baseline-adjusted")
    )
    assert got == pytest.approx(values, abs=1e-6)
    assert got[2] <= min(got[0], got[1])  # P16


@pytest.mark.parametrize(("follow_ups", "raw"), [(1, 47.72), (4, 30.90), (10, 27.54)])
def test_mean_of_repeated_measures(follow_ups: int, raw: float) -> None:
    """P17: Brown & Prescott, Applied Mixed Models in Medicine, hypertension trial; normal quantiles there."""
    variance = 76.0 * summary_variance("follow-up only", 0.53, follow_ups=follow_ups)
    assert 2.0 * Z80**2 * variance / 25.0 == pytest.approx(raw, abs=0.01)
    by_t = clients_for_difference(5.0, math.sqrt(variance)).raw
    assert raw < by_t < raw + 1.0  # t needs about one client more


def test_shares_help_page() -> None:
    """P20, P21: R documentation, power.prop.test."""
    assert shares_power(0.5, 0.75, 50) == pytest.approx(0.7401659, abs=1e-6)
    assert clients_for_shares(0.5, 0.75, power=0.9).raw == pytest.approx(76.70693, abs=1e-4)
    assert clients_for_shares(0.5, 0.75).raw == pytest.approx(57.67344, abs=1e-4)


@pytest.mark.parametrize(
    ("p1", "p2", "alpha", "power", "plain", "corrected"),
    [
        (0.5, 0.75, 0.05, 0.9, 76.707, 84.518),  # P22: Fleiss, Tytun & Ury 1980
        (0.6, 0.7, 0.01, 0.95, 807.07, 826.95),  # P23: Fleiss 1981, chapter 3, worked example: 827
        (0.1, 0.2, 0.05, 0.8, 198.96, 218.51),  # P24: Fleiss 1981, table A.3
        (0.2, 0.3, 0.05, 0.8, 293.15, 312.83),
        (0.25, 0.4, 0.05, 0.8, 151.87, 164.93),
        (0.3, 0.5, 0.05, 0.8, 93.00, 102.76),
        (0.15, 0.3, 0.05, 0.8, 120.47, 133.47),
    ],
)
def test_shares_with_correction(
    p1: float, p2: float, alpha: float, power: float, plain: float, corrected: float
) -> None:
    without = clients_for_shares(p1, p2, alpha=alpha, power=power)
    with_correction = clients_for_shares(p1, p2, alpha=alpha, power=power, continuity=True)
    assert without.raw == pytest.approx(plain, abs=0.01)
    assert with_correction.raw == pytest.approx(corrected, abs=0.01)
    added = with_correction.raw - without.raw  # P26: close to 2 / |difference|
    assert added == pytest.approx(2.0 / abs(p2 - p1), rel=0.04)


def test_unpooled_shares() -> None:
    """P25."""
    assert clients_for_shares(0.3, 0.5, variance="unpooled").raw == pytest.approx(90.262, abs=0.001)


@pytest.mark.parametrize(("h", "raw"), [(0.2, 392.443), (0.5, 62.791), (0.8, 24.528)])
def test_normal_limit(h: float, raw: float) -> None:
    """P27: Cohen 1992, table 2 (392, 63, 25): the sizes by normal quantiles, below those by t."""
    assert NormalIndPower().solve_power(h, alpha=0.05, power=0.8) == pytest.approx(raw, abs=0.01)
    assert t_power(h, math.sqrt(2 / raw), degrees_of_freedom=math.inf) == pytest.approx(0.8, abs=1e-5)
    assert 0.5 < clients_for_difference(h, 1.0).raw - raw < 1.1


@pytest.mark.parametrize(
    ("ratio", "schoenfeld_80", "schoenfeld_90", "freedman_80"),
    [
        (0.5, 65.35, 87.48, 70.64),
        (0.6, 120.32, 161.07, 125.58),
        (0.7, 246.79, 330.38, 252.04),
        (0.75, 379.35, 507.84, 384.60),
        (0.8, 630.52, 844.09, 635.76),
    ],
)
def test_departures(ratio: float, schoenfeld_80: float, schoenfeld_90: float, freedman_80: float) -> None:
    """P30, P31: Schoenfeld 1983, Biometrics 39:499; P33: Freedman 1982, Statistics in Medicine 1:121; P36."""
    assert departures_needed(ratio) == pytest.approx(schoenfeld_80, abs=0.01)
    assert departures_needed(ratio, power=0.9) == pytest.approx(schoenfeld_90, abs=0.01)
    assert departures_needed(ratio, formula="freedman") == pytest.approx(freedman_80, abs=0.01)
    assert departures_needed(ratio, formula="freedman") >= departures_needed(ratio)
    assert departures_needed(1.0 / ratio) == pytest.approx(departures_needed(ratio))


@pytest.mark.parametrize(
    ("ratio", "departures"), [(1.25, 630.52), (1.5, 190.97), (1.75, 100.25), (2.0, 65.35)]
)
def test_departures_of_a_published_table(ratio: float, departures: float) -> None:
    """P32: Trials 2015;16:213, table 1, before its rounding to even numbers (Z19)."""
    assert departures_needed(ratio) == pytest.approx(departures, abs=0.01)


def test_hazard_ratio_from_shares() -> None:
    """P34: Girling et al. 2003, Clinical Trials in Cancer, AXIS trial (.86)."""
    assert hazard_ratio_from_shares(0.50, 0.55) == pytest.approx(0.8625, abs=5e-5)


def test_design_effects() -> None:
    """P40: Donner & Klar 2000; P41, P42, P43: Eldridge, Ashby & Kerry 2006, Int J Epidemiol 35:1292."""
    assert [
        design_effect(20, 0.05),
        design_effect(10, 0.1),
        design_effect(9, 0.0),
        design_effect(1, 0.3),
    ] == [pytest.approx(value) for value in (1.95, 1.9, 1.0, 1.0)]
    cases = (((20, 0.65, 0.05), 2.3725), ((30, 0.65, 0.05), 3.08375), ((100, 0.5, 0.01), 2.24),
             ((10, 0.4, 0.1), 2.06))  # fmt: skip
    for (size, variation, icc), value in cases:
        assert design_effect(size, icc, variation=variation) == pytest.approx(value)
    sizes = (5, 10, 15, 20, 25, 30)
    assert design_effect_of_sizes(sizes, 0.05) == pytest.approx(2.033333, abs=1e-6)
    assert design_effect(17.5, 0.05, variation=0.487950) == pytest.approx(2.033333, abs=1e-5)
    assert design_effect(50, 0.2, variation=0.23) / design_effect(50, 0.2) < 1.053


@pytest.mark.parametrize(
    ("margin", "clients"),
    [(0.05, 8407), (0.10, 2103), (0.15, 935), (0.20, 527), (0.25, 338), (0.30, 235), (0.40, 133), (0.50, 86),
     (0.75, 39), (1.00, 23)],
)  # fmt: skip
def test_one_sided_sizes(margin: float, clients: int) -> None:
    """P60: Julious 2004, Statistics in Medicine 23:1921, table for one-sided 0.025 and power 0.9."""
    assert clients_for_difference(margin, 1.0, alpha=0.025, power=0.9, sides=1).whole == clients


def test_assurance() -> None:
    """P65, P66, P67: O'Hagan, Stevens & Campbell 2005, Pharmaceutical Statistics 4:187."""
    error = math.sqrt(2 / 64)
    assert assurance(0.5, 0.04, error) == pytest.approx(0.717406, abs=1e-6)
    assert assurance(0.5, 0.0, error) == pytest.approx(0.807430, abs=1e-3)
    assert assurance(2.5, 1.0, 5.0 * math.sqrt(2 / 100)) == pytest.approx(0.818498, abs=1e-6)
    assert assurance(0.5, 0.25, error) == pytest.approx(0.613896, abs=1e-6)
    assert assurance(0.5, 0.04, 1e-9) == pytest.approx(0.993790, abs=1e-6)


def test_precision_and_losses() -> None:
    """P68: standard; Bland 2009, BMJ 339:b3985 for the principle. P70: divided, not multiplied."""
    assert clients_for_half_width(10.0, 4.0).raw == pytest.approx(48.02, abs=0.01)
    assert clients_for_half_width(10.0, 4.0, arms=1).raw == pytest.approx(24.01, abs=0.01)
    assert inflated_for_losses(64, 0.15).raw == pytest.approx(75.29, abs=0.01)
    assert inflated_for_losses(64, 0.20).whole == 80


@pytest.mark.parametrize(
    ("sd", "percent", "printed"),
    [(0.08, 2, 257), (0.08, 5, 43), (0.115, 2, 530), (0.115, 3, 238), (0.115, 5, 88), (0.115, 8, 36),
     (0.115, 10, 23), (0.16, 3, 460), (0.16, 8, 68)],
)  # fmt: skip
def test_trade_table(sd: float, percent: float, printed: int) -> None:
    """Trade facts F3 (derived, normal quantiles): most rows need one client more by t."""
    assert clients_for_difference(math.log1p(percent / 100), sd).whole - printed in (-1, 0, 1)


def test_trade_rows_of_a_composite_and_of_retention() -> None:
    """Trade facts F3: four machines, 5 % takes 48; from 70 % to 75, 80, 85 % takes 1251, 294, 121."""
    composite = 0.115 * math.sqrt(composite_variance(4, 0.4))
    assert clients_for_difference(math.log(1.05), composite).whole in (48, 49, 50)
    sizes = [clients_for_shares(0.70, other).whole for other in (0.75, 0.80, 0.85)]
    assert sizes == pytest.approx([1251, 294, 121], abs=1)
