r"""Two answers from the estimates of k studios, many sets of studios at once.

*These studios*: their own average, weighted by tested clients; its error comes from theirs alone.

*Studios like these*: the mean of a population of studios whose effects differ with variance
:math:`\tau^2` (restricted maximum likelihood), error by Hartung, Knapp, Sidik and Jonkman, never smaller
than the model's own (the modified form), t on k − 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.results import Estimate

Floats = NDArray[np.float64]
_STEPS = 400
_CLOSE = 1e-13


def spread_between_studios(values: Any, variances: Any) -> Floats:
    r"""Restricted maximum likelihood estimate of :math:`\tau^2` by damped Fisher scoring, 0 or above.

    Parameters
    ----------
    values, variances : array_like, shape (m, k)
        Estimates of k studios in m data sets, and their squared errors.

    Returns
    -------
    ndarray, shape (m,)

    Notes
    -----
    Viechtbauer 2005, Journal of Educational and Behavioral Statistics 30:261, equation for the REML step.
    """
    y, v = np.asarray(values, dtype=float), np.asarray(variances, dtype=float)
    k = y.shape[1]
    found = np.maximum(y.var(axis=1, ddof=1) - v.mean(axis=1), 0.01 * v.mean(axis=1))
    moving = np.arange(len(y))  # a set that stands still is not worked on again
    last, damped = np.zeros(len(y)), np.ones(len(y))
    for _ in range(_STEPS):
        own_y, own_v, before = y[moving], v[moving], found[moving]
        w = 1.0 / (own_v + before[:, None])
        total, squares = w.sum(axis=1), (w**2).sum(axis=1)
        mean = (w * own_y).sum(axis=1) / total
        score = (w**2 * (own_y - mean[:, None]) ** 2).sum(axis=1) - total + squares / total
        information = squares - 2.0 * (w**3).sum(axis=1) / total + (squares / total) ** 2
        damped[moving] *= np.where(last[moving] * score < 0.0, 0.5, 1.0)  # or it swings for ever
        last[moving] = score
        found[moving] = np.maximum(before + damped[moving] * score / information, 0.0)
        moving = moving[np.abs(found[moving] - before) > _CLOSE * own_v.mean(axis=1)]
        if not moving.size:
            break
    return found if k > 1 else np.zeros(len(y))


@dataclass(frozen=True, slots=True, eq=False)
class ManyPooled:
    """Answers for m sets of studios; arrays of shape (m,)."""

    value: Floats
    standard_error: Floats
    degrees_of_freedom: Floats


def these_many(values: Any, errors: Any, freedoms: Any, clients: Any) -> ManyPooled:
    """Average of these studios, weighted by tested clients, for arrays of shape (m, k).

    Degrees of freedom by Satterthwaite (1946, Biometrics Bulletin 2:110) from those of the studios.
    """
    weights = np.asarray(clients, dtype=float)
    weights = weights / weights.sum(axis=-1, keepdims=True)
    parts = (weights * np.asarray(errors, dtype=float)) ** 2
    variance = parts.sum(axis=-1)
    freedom = variance**2 / (parts**2 / np.asarray(freedoms, dtype=float)).sum(axis=-1)
    return ManyPooled((weights * np.asarray(values, dtype=float)).sum(axis=-1), np.sqrt(variance), freedom)


def like_many(values: Any, errors: Any, *, cautious: bool = True) -> tuple[ManyPooled, Floats]:
    r"""Mean of studios like these for arrays of shape (m, k), and :math:`\tau^2`.

    ``cautious`` keeps the error at or above the model's own (Roever, Knapp & Friede 2015,
    10.1186/s12874-015-0091-1); without it the plain form of Hartung and Knapp.
    """
    y, v = np.asarray(values, dtype=float), np.asarray(errors, dtype=float) ** 2
    spread = spread_between_studios(y, v)
    w = 1.0 / (v + spread[:, None])
    total, rest = w.sum(axis=1), y.shape[1] - 1.0
    mean = (w * y).sum(axis=1) / total
    seen = (w * (y - mean[:, None]) ** 2).sum(axis=1) / rest
    error = np.sqrt((np.maximum(seen, 1.0) if cautious else seen) / total)
    return ManyPooled(mean, error, np.full(len(y), rest)), spread


def _checked(values: Any, errors: Any) -> tuple[Floats, Floats]:
    y, s = np.asarray(values, dtype=float), np.asarray(errors, dtype=float)
    if y.ndim != 1 or y.shape != s.shape or y.size < 2 or not (s > 0.0).all() or not np.isfinite(y).all():
        raise ArgumentError(
            where="pooling", expected="an estimate and an error above zero of each of two studios or more",
            got=f"shapes {y.shape} and {s.shape}",
        )  # fmt: skip
    return y[None], s[None]


def these_studios(values: Any, errors: Any, freedoms: Any, clients: Any) -> Estimate:
    """The average of these studios, weighted by tested clients; nothing is said of others.

    Parameters
    ----------
    values, errors, freedoms, clients : array_like, shape (k,)
        Of two studios or more.

    Examples
    --------
    >>> found = these_studios([0.03, 0.05], [0.02, 0.02], [30, 30], [40, 40])
    >>> round(found.value, 3), round(found.standard_error, 4), round(found.degrees_of_freedom, 1)
    (0.04, 0.0141, 60.0)
    """
    y, s = _checked(values, errors)
    found = these_many(y, s, np.asarray(freedoms)[None], np.asarray(clients)[None])
    return _estimate(found, "average of these studios by tested clients, Satterthwaite")


def studios_like_these(values: Any, errors: Any, *, cautious: bool = True) -> tuple[Estimate, float]:
    """The mean of studios like these, and the standard deviation between studios.

    Examples
    --------
    >>> found, spread = studios_like_these([0.0, 0.02, 0.06, 0.09], [0.02, 0.02, 0.02, 0.02])
    >>> round(found.value, 4), found.degrees_of_freedom, round(spread, 4)
    (0.0425, 3.0, 0.035)
    """
    y, s = _checked(values, errors)
    found, spread = like_many(y, s, cautious=cautious)
    word = "modified Knapp-Hartung" if cautious else "Knapp-Hartung"
    return _estimate(found, f"restricted maximum likelihood, {word}, studios less one"), float(
        spread[0]
    ) ** 0.5


def one_further_studio(like: Estimate, spread: float) -> Estimate:
    """Where the effect of one further studio may lie: rough, since studios show their spread poorly."""
    error = (like.standard_error**2 + spread**2) ** 0.5
    return Estimate(like.value, error, like.degrees_of_freedom, "one further studio, studios less one")


def _estimate(found: ManyPooled, method: str) -> Estimate:
    return Estimate(
        float(found.value[0]), float(found.standard_error[0]), float(found.degrees_of_freedom[0]), method
    )
