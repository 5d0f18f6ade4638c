r"""Score statistics of a stratified difference or ratio of two shares, and their inversion, many at once.

Legend, per stratum: reference arm with :math:`x_0` of :math:`n_0` retained, compared arm with :math:`x_1` of
:math:`n_1`, :math:`N=n_0+n_1`, weight :math:`w` (shares of one). Variances are taken at the shares that
maximise the likelihood under the value in question, with the factor N / (N − 1) of Miettinen & Nurminen
(1985, Statistics in Medicine 4:213). With weights :math:`n_1n_0/N` the squared statistic at no difference is
the Mantel-Haenszel chi-squared without correction, so test and interval agree.

Arrays have shape (..., s): leading axes are data sets, the last one strata. A stratum with an empty arm must
have weight 0.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Statistic = Callable[[Floats], Floats]

BISECTIONS = 60  # halves an interval of length 2 down to rounding
POINTS = (
    256  # on the way to an end of an interval over strata: where the statistic turns back, it does so wider
)
NUMBERS_AT_ONCE = 20_000


def shares_at_difference(
    difference: Floats, x0: Floats, n0: Floats, x1: Floats, n1: Floats
) -> tuple[Floats, Floats]:
    """Most likely shares (reference, compared) whose difference, compared minus reference, is given.

    The middle root of a cubic, by its trigonometric solution (Miettinen & Nurminen 1985, appendix I).
    Inputs broadcast against each other.
    """
    total, retained = n0 + n1, x0 + x1
    size = np.maximum(total, 1.0)
    d = difference
    c2 = ((n1 + 2.0 * n0) * d - total - retained) / size
    c1 = ((n0 * d - total - 2.0 * x0) * d + retained) / size
    c0 = x0 * d * (1.0 - d) / size
    q = c2**3 / 27.0 - c1 * c2 / 6.0 + c0 / 2.0
    p = np.sqrt(np.maximum(c2**2 / 9.0 - c1 / 3.0, 0.0))
    p = np.where(q < 0.0, -p, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        cosine = np.where(p != 0.0, q / p**3, 0.0)
    angle = (np.pi + np.arccos(np.clip(cosine, -1.0, 1.0))) / 3.0
    reference = 2.0 * p * np.cos(angle) - c2 / 3.0
    reference = np.clip(reference, np.maximum(0.0, -d), np.minimum(1.0, 1.0 - d))
    return reference, np.clip(reference + d, 0.0, 1.0)


def shares_at_ratio(ratio: Floats, x0: Floats, n0: Floats, x1: Floats, n1: Floats) -> tuple[Floats, Floats]:
    """Most likely shares (reference, compared) whose ratio, compared to reference, is given.

    The smaller root of a quadratic (Koopman 1984; Miettinen & Nurminen 1985).
    """
    a = (n0 + n1) * ratio
    b = n1 * ratio + x1 + n0 + x0 * ratio
    c = x0 + x1
    root = np.sqrt(np.maximum(b * b - 4.0 * a * c, 0.0))
    reference = np.where(b + root > 0.0, 2.0 * c / np.maximum(b + root, 1e-300), 0.0)
    reference = np.clip(reference, 0.0, np.minimum(1.0, 1.0 / np.maximum(ratio, 1e-300)))
    return reference, np.clip(reference * ratio, 0.0, 1.0)


def difference_statistic(x0: Floats, n0: Floats, x1: Floats, n1: Floats, weights: Floats) -> Statistic:
    """Score statistic of a weighted difference as a function of the difference, shape (...)."""
    estimate = np.sum(weights * (_share(x1, n1) - _share(x0, n0)), axis=-1)
    factor = weights**2 * _small_sample_factor(n0 + n1)

    def statistic(difference: Floats) -> Floats:
        p0, p1 = shares_at_difference(difference[..., None], x0, n0, x1, n1)
        variance = np.sum(factor * (_spread(p0, n0) + _spread(p1, n1)), axis=-1)
        return _standardised(estimate - difference, variance)

    return statistic


def ratio_statistic(x0: Floats, n0: Floats, x1: Floats, n1: Floats, weights: Floats) -> Statistic:
    """Score statistic of a ratio of weighted shares as a function of the log ratio, shape (...)."""
    above = np.sum(weights * _share(x1, n1), axis=-1)
    below = np.sum(weights * _share(x0, n0), axis=-1)
    factor = weights**2 * _small_sample_factor(n0 + n1)

    def statistic(log_ratio: Floats) -> Floats:
        ratio = np.exp(log_ratio)
        p0, p1 = shares_at_ratio(ratio[..., None], x0, n0, x1, n1)
        variance = np.sum(factor * (ratio[..., None] ** 2 * _spread(p0, n0) + _spread(p1, n1)), axis=-1)
        return _standardised(above - ratio * below, variance)

    return statistic


def farthest_kept(statistic: Statistic, quantile: float, path: Floats) -> Floats:
    """The value farthest out, towards the start of a path, that the statistic does not reject.

    Parameters
    ----------
    statistic : callable
    quantile : float
        Values whose statistic is farther from zero are rejected.
    path : ndarray, shape (k, ...)
        Values from the outside in, the last one the estimate; as close as the statistic may turn back on
        its way: the ends are enough where it cannot, see `path_out`.

    Returns
    -------
    ndarray, shape (...)
        Found by bisection between the first value of the path that is kept and the one before.
    """
    pieces = np.array_split(path, 1 + path.size // NUMBERS_AT_ONCE)
    kept = np.abs(np.concatenate([statistic(piece) for piece in pieces])) <= quantile
    kept[-1] = True
    first = kept.argmax(axis=0)[None]
    inside, outside = (np.take_along_axis(path, place, 0)[0] for place in (first, np.maximum(first - 1, 0)))
    for _ in range(BISECTIONS):
        middle = 0.5 * (inside + outside)
        good = np.abs(statistic(middle)) <= quantile
        inside, outside = np.where(good, middle, inside), np.where(good, outside, middle)
    return np.asarray(inside)


def path_out(outside: Floats, inside: Floats, strata: int) -> Floats:
    """Values (k, ...) from ``outside`` to ``inside``: both ends for one stratum, many values for several.

    In one stratum the statistic falls with the value asked about. Over several strata with fixed weights it
    may turn back where a stratum in which all, or none, were retained begins to have a variance.
    """
    return np.linspace(outside, inside, 2 if strata == 1 else POINTS)


def _share(x: Floats, n: Floats) -> Floats:
    return np.asarray(x / np.maximum(n, 1.0))


def _spread(p: Floats, n: Floats) -> Floats:
    return np.asarray(p * (1.0 - p) / np.maximum(n, 1.0))


def _small_sample_factor(total: Floats) -> Floats:
    return np.asarray(total / np.maximum(total - 1.0, 1.0))


def _standardised(distance: Floats, variance: Floats) -> Floats:
    """Distance in standard errors; a distance of nothing over nothing counts as none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        z = distance / np.sqrt(variance)
    return np.asarray(np.where(np.abs(distance) < 1e-15, 0.0, z))
