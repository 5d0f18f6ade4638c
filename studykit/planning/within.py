r"""Closed forms for designs in which a client, or a trainer, is compared with itself.

Two-period crossover (Senn 2002; Jones & Kenward 2014), two limbs of one client, and stepped roll-out of
trainers (Hussey & Hughes 2007, Contemporary Clinical Trials 28:182).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError
from studykit.planning.power import ErrorAndFreedom, check_share, smallest_whole


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
    return ErrorAndFreedom(sd_within * math.sqrt(2.0 / clients), clients - 2.0)


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
    variance = 2.0 * sd**2 * (1.0 - correlation_baseline**2) * (1.0 - correlation_limbs) / clients
    return ErrorAndFreedom(math.sqrt(variance), clients - 2.0)


def stepped_schedule(trainers_per_step: int, steps: int) -> NDArray[np.float64]:
    """Who delivers which arm when, where trainers go over in steps: shape (trainers, steps + 1).

    Examples
    --------
    >>> stepped_schedule(1, 3).astype(int).tolist()
    [[0, 1, 1, 1], [0, 0, 1, 1], [0, 0, 0, 1]]
    """
    if trainers_per_step < 1 or steps < 1:
        raise ArgumentError(
            where="stepped_schedule", expected="one or more trainers in one or more steps",
            got=f"{trainers_per_step}, {steps}",
        )  # fmt: skip
    goes_over = np.repeat(np.arange(steps), trainers_per_step)
    return (np.arange(steps + 1)[None, :] > goes_over[:, None]).astype(float)


def stepped_error(schedule: ArrayLike, *, cell_variance: float, trainer_variance: float) -> ErrorAndFreedom:
    r"""Error of the effect in a stepped roll-out, trainers random and periods fixed.

    Parameters
    ----------
    schedule : array_like, shape (trainers, periods)
        1 where the trainer delivers the compared arm, else 0.
    cell_variance : float
        Of the mean of one trainer's clients in one period, given the trainer: sd² over clients.
    trainer_variance : float
        Between trainers, ``>= 0``.

    Raises
    ------
    ArgumentError
        If the schedule never changes, so that the effect cannot be told from trainers and periods.

    Notes
    -----
    :math:`\frac{I\sigma^2(\sigma^2+T\tau^2)}{(IU-W)\sigma^2+(U^2+ITU-TW-IV)\tau^2}` with :math:`I` trainers,
    :math:`T` periods, :math:`U=\sum X`, :math:`W=\sum_t(\sum_i X)^2`, :math:`V=\sum_i(\sum_t X)^2`: Hussey &
    Hughes 2007. Degrees of freedom :math:`IT-I-T`: cells less trainers, periods and the effect, plus one.

    Examples
    --------
    >>> stepped_error(stepped_schedule(1, 3), cell_variance=1.0, trainer_variance=0.5).standard_error
    1.0
    """
    x = np.asarray(schedule, dtype=float)
    if x.ndim != 2 or not np.isin(x, (0.0, 1.0)).all():
        raise ArgumentError(
            where="schedule", expected="0 or 1 for every trainer and period", got=f"shape {x.shape}"
        )
    trainers, periods = x.shape
    u, w, v = float(x.sum()), float((x.sum(axis=0) ** 2).sum()), float((x.sum(axis=1) ** 2).sum())
    information = (trainers * u - w) * cell_variance + (
        u**2 + trainers * periods * u - periods * w - trainers * v
    ) * trainer_variance
    freedom = trainers * periods - trainers - periods
    if information <= 0.0 or freedom < 1:
        raise ArgumentError(
            where="schedule", expected="trainers who go over at different times, and enough cells",
            got=f"{trainers} trainers, {periods} periods",
        )  # fmt: skip
    variance = trainers * cell_variance * (cell_variance + periods * trainer_variance) / information
    return ErrorAndFreedom(math.sqrt(variance), float(freedom))
