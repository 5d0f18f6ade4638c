"""Regression of the score at one visit on the score before allocation: the fallback, and for sensitivity.

The same function serves the composite over exercises and a single exercise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import FitError
from studykit.outcomes.client_facts import fact_columns, independent_columns, label_columns
from studykit.outcomes.trainers import TrainerPlan, unpaired_t
from studykit.records.rows import Clients
from studykit.results import Estimate

Floats = NDArray[np.float64]
LEAST_DEGREES_OF_FREEDOM = 2


@dataclass(frozen=True, slots=True, eq=False)
class Regression:
    """A least-squares fit, with what its contrasts need.

    Parameters
    ----------
    coefficients : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
    residual_standard_deviation, degrees_of_freedom : float
    names : tuple of str
        Columns; the first is the reference arm's mean at average covariates.
    used : ndarray of bool, shape (clients,)
    left_out : tuple of str
        Columns that repeat others and were left out.
    residuals : ndarray, shape (clients,)
        ``nan`` for clients who were not used.
    """

    coefficients: Floats
    covariance: Floats
    residual_standard_deviation: float
    degrees_of_freedom: float
    names: tuple[str, ...]
    used: NDArray[np.bool_]
    left_out: tuple[str, ...]
    residuals: Floats

    def estimate(self, weights: Floats) -> Estimate:
        """A linear combination of the coefficients, with t on the residual degrees of freedom."""
        variance = float(weights @ self.covariance @ weights)
        return Estimate(
            float(weights @ self.coefficients), float(np.sqrt(variance)), self.degrees_of_freedom, "residual"
        )

    def coefficient(self, name: str) -> Estimate:
        """One coefficient by name.

        Raises
        ------
        FitError
            If the column was left out.
        """
        if name not in self.names:
            raise FitError(
                where=f"regression, {name}",
                expected="a column that the others do not repeat",
                got="a repeated or empty column",
            )
        weights = np.zeros(len(self.names))
        weights[self.names.index(name)] = 1.0
        return self.estimate(weights)


def least_squares(
    outcome: Floats, matrix: Floats, names: tuple[str, ...], used: NDArray[np.bool_]
) -> Regression:
    """Ordinary least squares on the rows that are ``used``; columns that repeat others are left out.

    Raises
    ------
    FitError
        With fewer than two residual degrees of freedom.
    """
    own = matrix[used]
    kept = independent_columns(own)
    own = own[:, kept]
    freedom = own.shape[0] - own.shape[1]
    if freedom < LEAST_DEGREES_OF_FREEDOM:
        raise FitError(
            where="regression",
            expected=f"at least {own.shape[1] + LEAST_DEGREES_OF_FREEDOM} clients with a score for "
            f"{own.shape[1]} columns",
            got=f"{own.shape[0]} clients",
            todo="Wait for more tests, or describe the scores.",
        )
    inverse = np.linalg.inv(np.linalg.qr(own, mode="r"))
    unscaled = inverse @ inverse.T
    coefficients = np.asarray(np.linalg.lstsq(own, outcome[used], rcond=None)[0], dtype=float)
    residuals = np.full(used.size, np.nan)
    residuals[used] = outcome[used] - own @ coefficients
    variance = float((residuals[used] ** 2).sum()) / freedom
    return Regression(
        coefficients=coefficients,
        covariance=unscaled * variance,
        residual_standard_deviation=float(np.sqrt(variance)),
        degrees_of_freedom=float(freedom),
        names=tuple(name for name, keep in zip(names, kept, strict=True) if keep),
        used=used,
        left_out=tuple(name for name, keep in zip(names, kept, strict=True) if not keep),
        residuals=residuals,
    )


def regress_on_baseline(
    follow_up: Floats,
    baseline: Floats | None,
    clients: Clients,
    *,
    trainers: TrainerPlan,
    adjust: bool = True,
    with_arms: bool = True,
) -> Regression:
    """Score at a visit on arm, baseline score, stratifiers, covariates and trainer.

    Parameters
    ----------
    follow_up : ndarray, shape (clients,)
        ``nan`` where the client has no score of the visit; such clients are not used.
    baseline : ndarray, shape (clients,), or None
        ``nan`` where missing: replaced by the mean over all clients, with an indicator column.
    clients : Clients
    trainers : TrainerPlan
        Fixed effects where trainers are crossed with arm, whatever their number.
    adjust : bool
        False keeps the baseline score only.
    with_arms : bool
        False leaves out the arms, for analyses of residuals.

    Raises
    ------
    FitError
        If an arm has no score, or clients are too few.
    """
    used = np.isfinite(follow_up)
    names, columns = ["mean"], [np.ones(clients.number)]
    if with_arms:
        for code, arm in enumerate(clients.arm_labels):
            _require_scores(used, clients, code)
            if code:
                names.append(arm)
                columns.append((clients.arm == code).astype(float))
    if baseline is not None:
        known = np.isfinite(baseline)
        if known.any():
            names.append("baseline")
            columns.append(np.where(known, baseline - baseline[known].mean(), 0.0))
        if not known.all():
            names.append("baseline missing")
            columns.append((~known) - float((~known).mean()))
    matrix = np.column_stack(columns)
    if adjust:
        facts = fact_columns(clients)
        names += facts.names
        matrix = np.column_stack([matrix, facts.values])
        if trainers.role in {"fixed", "random"}:
            own = label_columns(trainers.trainer, trainers.labels)
            names += [f"trainer {name}" for name in own.names]
            matrix = np.column_stack([matrix, own.values])
    return least_squares(follow_up, matrix, tuple(names), used)


def compare_clusters(
    follow_up: Floats,
    baseline: Floats | None,
    clients: Clients,
    *,
    trainers: TrainerPlan,
    arm: int,
) -> Estimate:
    """Difference between trainers' mean residuals, t on trainers minus two: for trainers who deliver one arm.

    Notes
    -----
    Two stages (Hayes & Moulton 2017, chapter 10): regression on baseline score and stratifiers without the
    arm,
    then an unpaired t on the mean residual of each trainer; trainers weigh the same.
    """
    fit = regress_on_baseline(follow_up, baseline, clients, trainers=trainers, with_arms=False)
    residual = fit.residuals
    means: list[list[float]] = [[], []]
    for place in range(len(trainers.labels)):
        for side, code in enumerate((0, arm)):
            own = (trainers.trainer == place) & (clients.arm == code) & fit.used
            if own.any():
                means[side].append(float(residual[own].mean()))
    return unpaired_t(means[1], means[0])


def _require_scores(used: NDArray[np.bool_], clients: Clients, code: int) -> None:
    if not (used & (clients.arm == code)).any():
        raise FitError(
            where=f"arm {clients.arm_labels[code]}",
            expected="at least one score at the visit",
            got="none",
            todo="Enter the tests, or analyse later.",
        )
