"""Trainers as clusters: in both arms, in one arm only, or crossed with the arms."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from studykit.errors import ArgumentError
from studykit.planning.power import ErrorAndFreedom, check_share, smallest_whole


def _check_icc(icc: float) -> None:
    if not 0.0 <= icc < 1.0:
        raise ArgumentError(where="icc", expected="a share from 0 to below 1", got=repr(icc))


def design_effect(clients_per_trainer: float, icc: float, *, variation: float = 0.0) -> float:
    """Factor on the variance where whole trainers carry an arm.

    Parameters
    ----------
    clients_per_trainer : float
        On average, ``>= 1``.
    icc : float
        Share of the spread that lies between trainers.
    variation : float
        Coefficient of variation of the numbers of clients (divisor: number of trainers).

    Notes
    -----
    1 + ((cv² + 1) m - 1) ICC: Eldridge, Ashby & Kerry 2006, International Journal of Epidemiology 35:1292;
    with equal numbers 1 + (m - 1) ICC, Donner & Klar 2000.

    Examples
    --------
    >>> round(design_effect(20, 0.05), 4), round(design_effect(20, 0.05, variation=0.65), 4)
    (1.95, 2.3725)
    """
    _check_icc(icc)
    if clients_per_trainer < 1.0 or variation < 0.0:
        raise ArgumentError(
            where="design_effect", expected="one or more clients per trainer and a variation of 0 or more",
            got=f"{clients_per_trainer}, {variation}",
        )  # fmt: skip
    return 1.0 + ((variation**2 + 1.0) * clients_per_trainer - 1.0) * icc


def design_effect_of_sizes(sizes: Sequence[int], icc: float) -> float:
    """The same from the numbers of clients themselves: 1 + (sum m² / sum m - 1) ICC.

    Examples
    --------
    >>> round(design_effect_of_sizes((5, 10, 15, 20, 25, 30), 0.05), 6)
    2.033333
    """
    _check_icc(icc)
    numbers = np.asarray(sizes, dtype=float)
    if numbers.size == 0 or np.any(numbers < 1.0):
        raise ArgumentError(
            where="sizes", expected="one or more clients for each trainer", got=repr(tuple(sizes))
        )
    return float(1.0 + (np.sum(numbers**2) / np.sum(numbers) - 1.0) * icc)


def nested_error(
    trainers_per_arm: int, clients_per_trainer: float, sd: float, icc: float, *, variation: float = 0.0
) -> ErrorAndFreedom:
    """Whole trainers carry an arm: the t of trainers' means, on trainers - 2 degrees of freedom.

    Parameters
    ----------
    trainers_per_arm : int
        At least 2.
    clients_per_trainer, icc, variation
        As in `design_effect`.
    sd : float
        Spread of all clients' scores in an arm, between and within trainers.

    Examples
    --------
    >>> found = nested_error(7, 20, 1.0, 0.05)
    >>> round(found.standard_error, 4), found.degrees_of_freedom
    (0.1669, 12.0)
    """
    if trainers_per_arm < 2 or not sd > 0.0:
        raise ArgumentError(
            where="nested_error", expected="two or more trainers in each arm and a spread above 0",
            got=f"{trainers_per_arm}, {sd}",
            todo="With one trainer in each arm, arm and trainer cannot be told apart.",
        )  # fmt: skip
    effect = design_effect(clients_per_trainer, icc, variation=variation)
    per_arm = trainers_per_arm * clients_per_trainer
    return ErrorAndFreedom(sd * math.sqrt(2.0 * effect / per_arm), 2.0 * trainers_per_arm - 2.0)


def trainers_for_difference(
    difference: float,
    sd: float,
    *,
    clients_per_trainer: float,
    icc: float,
    variation: float = 0.0,
    alpha: float = 0.05,
    power: float = 0.8,
) -> int:
    """Trainers in each arm, where whole trainers carry an arm.

    Raises
    ------
    DesignError
        If no number of trainers is enough.

    Examples
    --------
    By normal quantiles it would be 7 (Donner & Klar 2000); t on trainers - 2 takes one more.

    >>> trainers_for_difference(0.5, 1.0, clients_per_trainer=20, icc=0.05)
    8
    """
    check_share(power, name="power")

    def reaches(trainers: int) -> float:
        found = nested_error(trainers, clients_per_trainer, sd, icc, variation=variation)
        return found.power(difference, alpha=alpha)

    return smallest_whole(reaches, power, what="trainers")


def fewest_trainers(clients_per_arm: float, icc: float) -> int:
    """Trainers in each arm below which no number of clients gives the power of individual allocation.

    Parameters
    ----------
    clients_per_arm : float
        Needed where clients are allocated one by one.

    Notes
    -----
    More than clients times ICC: Hemming, Girling, Sitch, Marsh & Lilford 2011, BMC Medical Research
    Methodology 11:102.

    Examples
    --------
    >>> fewest_trainers(63, 0.05)
    4
    """
    _check_icc(icc)
    return math.floor(clients_per_arm * icc) + 1


def one_arm_error(
    clients: tuple[float, float], clients_per_trainer: float, sd: float, icc: float
) -> ErrorAndFreedom:
    r"""Clients of one arm share trainers (or groups), those of the other stand alone.

    Parameters
    ----------
    clients : (float, float)
        In the arm without and in the arm with shared trainers.
    clients_per_trainer : float
        In the arm with them.
    sd : float
        Spread of scores, the same in both arms.
    icc : float
        Share of it between trainers, in the arm with them.

    Notes
    -----
    Variance :math:`s^2\{[1+(m-1)\rho]/n_1+1/n_0\}`, Roberts & Roberts 2005, Clinical Trials 2:152;
    Moerbeek & Wong 2008, Statistics in Medicine 27:2850. Degrees of freedom by Satterthwaite's rule, from
    trainers - 1 and clients - 1.

    Examples
    --------
    >>> round(one_arm_error((60, 60), 6, 1.0, 0.05).standard_error ** 2, 4)
    0.0375
    """
    alone, shared = clients
    trainers = shared / clients_per_trainer
    if min(clients) < 2.0 or trainers < 2.0 or not sd > 0.0:
        raise ArgumentError(
            where="one_arm_error", expected="two or more clients in each arm, two trainers, a spread above 0",
            got=f"{clients}, {trainers:g} trainers, {sd}",
        )  # fmt: skip
    own, other = sd**2 * design_effect(clients_per_trainer, icc) / shared, sd**2 / alone
    return ErrorAndFreedom(
        math.sqrt(own + other), combined_freedom((own, trainers - 1.0), (other, alone - 1.0))
    )


def combined_freedom(*parts: tuple[float, float]) -> float:
    """Degrees of freedom of a sum of variances, each with its own, by Satterthwaite's rule (1946).

    Examples
    --------
    >>> combined_freedom((1.0, 10.0), (1.0, 10.0))
    20.0
    """
    total = sum(variance for variance, _ in parts)
    return total**2 / sum(variance**2 / freedom for variance, freedom in parts)


def crossed_error(within: ErrorAndFreedom, *, trainer_by_arm_sd: float, trainers: int) -> ErrorAndFreedom:
    """Trainers deliver both arms: what the spread of the effect between them adds, for other trainers too.

    Parameters
    ----------
    within : ErrorAndFreedom
        For these trainers alone.
    trainer_by_arm_sd : float
        Spread of the effect between trainers, same unit.
    trainers : int
        At least 2.

    Examples
    --------
    >>> found = crossed_error(ErrorAndFreedom(0.03, 40.0), trainer_by_arm_sd=0.02, trainers=4)
    >>> round(found.standard_error, 5), round(found.degrees_of_freedom, 1)
    (0.03162, 42.4)
    """
    if trainers < 2:
        raise ArgumentError(where="trainers", expected="2 or more", got=repr(trainers))
    own, between = within.standard_error**2, trainer_by_arm_sd**2 / trainers
    freedom = combined_freedom((own, within.degrees_of_freedom), (between, trainers - 1.0))
    return ErrorAndFreedom(math.sqrt(own + between), freedom)
