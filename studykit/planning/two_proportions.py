"""Closed forms for two shares, and the exact power of the score test by enumeration."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammaln, ndtr, ndtri, xlog1py, xlogy

from studykit.errors import ArgumentError
from studykit.planning.means import Needed
from studykit.planning.power import Sides, check_share, crossing
from studykit.retention.score_statistics import difference_statistic, farthest_kept, path_out

Floats = NDArray[np.float64]
Variance = Literal["pooled", "unpooled"]
ENUMERATED_CLIENTS = 300  # per arm: above, the enumeration takes longer than it teaches


def _check_shares(*shares: float) -> None:
    for share in shares:
        if not 0.0 <= share <= 1.0:
            raise ArgumentError(where="shares", expected="numbers from 0 to 1", got=repr(share))


def shares_power(
    reference: float,
    compared: float,
    clients_per_arm: float,
    *,
    ratio: float = 1.0,
    alpha: float = 0.05,
    sides: Sides = 2,
    variance: Variance = "pooled",
) -> float:
    """Power of the comparison of two shares, by the normal approximation; the far tail is left out.

    Parameters
    ----------
    reference, compared : float
        True shares.
    clients_per_arm : float
        In the reference arm; the other has ``ratio`` times as many.
    variance : {"pooled", "unpooled"}
        Standard error under no difference from the pooled share, or from the two shares.

    Examples
    --------
    The help page of R's power.prop.test.

    >>> round(shares_power(0.5, 0.75, 50), 7)
    0.7401659
    """
    _check_shares(reference, compared)
    check_share(alpha, name="alpha")
    n0, n1 = clients_per_arm, ratio * clients_per_arm
    apart = math.sqrt(reference * (1.0 - reference) / n0 + compared * (1.0 - compared) / n1)
    middle = (n0 * reference + n1 * compared) / (n0 + n1)
    null = math.sqrt(middle * (1.0 - middle) * (1.0 / n0 + 1.0 / n1)) if variance == "pooled" else apart
    distance = abs(compared - reference) - float(ndtri(1.0 - alpha / sides)) * null
    if apart == 0.0:
        return float(distance > 0.0)
    return float(ndtr(distance / apart))


def clients_for_shares(
    reference: float,
    compared: float,
    *,
    alpha: float = 0.05,
    power: float = 0.8,
    sides: Sides = 2,
    variance: Variance = "pooled",
    continuity: bool = False,
) -> Needed:
    """Clients per arm for a difference of two shares.

    Parameters
    ----------
    reference, compared : float
        True shares, not the same.
    continuity : bool
        Whether the correction of Casagrande, Pike & Smith 1978 and Fleiss, Tytun & Ury 1980 (Biometrics
        36:343) is added: n / 4 (1 + sqrt(1 + 4 / (n |difference|)))².

    Raises
    ------
    ArgumentError
        If the shares are the same.

    Examples
    --------
    >>> round(clients_for_shares(0.5, 0.75, power=0.9).raw, 5)
    76.70693
    """
    if reference == compared:
        raise ArgumentError(where="shares", expected="two different shares", got=repr(reference))
    check_share(power, name="power")
    raw = crossing(
        lambda number: shares_power(reference, compared, number, alpha=alpha, sides=sides, variance=variance),
        power,
        least=0.5,
    )
    if continuity:
        raw = raw / 4.0 * (1.0 + math.sqrt(1.0 + 4.0 / (raw * abs(compared - reference)))) ** 2
    return Needed.of(raw)


def share_chances(clients: int, share: float) -> Floats:
    """Probability of every number retained, from none to all."""
    counts = np.arange(clients + 1)
    ways = gammaln(clients + 1) - gammaln(counts + 1) - gammaln(clients - counts + 1)
    return np.asarray(np.exp(ways + xlogy(counts, share) + xlog1py(clients - counts, -share)))


def score_test_power(
    reference: float, compared: float, clients: tuple[int, int], *, alpha: float = 0.05
) -> float:
    """Exact power of the two-sided score test that belongs to the score interval, by enumeration.

    Parameters
    ----------
    reference, compared : float
        True shares.
    clients : (int, int)
        In the reference and in the compared arm, at most 300 each.

    Notes
    -----
    Rejects where the squared difference over its variance at the pooled share, with the factor N / (N - 1)
    of Miettinen & Nurminen 1985, passes the normal quantile: the interval then leaves out 0. At
    ``compared == reference`` it is the size of the test.

    Examples
    --------
    >>> round(score_test_power(0.7, 0.85, (121, 121)), 3)
    0.809
    """
    _check_shares(reference, compared)
    n0, n1 = clients
    if not (1 <= n0 <= ENUMERATED_CLIENTS and 1 <= n1 <= ENUMERATED_CLIENTS):
        raise ArgumentError(
            where="clients", expected=f"1 to {ENUMERATED_CLIENTS} in each arm", got=repr(clients)
        )
    x0, x1 = np.arange(n0 + 1)[:, None], np.arange(n1 + 1)[None, :]
    total = n0 + n1
    pooled = (x0 + x1) / total
    variance = pooled * (1.0 - pooled) * (1.0 / n0 + 1.0 / n1) * total / (total - 1.0)
    difference = x1 / n1 - x0 / n0
    rejected = difference**2 > float(ndtri(1.0 - alpha / 2.0)) ** 2 * variance
    chance = share_chances(n0, reference)[:, None] * share_chances(n1, compared)[None, :]
    return float(np.sum(chance[rejected & (difference != 0.0)]))


def score_interval_width(
    reference: float, compared: float, clients: tuple[float, float], *, confidence_level: float = 0.95
) -> float:
    """Full width of the score interval of the difference at the expected counts.

    The interval that the analysis uses, put at ``n p`` retained in each arm, whole or not.

    Examples
    --------
    >>> round(score_interval_width(0.6, 0.8, (80, 70)), 2)
    0.29
    """
    _check_shares(reference, compared)
    n0, n1 = (np.array([float(number)]) for number in clients)
    return float(score_widths(n0 * reference, n0, n1 * compared, n1, confidence_level=confidence_level)[0])


def score_widths(
    retained0: Floats,
    clients0: Floats,
    retained1: Floats,
    clients1: Floats,
    *,
    confidence_level: float = 0.95,
) -> Floats:
    """Full widths of the score interval of the difference for many pairs of counts, shape (n,) each.

    Examples
    --------
    >>> counts = (np.array([48.0]), np.array([80.0]), np.array([56.0]), np.array([70.0]))
    >>> round(float(score_widths(*counts)[0]), 2)
    0.29
    """
    x0, n0, x1, n1 = (each[:, None] for each in (retained0, clients0, retained1, clients1))
    statistic = difference_statistic(x0, n0, x1, n1, np.ones(1))
    quantile = float(ndtri(0.5 + confidence_level / 2.0))
    centre = retained1 / clients1 - retained0 / clients0
    ends = np.ones_like(centre)
    lower, upper = (farthest_kept(statistic, quantile, path_out(end, centre, 1)) for end in (-ends, ends))
    return np.asarray(upper - lower)


def detectable_share(
    reference: float, clients_per_arm: float, *, ratio: float = 1.0, alpha: float = 0.05, power: float = 0.8
) -> float | None:
    """The smallest share above the reference that is found with a given power; ``None`` if not even 1 is.

    Examples
    --------
    >>> round(detectable_share(0.7, 30), 2)
    0.96
    """

    def missing(share: float) -> float:
        return shares_power(reference, share, clients_per_arm, ratio=ratio, alpha=alpha) - power

    if missing(1.0) < 0.0:
        return None
    return float(brentq(missing, reference, 1.0))
