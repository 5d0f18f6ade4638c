"""Sizes for further designs, against published tables and formulas (P08 to P70)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats
from scipy.special import ndtri

from studykit.planning.clusters import nested_error, one_arm_error, trainers_for_difference
from studykit.planning.margins import (
    alike_power,
    clients_for_alike,
    clients_for_not_worse,
    clients_for_share_not_worse,
)
from studykit.planning.means import (
    clients_for_difference,
    clients_for_several_arms,
    clients_for_width_of_d,
    slope_variance,
    summary_variance,
)
from studykit.planning.within import clients_for_crossover, crossover_error, schedule_error
from studykit.protocol.designs import DESIGNS


def steps(number: int) -> np.ndarray:
    """Who delivers the compared arm when, one trainer for each step."""
    return DESIGNS["stepped"].schedule(number, number + 1)[:, :, 0]


Z80, Z90 = (float(ndtri(0.975) + ndtri(power)) for power in (0.8, 0.9))
ONE_SIDED_80 = float(ndtri(0.95) + ndtri(0.8))


@pytest.mark.parametrize(("arms", "raw"), [(2, 63.77), (3, 52.40), (4, 44.60), (5, 39.15), (6, 35.14)])
def test_several_arms(arms: int, raw: float) -> None:
    """P08: Cohen 1992, table 2, f = .25 (he rounds to the nearest: 64, 52, 45, 39, 35; Z13)."""
    assert clients_for_several_arms(0.25, 1.0, arms=arms).raw == pytest.approx(raw, abs=0.01)


def test_several_arms_from_variances() -> None:
    """P09: R documentation, power.anova.test; its between-variance has the divisor arms - 1."""
    spread = math.sqrt(1.0 * 3 / 4)
    needed = clients_for_several_arms(spread, math.sqrt(3.0), arms=4)
    assert needed.raw == pytest.approx(11.92613, abs=1e-4)


@pytest.mark.parametrize(
    ("correlation", "sizes"),
    [(0.2, (312.38, 624.76, 937.15)), (0.5, (195.24, 390.48, 585.72)), (0.8, (78.10, 156.19, 234.29))],
)
def test_difference_of_slopes(correlation: float, sizes: tuple[float, ...]) -> None:
    """P18: Diggle, Heagerty, Liang & Zeger 2002, section 2.4; one-sided 5 per cent, normal quantiles."""
    for variance, size in zip((100.0, 200.0, 300.0), sizes, strict=True):
        ours = 2.0 * ONE_SIDED_80**2 * variance * slope_variance((0, 2, 5), correlation) / 0.5**2
        assert ours == pytest.approx(size, abs=0.01)


@pytest.mark.parametrize(("correlation", "size"), [(0.2, 23.08), (0.5, 32.97), (0.8, 42.87)])
def test_average_response(correlation: float, size: float) -> None:
    """P19: the same book, the mean of three tests, half a standard deviation, one-sided 5 per cent."""
    variance = summary_variance("follow-up only", correlation, follow_ups=3)
    assert 2.0 * ONE_SIDED_80**2 * variance / 0.25 == pytest.approx(size, abs=0.01)
    by_t = clients_for_difference(0.5, 1.0, sides=1, inflation=variance).raw
    assert size < by_t < size + 1.0


def test_trainers_of_twenty_clients() -> None:
    """P44: Donner & Klar 2000: 62.791 times 1.95 clients, so 7 trainers of 20 in each arm, by the normal."""
    error = nested_error(7, 20, 1.0, 0.05).standard_error
    clients = Z80**2 * error**2 / 0.25 * 140.0
    assert clients == pytest.approx(122.44, abs=0.01)
    assert math.ceil(clients / 20.0) == 7
    assert trainers_for_difference(0.5, 1.0, clients_per_trainer=20, icc=0.05) == 8  # t on trainers - 2


@pytest.mark.parametrize(
    ("size", "icc", "needed"), [(6, 0.05, 70.64), (10, 0.05, 76.92), (8, 0.1, 84.77), (1, 0.1, 62.79)]
)
def test_one_arm_with_trainers(size: int, icc: float, needed: float) -> None:
    """P45: Roberts & Roberts 2005; Moerbeek & Wong 2008, equal total variance, normal quantiles."""
    variance = one_arm_error((240.0, 240.0), size, 1.0, icc).standard_error ** 2
    assert Z80**2 * variance * 240.0 / 0.25 == pytest.approx(needed, abs=0.01)


def test_one_arm_with_trainers_by_matrix() -> None:
    """P46: .0375 by generalised least squares on the full covariance matrix of 120 clients."""
    shared = np.arange(120) >= 60
    trainer = np.where(shared, (np.arange(120) - 60) // 6, -1 - np.arange(120))
    covariance = 0.05 * (trainer[:, None] == trainer[None, :]) * 1.0
    np.fill_diagonal(covariance, 1.0)
    design = np.column_stack([np.ones(120), shared])
    inverse = np.linalg.inv(design.T @ np.linalg.solve(covariance, design))
    assert inverse[1, 1] == pytest.approx(0.0375, abs=1e-12)
    assert one_arm_error((60, 60), 6, 1.0, 0.05).standard_error ** 2 == pytest.approx(0.0375, abs=1e-12)


def test_crossover() -> None:
    """P50, P51: Senn 2002; Jones & Kenward 2014: 15.70 and 21.01 by normal quantiles, 18 by t."""
    unit = crossover_error(100, 1.0).standard_error ** 2 * 100.0
    assert Z80**2 * unit == pytest.approx(15.70, abs=0.005)
    assert Z90**2 * unit == pytest.approx(21.01, abs=0.01)
    assert clients_for_crossover(1.0, 1.0) == 18
    assert crossover_error(18, 1.0).power(1.0) == pytest.approx(0.8040, abs=5e-5)
    assert crossover_error(16, 1.0).power(1.0) < 0.8


@pytest.mark.parametrize(("trainer_variance", "variance"), [(0.5, 1.0), (0.0, 0.75), (1e9, 1.2)])
def test_stepped(trainer_variance: float, variance: float) -> None:
    """P55: Hussey & Hughes 2007, rows 0111, 0011, 0001."""
    found = schedule_error(steps(3), cell_variance=1.0, unit_variance=trainer_variance)
    assert found.standard_error**2 == pytest.approx(variance, abs=1e-8)


def test_stepped_example() -> None:
    """P56: the setting of Hussey & Hughes 2007; standard error .0063764, power .8059 by normal quantiles."""
    mean = 0.041
    cell = mean * (1.0 - mean) / 100.0
    error = schedule_error(steps(4), units=6.0, cell_variance=cell, unit_variance=0.025**2)
    assert error.standard_error == pytest.approx(0.0063764, abs=1e-7)
    assert stats.norm.cdf(0.018 / error.standard_error - ndtri(0.975)) == pytest.approx(0.8059, abs=5e-4)
    assert error.degrees_of_freedom == 91.0
    assert 0.79 < error.power(0.018) < 0.8059  # t costs a little


@pytest.mark.parametrize(
    ("number", "clients", "icc", "trainers", "factor"),
    [(4, 10, 0.05, 8, 0.535102), (3, 20, 0.01, 6, 0.668997), (5, 15, 0.1, 10, 0.452744)],
)
def test_stepped_against_individuals(
    number: int, clients: int, icc: float, trainers: int, factor: float
) -> None:
    """P58: Woertman et al. 2013, J Clin Epidemiol 66:752; the variance over that of as many clients (Z14)."""
    each = trainers // number
    found = schedule_error(steps(number), units=each, cell_variance=(1.0 - icc) / clients, unit_variance=icc)
    assert found.standard_error**2 / (4.0 / (trainers * clients)) == pytest.approx(factor, abs=1e-6)


@pytest.mark.parametrize(("alpha", "needed"), [(0.05, 49.46), (0.025, 62.79)])
def test_not_worse(alpha: float, needed: float) -> None:
    """P61: Chow, Shao & Wang, chapter 3, spread .10, margin .05, by the normal; t takes about one more."""
    quantiles = float(ndtri(1.0 - alpha) + ndtri(0.8))
    assert 2.0 * quantiles**2 * 0.1**2 / 0.05**2 == pytest.approx(needed, abs=0.01)
    by_t = clients_for_not_worse(0.05, 0.1, alpha=alpha).raw
    assert needed < by_t < needed + 1.1


@pytest.mark.parametrize(("margin", "needed"), [(0.10, 2599), (0.25, 416), (0.50, 104), (1.0, 26)])
def test_alike(margin: float, needed: int) -> None:
    """P63: Julious 2004, 2.5 per cent each side, power .9, by normal quantiles; t takes about one more."""
    quantiles = float(ndtri(0.975) + ndtri(0.95))
    raw = 2.0 * quantiles**2 / margin**2
    assert math.ceil(raw) == needed
    assert raw < clients_for_alike(margin, 1.0, alpha=0.025, power=0.9).raw < raw + 1.1


@pytest.mark.parametrize(
    ("variation", "clients", "power"),
    [(0.15, 12, 0.8305), (0.20, 20, 0.8347), (0.25, 28, 0.8074), (0.30, 40, 0.8158)],
)
def test_alike_in_a_crossover(variation: float, clients: int, power: float) -> None:
    """Diletti, Hauschke & Steinijans 1991, Int J Clin Pharmacol 29:1: ratio .95 within .80 to 1.25 (memory).

    Exact power of the two one-sided tests on the log scale; sizes are even.
    """
    spread = math.sqrt(math.log1p(variation**2))

    def reached(number: int) -> float:
        error = crossover_error(number, spread)
        return alike_power(
            math.log(0.95), error.standard_error, lower=math.log(0.8), upper=math.log(1.25),
            degrees_of_freedom=error.degrees_of_freedom,
        )  # fmt: skip

    assert reached(clients) == pytest.approx(power, abs=5e-5)
    assert reached(clients - 2) < 0.8


@pytest.mark.parametrize("freedom", [2.0, 7.0, 60.0])
def test_alike_equals_adaptive_integration(freedom: float) -> None:
    """A differently written twin: scipy's adaptive quadrature over the chi distribution, to 1e-9."""
    critical = float(stats.t.ppf(0.95, freedom))

    def inside(spread: float) -> float:
        high, low = (0.6 - 0.1) / 0.2 - critical * spread, (-0.5 - 0.1) / 0.2 + critical * spread
        density = stats.chi.pdf(spread * math.sqrt(freedom), freedom) * math.sqrt(freedom)
        return float(max(stats.norm.cdf(high) - stats.norm.cdf(low), 0.0) * density)

    last = 1.1 / (0.4 * critical)
    expected = integrate.quad(inside, 0.0, last, epsabs=1e-11, limit=200)[0]
    ours = alike_power(0.1, 0.2, lower=-0.5, upper=0.6, degrees_of_freedom=freedom)
    assert ours == pytest.approx(expected, abs=1e-9)


def test_share_not_worse() -> None:
    """P64: Blackwelder 1982."""
    needed = clients_for_share_not_worse(0.85, 0.85, margin=0.10, alpha=0.05)
    assert needed.raw == pytest.approx(157.66, abs=0.01)
    assert needed.whole == 158


@pytest.mark.parametrize(
    ("d", "sizes"),
    [(0.2, (344, 253, 124)), (0.5, (353, 259, 127)), (0.8, (369, 272, 133)), (1.0, (385, 283, 139))],
)
def test_width_of_a_standardised_difference(d: float, sizes: tuple[int, ...]) -> None:
    """P69: Kelley & Rausch 2006, Psychological Methods 11:363."""
    found = tuple(clients_for_width_of_d(d, width).whole for width in (0.30, 0.35, 0.50))
    assert found == sizes


def test_a_ratio_of_arms_costs_as_the_formula_says() -> None:
    """(1 + r)² / 4r times as many clients in all, by normal quantiles: 12.5 per cent more at 2 to 1."""
    even = clients_for_difference(0.2, 1.0).raw * 2.0
    uneven = clients_for_difference(0.2, 1.0, ratio=2.0).raw * 3.0
    assert uneven / even == pytest.approx(9.0 / 8.0, rel=1e-3)
    assert clients_for_difference(0.2, 1.0, ratio=0.5).raw * 1.5 == pytest.approx(uneven, rel=1e-6)
