"""Links of a binary outcome: the log-likelihood of one row and its derivatives by the linear predictor.

Symbols of the binary models
----------------------------
===========  ==================================================================================
``y, m``     successes and trials of a row, ``0 <= y <= m``
``eta``      linear predictor: ``X beta + sum Z_k Lambda_k u_k``, with ``u`` standard normal
``Lambda_k`` lower triangular; ``Lambda_k Lambda_k'`` is the covariance of random effect ``k``
``r``        first derivative of a row's log-likelihood by ``eta``
``w``        minus the second derivative: the **observed** weight, for every link
``v``        minus the third derivative: the slope of ``w``
===========  ==================================================================================

For the logit the observed weight is the expected one. For the complementary log-log they differ; the
observed one makes the Laplace approximation what its name says (some software uses the expected one
there, which moves the log-likelihood of the herd disease counts by 0.04).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

Array = NDArray[np.float64]
LinkName = Literal["logit", "cloglog"]

REACH = 300.0  # beyond this a linear predictor changes no probability that a double can hold


@dataclass(frozen=True, slots=True)
class Link:
    """One link.

    Parameters
    ----------
    name : {"logit", "cloglog"}
    log_likelihood : callable
        ``(y, m, eta)`` to the log-likelihood of every row, without the binomial coefficient.
    derivatives : callable
        ``(y, m, eta)`` to ``r, w, v``.
    score : callable
        ``(y, m, eta)`` to ``r``.
    probability : callable
        ``eta`` to the probability of success and its derivative.
    expected : callable
        ``eta`` to the expected weight of one trial and its derivative.
    """

    name: LinkName
    log_likelihood: Callable[[Array, Array, Array], Array]
    derivatives: Callable[[Array, Array, Array], tuple[Array, Array, Array]]
    score: Callable[[Array, Array, Array], Array]
    probability: Callable[[Array], tuple[Array, Array]]
    expected: Callable[[Array], tuple[Array, Array]]


def _logit_log_likelihood(y: Array, m: Array, eta: Array) -> Array:
    return np.asarray(y * eta - m * (np.maximum(eta, 0.0) + np.log1p(np.exp(-np.abs(eta)))))


def _logistic(eta: Array) -> Array:
    return np.asarray(0.5 + 0.5 * np.tanh(0.5 * eta))  # never overflows


def _logit_score(y: Array, m: Array, eta: Array) -> Array:
    return y - m * _logistic(eta)


def _logit_derivatives(y: Array, m: Array, eta: Array) -> tuple[Array, Array, Array]:
    half = np.tanh(0.5 * eta)
    w = 0.25 * m * (1.0 - half * half)
    return y - m * (0.5 + 0.5 * half), w, -w * half


def _logit_probability(eta: Array) -> tuple[Array, Array]:
    half = np.tanh(0.5 * eta)
    return 0.5 + 0.5 * half, 0.25 * (1.0 - half * half)


def _logit_expected(eta: Array) -> tuple[Array, Array]:
    half = np.tanh(0.5 * eta)
    w = 0.25 * (1.0 - half * half)
    return w, -w * half


def _hazard(eta: Array) -> Array:
    return np.exp(np.clip(eta, -REACH, REACH))


def _tail(hazard: Array) -> Array:
    """``hazard / (exp(hazard) - 1)``: the derivative of ``log(1 - exp(-exp(eta)))``."""
    return np.asarray(hazard * np.exp(-hazard) / -np.expm1(-hazard))


def _cloglog_log_likelihood(y: Array, m: Array, eta: Array) -> Array:
    hazard = _hazard(eta)
    return y * np.log(-np.expm1(-hazard)) - (m - y) * hazard


def _cloglog_score(y: Array, m: Array, eta: Array) -> Array:
    hazard = _hazard(eta)
    return y * _tail(hazard) - (m - y) * hazard


def _cloglog_derivatives(y: Array, m: Array, eta: Array) -> tuple[Array, Array, Array]:
    hazard = _hazard(eta)
    tail = _tail(hazard)
    lost = (m - y) * hazard
    bend = hazard + tail - 1.0  # q' = -q (hazard + q - 1)
    w = y * tail * bend + lost
    v = y * tail * (hazard - tail * bend - bend * bend) + lost
    return y * tail - lost, w, v


def _cloglog_probability(eta: Array) -> tuple[Array, Array]:
    hazard = _hazard(eta)
    return -np.expm1(-hazard), hazard * np.exp(-hazard)


def _cloglog_expected(eta: Array) -> tuple[Array, Array]:
    hazard = _hazard(eta)
    w = hazard * _tail(hazard)
    return w, w * (2.0 - hazard - _tail(hazard))


def binomial_constants(y: Array, m: Array) -> Array:
    """Sum over the last axis of the logarithms of the binomial coefficients; zero for single trials."""
    return np.asarray((gammaln(m + 1.0) - gammaln(y + 1.0) - gammaln(m - y + 1.0)).sum(axis=-1))


LINKS: dict[str, Link] = {
    "logit": Link(
        "logit",
        _logit_log_likelihood,
        _logit_derivatives,
        _logit_score,
        _logit_probability,
        _logit_expected,
    ),
    "cloglog": Link(
        "cloglog",
        _cloglog_log_likelihood,
        _cloglog_derivatives,
        _cloglog_score,
        _cloglog_probability,
        _cloglog_expected,
    ),
}
