r"""Sessions attended as an outcome: how many, how spread, and what a study can tell about them.

A client comes at an own rate, spread between clients, until leaving; the share still there at time :math:`t`
of the horizon :math:`H` is :math:`R^{(t/H)^k}`. With :math:`T=\min(\text{time to leaving}, H)`,
:math:`E[T]=\int S`, :math:`E[T^2]=2\int tS`, and sessions given rate and time Poisson.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from studykit.errors import ArgumentError
from studykit.planning.power import detectable_difference, expected_half_width

_POINTS, _WEIGHTS = np.polynomial.legendre.leggauss(200)


@dataclass(frozen=True, slots=True)
class SessionsAttended:
    """Sessions of a client until the horizon.

    Parameters
    ----------
    mean, sd : float
        Over clients.
    """

    mean: float
    sd: float


def sessions_attended(
    retained: float, *, weeks: float, a_week: float, spread: float, shape: float
) -> SessionsAttended:
    """Mean and spread of the sessions that clients attend until a horizon.

    Parameters
    ----------
    retained : float
        Share still training at the horizon.
    weeks : float
        To the horizon.
    a_week : float
        Sessions attended in a week by a client who still comes, on average.
    spread : float
        Of that number between clients, as a share of it.
    shape : float
        Of the retention curve; below 1, most leave early.

    Examples
    --------
    >>> found = sessions_attended(0.7, weeks=26, a_week=1.52, spread=0.3, shape=0.85)
    >>> round(found.mean, 1), round(found.sd, 1)
    (32.8, 17.0)
    """
    if not 0.0 < retained < 1.0 or not min(weeks, a_week, shape) > 0.0 or spread < 0.0:
        raise ArgumentError(
            where="sessions_attended", expected="a share between 0 and 1, and numbers above 0",
            got=f"{retained}, {weeks}, {a_week}, {spread}, {shape}",
        )  # fmt: skip
    # the curve is steep at the start: points are set by the square of their place
    place = (_POINTS + 1.0) / 2.0
    time, weights = place**2, _WEIGHTS * place
    still = retained ** (time**shape)
    first = float(np.sum(weights * still))
    second = float(2.0 * np.sum(weights * time * still))
    rate = a_week * weeks
    mean = rate * first
    variance = rate**2 * (1.0 + spread**2) * second - mean**2 + mean
    return SessionsAttended(mean, math.sqrt(variance))


@dataclass(frozen=True, slots=True)
class SessionsPoint:
    """What a number of clients tells about the sessions attended.

    Parameters
    ----------
    mean : float
        Sessions of a client in the reference arm.
    half_width, detectable : float
        Sessions: reach of the interval to either side, and difference found with the wanted power.
    clients_ratio : float
        Clients needed to find one and the same difference in leaving, for sessions over those for the share
        still training.
    """

    mean: float
    half_width: float
    detectable: float
    clients_ratio: float


def sessions_at(
    reference: SessionsAttended,
    compared: SessionsAttended,
    shares: tuple[float, float],
    clients: tuple[float, float],
    *,
    alpha: float,
    power: float,
    confidence_level: float,
) -> SessionsPoint:
    """What a number of clients tells about the sessions attended.

    Parameters
    ----------
    reference, compared : SessionsAttended
        Under one and the same difference in leaving.
    shares : (float, float)
        Still training at the horizon, under that difference.
    clients : (float, float)
        In either arm.
    alpha, power, confidence_level : float
    """
    n0, n1 = clients
    error, freedom = math.sqrt(reference.sd**2 * (1.0 / n0 + 1.0 / n1)), n0 + n1 - 2.0
    by_share = sum(share * (1.0 - share) for share in shares) / (shares[1] - shares[0]) ** 2
    by_count = (reference.sd**2 + compared.sd**2) / (compared.mean - reference.mean) ** 2
    return SessionsPoint(
        mean=reference.mean,
        half_width=expected_half_width(error, degrees_of_freedom=freedom, confidence_level=confidence_level),
        detectable=detectable_difference(error, degrees_of_freedom=freedom, power=power, alpha=alpha),
        clients_ratio=by_count / by_share,
    )
