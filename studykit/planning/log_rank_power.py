"""Closed forms for the log-rank test: departures needed, and what a number of departures shows."""

from __future__ import annotations

import math
from typing import Literal

from scipy.special import ndtr, ndtri

from studykit.errors import ArgumentError
from studykit.planning.power import Sides, check_share

Formula = Literal["schoenfeld", "freedman"]


def hazard_ratio_from_shares(reference: float, compared: float) -> float:
    """Hazard ratio of departure, compared to reference, if hazards are proportional.

    Examples
    --------
    >>> round(hazard_ratio_from_shares(0.50, 0.55), 4)
    0.8625
    """
    if not (0.0 < reference < 1.0 and 0.0 < compared < 1.0):
        raise ArgumentError(
            where="shares", expected="shares retained between 0 and 1", got=f"{reference}, {compared}"
        )
    return math.log(compared) / math.log(reference)


def _information(hazard_ratio: float, ratio: float, formula: Formula) -> float:
    """Squared noncentrality that one departure gives."""
    if not hazard_ratio > 0.0 or hazard_ratio == 1.0:
        raise ArgumentError(
            where="hazard_ratio", expected="a number above 0 that is not 1", got=repr(hazard_ratio)
        )
    if formula == "schoenfeld":
        return ratio / (1.0 + ratio) ** 2 * math.log(hazard_ratio) ** 2
    return ratio * ((1.0 - hazard_ratio) / (1.0 + ratio * hazard_ratio)) ** 2


def departures_needed(
    hazard_ratio: float,
    *,
    alpha: float = 0.05,
    power: float = 0.8,
    sides: Sides = 2,
    ratio: float = 1.0,
    formula: Formula = "schoenfeld",
) -> float:
    """Departures in both arms together, not rounded.

    Parameters
    ----------
    hazard_ratio : float
        Of departure, compared to reference.
    ratio : float
        Clients in the compared arm for each one in the reference arm.
    formula : {"schoenfeld", "freedman"}
        Schoenfeld 1983 (Biometrics 39:499), or the larger number of Freedman 1982 (Statistics in Medicine
        1:121).

    Examples
    --------
    >>> round(departures_needed(0.5), 2), round(departures_needed(0.5, formula="freedman"), 2)
    (65.35, 70.64)
    """
    check_share(alpha, name="alpha")
    check_share(power, name="power")
    quantiles = float(ndtri(1.0 - alpha / sides) + ndtri(power))
    return quantiles**2 / _information(hazard_ratio, ratio, formula)


def log_rank_power(
    hazard_ratio: float,
    departures: float,
    *,
    alpha: float = 0.05,
    sides: Sides = 2,
    ratio: float = 1.0,
    formula: Formula = "schoenfeld",
) -> float:
    """Power of the log-rank test with an expected number of departures in both arms together.

    Examples
    --------
    >>> round(log_rank_power(0.5, 65.35), 3)
    0.8
    """
    check_share(alpha, name="alpha")
    if hazard_ratio == 1.0:
        return alpha
    distance = math.sqrt(departures * _information(hazard_ratio, ratio, formula))
    return float(ndtr(distance - float(ndtri(1.0 - alpha / sides))))


def expected_departures(reference: float, compared: float, clients: tuple[float, float]) -> float:
    """Departures until the horizon, given the shares retained there and the clients per arm.

    Everybody is followed to the horizon: recruitment over time changes nothing here, since each client's
    clock starts at the own allocation.
    """
    return clients[0] * (1.0 - reference) + clients[1] * (1.0 - compared)


def departures_by_accrual(
    hazard: float, clients: float, *, accrual: float, follow_up: float, lost: float = 0.0
) -> float:
    r"""Departures seen by a fixed calendar date, with constant hazards and steady recruitment.

    Parameters
    ----------
    hazard : float
        Of departure, per unit of time.
    clients : float
        Recruited evenly over ``accrual``.
    accrual, follow_up : float
        Length of recruitment, and time from its end to the date; same unit.
    lost : float
        Hazard of being lost to follow-up for another reason.

    Notes
    -----
    :math:`\frac{\lambda}{\lambda+\eta}\left(1-\frac{e^{-(\lambda+\eta)f}-e^{-(\lambda+\eta)(a+f)}}
    {(\lambda+\eta)a}\right)` of the clients; Lachin & Foulkes 1986, Biometrics 42:507 (formula from memory).

    Examples
    --------
    >>> round(departures_by_accrual(0.5, 100, accrual=1.0, follow_up=2.0), 1)
    71.1
    """
    if not hazard > 0.0 or not accrual > 0.0 or follow_up < 0.0 or lost < 0.0:
        raise ArgumentError(
            where="departures_by_accrual", expected="a hazard and a length of recruitment above 0",
            got=f"{hazard}, {accrual}, {follow_up}, {lost}",
        )  # fmt: skip
    total = hazard + lost
    still = math.exp(-total * follow_up) * -math.expm1(-total * accrual) / (total * accrual)
    return clients * hazard / total * (1.0 - still)


def clients_for_log_rank(
    hazard_ratio: float,
    hazard: float,
    *,
    accrual: float,
    follow_up: float,
    lost: float = 0.0,
    alpha: float = 0.05,
    power: float = 0.8,
    ratio: float = 1.0,
    formula: Formula = "schoenfeld",
) -> tuple[float, float]:
    """Clients in the reference and in the compared arm, by a fixed calendar date, not rounded.

    Parameters
    ----------
    hazard_ratio : float
        Of departure, compared to reference.
    hazard : float
        Of departure in the reference arm, per unit of time.
    accrual, follow_up, lost
        As in `departures_by_accrual`.
    alpha, power, ratio, formula
        As in `departures_needed`.

    Examples
    --------
    70 of 100 stay half a year; all join within a year and are followed for half a year after that.

    >>> import math
    >>> rate = -math.log(0.70) / 0.5
    >>> [round(clients) for clients in clients_for_log_rank(0.6, rate, accrual=1.0, follow_up=0.5)]
    [143, 143]
    """
    needed = departures_needed(hazard_ratio, alpha=alpha, power=power, ratio=ratio, formula=formula)
    share = 1.0 / (1.0 + ratio)
    seen = departures_by_accrual(
        hazard, share, accrual=accrual, follow_up=follow_up, lost=lost
    ) + departures_by_accrual(
        hazard * hazard_ratio, 1.0 - share, accrual=accrual, follow_up=follow_up, lost=lost
    )
    return needed / seen * share, needed / seen * (1.0 - share)
