"""Assurance: the probability of success when the effect itself is uncertain."""

from __future__ import annotations

import math

from scipy.special import ndtr, ndtri

from studykit.errors import ArgumentError
from studykit.planning.power import check_share


def assurance(mean: float, variance: float, standard_error: float, *, alpha: float = 0.05) -> float:
    r"""Probability that a study rejects in the direction of the expected effect, averaged over a prior.

    Parameters
    ----------
    mean, variance : float
        Of a normal prior for the effect; ``variance >= 0``, and 0 gives the power at ``mean``.
    standard_error : float
        Of the study's estimate, ``> 0``.
    alpha : float
        Two-sided type I error.

    Notes
    -----
    :math:`\Phi\{(m - z_{1-\alpha/2}\tau)/\sqrt{\tau^2+v}\}`, O'Hagan, Stevens & Campbell 2005, Pharmaceutical
    Statistics 4:187. However large the study, it stays below :math:`\Phi(m/\sqrt v)`.

    Examples
    --------
    >>> round(assurance(0.5, 0.04, (2 / 64) ** 0.5), 6)
    0.717406
    """
    check_share(alpha, name="alpha")
    if variance < 0.0 or not standard_error > 0.0:
        raise ArgumentError(
            where="assurance", expected="a variance of 0 or more and a standard error above 0",
            got=f"{variance}, {standard_error}",
        )  # fmt: skip
    critical = float(ndtri(1.0 - alpha / 2.0)) * standard_error
    return float(ndtr((mean - critical) / math.sqrt(standard_error**2 + variance)))
