"""Marginal risks: averaged over the random effects and over the rows, with delta-method uncertainty.

The risk of a row is the integral of the inverse link at ``x'beta + tau t`` over a standard normal ``t``;
``tau^2`` is the variance of its random effects together. The trapezoidal rule on an even grid is exact to
rounding here: the integrand is analytic around the real line (Trefethen & Weideman 2014, SIAM Rev 56:385).
Derivatives by coefficients and by the elements of ``Lambda_k`` carry the uncertainty of both, by the delta
method. At a deviation of zero the derivative by it is zero: a variance at the boundary adds no width.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.binary_links import Link
from studykit.mixed.parameters import triangle
from studykit.results import Estimate, Interval, Result

Array = NDArray[np.float64]

REACH = 8.5  # standard deviations of the random effect that the grid covers
STEP = 0.1  # of the grid, up to a deviation of three on the link scale
BATCH = 4000  # rows integrated at once, to bound the memory


@dataclass(frozen=True, slots=True)
class MarginalRisk(Result):
    """One risk, averaged over random effects and rows.

    Parameters
    ----------
    value, standard_error : float
        Probability, and its delta-method standard error.
    log_odds : Estimate
        The same on the log-odds scale, on which intervals are made.
    """

    value: float
    standard_error: float
    log_odds: Estimate

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """Symmetric on the log-odds scale."""
        return self.log_odds.confidence_interval(confidence_level).transformed(_logistic)


@dataclass(frozen=True, slots=True)
class RiskRatio(Result):
    """Ratio of two risks.

    Parameters
    ----------
    value : float
    log : Estimate
        Logarithm of the ratio, on which the interval and the p-value are made.
    """

    value: float
    log: Estimate

    @property
    def p_value(self) -> float:
        """Two-sided, against a ratio of one."""
        return self.log.p_value

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """Symmetric on the log scale."""
        return self.log.confidence_interval(confidence_level).transformed(math.exp)


@dataclass(frozen=True, slots=True)
class StandardisedRisks(Result):
    """What would happen to the same clients under two settings of the fixed effects.

    Parameters
    ----------
    compared, reference : MarginalRisk
    difference : Estimate
        Compared minus reference.
    ratio : RiskRatio
        Compared over reference.
    rows : int
        Rows averaged over, weighted by their trials.
    """

    compared: MarginalRisk
    reference: MarginalRisk
    difference: Estimate
    ratio: RiskRatio
    rows: int


@dataclass(frozen=True, slots=True, eq=False)
class AverageRisk:
    """A risk with its derivatives by coefficients and factor elements, in the user's units."""

    value: float
    gradient: Array


def average_risk(
    link: Link, X: Array, beta: Array, designs: tuple[Array, ...], factors: tuple[Array, ...], weights: Array
) -> AverageRisk:
    """Risk averaged over rows ``X`` (n, p) with weights (n,), and over the random effects."""
    table = np.column_stack([X, *designs])
    rows, codes = np.unique(table, axis=0, return_inverse=True)
    share = np.bincount(codes.ravel(), weights, len(rows)) / weights.sum()
    p = X.shape[1]
    ends = np.cumsum([p, *(design.shape[1] for design in designs)])
    pieces = np.split(rows, ends[:-1], axis=1)[1:]
    turned = [piece @ factor for piece, factor in zip(pieces, factors, strict=True)]
    tau = np.sqrt(sum(((part**2).sum(axis=1) for part in turned), np.zeros(len(rows))))
    mean, by_eta, by_tau = integrate(link, rows[:, :p] @ beta, tau)
    by_half_variance = np.divide(by_tau, tau, out=np.zeros_like(tau), where=tau > 0.0)
    gradient = [rows[:, :p].T @ (share * by_eta)]
    for piece, part in zip(pieces, turned, strict=True):
        whole = piece.T @ (part * (share * by_half_variance)[:, None])
        gradient.append(whole[triangle(len(whole))])
    return AverageRisk(float(share @ mean), np.concatenate(gradient))


def integrate(link: Link, eta: Array, tau: Array) -> tuple[Array, Array, Array]:
    """Means (n,) of the inverse link over ``eta + tau t``, and their derivatives by ``eta`` and ``tau``."""
    step = STEP / max(1.0, float(tau.max(initial=0.0)) / 3.0)
    half = int(np.ceil(REACH / step))
    t = step * np.arange(-half, half + 1)
    density = np.exp(-0.5 * t * t)
    density /= density.sum()
    parts = []
    for start in range(0, len(eta), BATCH):
        batch = slice(start, start + BATCH)
        probability, slope = link.probability(eta[batch, None] + tau[batch, None] * t)
        parts.append(np.stack([probability @ density, slope @ density, slope @ (density * t)]))
    mean, by_eta, by_tau = np.concatenate(parts, axis=1)
    return mean, by_eta, by_tau


def combine(
    compared: AverageRisk,
    reference: AverageRisk,
    covariance: Array,
    *,
    degrees_of_freedom: tuple[float, float],
    method: str,
    rows: int,
) -> StandardisedRisks:
    """Risks, difference and ratio; degrees of freedom of one risk and of the comparison."""
    single, comparing = degrees_of_freedom

    def error(gradient: Array) -> float:
        return math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))

    def risk(part: AverageRisk) -> MarginalRisk:
        deviation = error(part.gradient)
        odds = part.value / (1.0 - part.value)
        log_odds = Estimate(math.log(odds), deviation / (part.value * (1.0 - part.value)), single, method)
        return MarginalRisk(part.value, deviation, log_odds)

    difference = Estimate(
        compared.value - reference.value, error(compared.gradient - reference.gradient), comparing, method
    )
    ratio = compared.value / reference.value
    relative = compared.gradient / compared.value - reference.gradient / reference.value
    log_ratio = Estimate(math.log(ratio), error(relative), comparing, method)
    return StandardisedRisks(risk(compared), risk(reference), difference, RiskRatio(ratio, log_ratio), rows)


def _logistic(x: float) -> float:
    return float(0.5 + 0.5 * np.tanh(0.5 * x))
