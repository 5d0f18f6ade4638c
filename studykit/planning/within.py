"""The error of an effect where a client, or a trainer, is compared with itself, in closed form.

Two-period crossover: Senn 2002; Jones & Kenward 2014.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.planning.power import ErrorAndFreedom, check_share, smallest_whole


def schedule_error(
    schedule: ArrayLike, *, cell_variance: float, unit_variance: float, units: ArrayLike = 1.0
) -> ErrorAndFreedom:
    r"""Error of the effect for any schedule of arms, units random and cells (periods, sides) fixed.

    Parameters
    ----------
    schedule : array_like, shape (codes, cells)
        1 where what is allocated means the compared arm, else 0.
    cell_variance : float
        Of one unit's mean in one cell, given the unit.
    unit_variance : float
        Between units, ``>= 0``.
    units : array_like, shape (codes,) or ()
        Clients, or trainers, allocated each code; expected numbers need not be whole.

    Raises
    ------
    ArgumentError
        If the schedule never changes, so that the effect cannot be told from units and cells.

    Notes
    -----
    :math:`\frac{I\sigma^2(\sigma^2+T\tau^2)}{(IU-W)\sigma^2+(U^2+ITU-TW-IV)\tau^2}` with :math:`I` units,
    :math:`T` cells, :math:`U=\sum X`, :math:`W=\sum_t(\sum_i X)^2`, :math:`V=\sum_i(\sum_t X)^2`: Hussey &
    Hughes 2007, Contemporary Clinical Trials 28:182. Degrees of freedom :math:`IT-I-T`: cells of all units
    less units, cells and the effect, plus one; with one cell :math:`I-2`, as for means of clusters.

    Examples
    --------
    >>> roll_out = ((0, 1, 1, 1), (0, 0, 1, 1), (0, 0, 0, 1))
    >>> schedule_error(roll_out, cell_variance=1.0, unit_variance=0.5).standard_error
    1.0
    """
    x = np.asarray(schedule, dtype=float)
    if x.ndim != 2 or not np.isin(x, (0.0, 1.0)).all():
        raise ArgumentError(
            where="schedule", expected="0 or 1 for every unit and period", got=f"shape {x.shape}"
        )
    number = np.broadcast_to(np.asarray(units, dtype=float), x.shape[:1])
    total, cells = float(number.sum()), x.shape[1]
    u, w, v = float(number @ x.sum(axis=1)), float(((number @ x) ** 2).sum()), number @ x.sum(axis=1) ** 2
    information = (total * u - w) * cell_variance + (
        u**2 + total * cells * u - cells * w - total * float(v)
    ) * unit_variance
    freedom = total * cells - total - cells if cells > 1 else total - 2.0
    if information <= 0.0 or freedom < 1.0:
        raise ArgumentError(
            where="schedule", expected="units that change arms at different times, and enough cells",
            got=f"{total:g} units, {cells} periods",
        )  # fmt: skip
    variance = total * cell_variance * (cell_variance + cells * unit_variance) / information
    return ErrorAndFreedom(math.sqrt(variance), freedom)


def spread_over(units: int, codes: int) -> NDArray[np.int64]:
    """Units by code, as even as can be, the first codes with more.

    Examples
    --------
    >>> spread_over(8, 3).tolist()
    [3, 3, 2]
    """
    return np.array([len(group) for group in np.array_split(np.arange(units), codes)], dtype=np.int64)


def crossover_error(clients: float, sd_within: float) -> ErrorAndFreedom:
    """The two-period, two-sequence crossover with as many clients in each sequence, adjusted for period.

    Parameters
    ----------
    clients : float
        In both sequences together, at least 4; expected numbers need not be whole.
    sd_within : float
        Spread of one client's score from period to period, the period's own effect apart.

    Notes
    -----
    Variance 2 sd² / N, degrees of freedom N - 2.

    Examples
    --------
    >>> round(crossover_error(18, 1.0).power(1.0), 4)
    0.804
    """
    if clients < 4 or not sd_within > 0.0:
        raise ArgumentError(
            where="crossover_error", expected="4 or more clients and a spread above 0",
            got=f"{clients}, {sd_within}",
        )  # fmt: skip
    return schedule_error(
        ((0, 1), (1, 0)), units=clients / 2.0, cell_variance=sd_within**2, unit_variance=0.0
    )


def clients_for_crossover(
    difference: float, sd_within: float, *, alpha: float = 0.05, power: float = 0.8
) -> int:
    """Clients in both sequences together, an even number.

    Examples
    --------
    >>> clients_for_crossover(1.0, 1.0)
    18
    """
    check_share(power, name="power")
    halves = smallest_whole(
        lambda half: crossover_error(2 * half, sd_within).power(difference, alpha=alpha),
        power, least=2, what="clients",
    )  # fmt: skip
    return 2 * halves


def crossover_bias(carry_over: float) -> float:
    """What is added to the estimate where the first arm's training still works in the second period.

    Parameters
    ----------
    carry_over : float
        What is left in period 2 of the compared arm's effect, less that of the reference arm's.

    Notes
    -----
    Minus one half of it. The test for carry-over that uses clients' totals finds it seldom and must not
    choose the analysis (Freeman 1989, Statistics in Medicine 8:1421). Training gains stay for weeks, so a
    crossover of training methods is biased unless the wash-out outlasts them.

    Examples
    --------
    Half of a gain of 4 per cent that stays hides a quarter of it.

    >>> crossover_bias(2.0)
    -1.0
    """
    return -carry_over / 2.0


def limbs_error(
    clients: float, sd: float, *, correlation_limbs: float, correlation_baseline: float = 0.0
) -> ErrorAndFreedom:
    """One limb of each client in either arm, chosen at random: the paired comparison.

    Parameters
    ----------
    clients : float
        With both limbs tested, at least 3.
    sd : float
        Spread of one limb's score between clients.
    correlation_limbs : float
        Between the two limbs of a client, tests before accounted for.
    correlation_baseline : float
        Between the tests before and after of a limb; 0 where there is no test before.

    Notes
    -----
    Variance 2 sd² (1 - r²) (1 - c) / N, degrees of freedom N - 2: one for the mean, one for the side.

    Examples
    --------
    >>> found = limbs_error(20, 0.25, correlation_limbs=0.7, correlation_baseline=0.88)
    >>> round(found.standard_error, 4)
    0.0206
    """
    correlations = (correlation_limbs, correlation_baseline)
    if clients < 3 or not sd > 0.0 or any(not -1.0 < each < 1.0 for each in correlations):
        raise ArgumentError(
            where="limbs_error", expected="3 or more clients, a spread above 0, correlations within -1 to 1",
            got=f"{clients}, {sd}, {correlations}",
        )  # fmt: skip
    side = sd**2 * (1.0 - correlation_baseline**2) * (1.0 - correlation_limbs)
    return schedule_error(((0, 1), (1, 0)), units=clients / 2.0, cell_variance=side, unit_variance=0.0)
