"""Boundaries of looks before the end, against published tables (X20 to X33)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from studykit.outcomes.boundaries import (
    alpha_spent,
    error_of_unplanned_looks,
    first_crossings,
    spending_boundaries,
)


def even(looks: int) -> list[float]:
    return [(place + 1) / looks for place in range(looks)]


@pytest.mark.parametrize(
    ("looks", "error"), [(2, 0.0831), (3, 0.1073), (4, 0.1262), (5, 0.1417), (10, 0.1934)]
)
def test_repeated_tests_at_five_per_cent(looks: int, error: float) -> None:
    """X20: Armitage, McPherson & Rowe 1969, J R Stat Soc A 132:235 (.083, .107, .126, .142, .193)."""
    assert error_of_unplanned_looks(looks) == pytest.approx(error, abs=5e-5)


@pytest.mark.parametrize(
    ("looks", "constant"), [(2, 2.1783), (3, 2.2895), (4, 2.3613), (5, 2.4132), (10, 2.5550)]
)
def test_pocock_constants(looks: int, constant: float) -> None:
    """X21: Pocock 1977; Jennison & Turnbull 2000, table 2.1. Four printed digits: the error within 2e-5."""
    assert first_crossings([constant] * looks, even(looks)).total == pytest.approx(0.05, abs=2e-5)


@pytest.mark.parametrize(
    "criticals",
    [(2.7965, 1.9774), (3.4711, 2.4544, 2.0040), (4.0486, 2.8628, 2.3375, 2.0243)],
)
def test_obrien_fleming_constants(criticals: tuple[float, ...]) -> None:
    """X22, X23: O'Brien & Fleming 1979, Biometrics 35:549; Jennison & Turnbull 2000, table 2.3."""
    assert first_crossings(criticals, even(len(criticals))).total == pytest.approx(0.05, abs=2e-5)


@pytest.mark.parametrize(
    ("spending", "criticals"),
    [
        ("obrien-fleming", (2.9626, 1.9686)),  # X30
        ("obrien-fleming", (3.7103, 2.5114, 1.9930)),
        ("obrien-fleming", (4.3326, 2.9631, 2.3590, 2.0141)),  # X31
        ("obrien-fleming", (4.8769, 3.3570, 2.6803, 2.2898, 2.0310)),
        ("pocock", (2.1570, 2.2010)),  # X32
        ("pocock", (2.2794, 2.2949, 2.2959)),
        ("pocock", (2.3683, 2.3675, 2.3582, 2.3500)),
        ("pocock", (2.4380, 2.4268, 2.4102, 2.3966, 2.3860)),
    ],
)
def test_alpha_spending(spending: str, criticals: tuple[float, ...]) -> None:
    """Lan & DeMets 1983, Biometrika 70:659; Reboussin et al. 2000, Controlled Clinical Trials 21:190.

    Two-sided 5 per cent spent as two one-sided 2.5 per cent (Z16).
    """
    looks = spending_boundaries(even(len(criticals)), spending=spending)  # type: ignore[arg-type]
    assert [look.critical for look in looks] == pytest.approx(criticals, abs=6e-5)
    assert [look.level for look in looks] == pytest.approx(2.0 * stats.norm.sf(criticals), rel=1e-3)
    assert looks[-1].spent == pytest.approx(0.05)


def test_error_spent() -> None:
    """X33."""
    spent = [alpha_spent(time, alpha=0.025, sides=1) for time in (0.2, 0.4, 0.5, 0.6, 0.8, 1.0)]
    assert spent[0] == pytest.approx(5.4e-7, rel=0.01)
    assert spent[1:] == pytest.approx([0.000394, 0.001525, 0.003808, 0.012212, 0.025], abs=5e-7)


@pytest.mark.parametrize("drift", [0.0, 2.8])
@pytest.mark.parametrize("sides", [1, 2])
def test_quadrature_equals_the_normal_integral(drift: float, sides: int) -> None:
    """A differently written twin: the multivariate normal distribution function of scipy, three looks.

    Its own stated error here is below 1e-5.
    """
    times = np.array([0.3, 0.6, 1.0])
    criticals = np.array([2.6, 2.3, 2.05])
    covariance = np.sqrt(np.minimum.outer(times, times) / np.maximum.outer(times, times))
    mean = drift * np.sqrt(times)
    lower = -criticals if sides == 2 else np.full(3, -np.inf)
    inside = stats.multivariate_normal(mean, covariance, allow_singular=True).cdf(
        criticals, lower_limit=lower, rng=np.random.default_rng(3)
    )
    ours = first_crossings(criticals, times, drift=drift, sides=sides)  # type: ignore[arg-type]
    assert ours.total == pytest.approx(1.0 - inside, abs=2e-5)
