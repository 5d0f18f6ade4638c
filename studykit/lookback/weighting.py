r"""Pooled logistic models for many sets of case weights at once, as the weights of clones need them.

One model per resample of clients, all on the same rows: the resample only changes how often each row counts,
so that normal equations of all resamples are one matrix product. A weak penalty (a normal prior with standard
deviation 2 per standard deviation of a covariate) keeps the fit of a resample finite where a trainer happens
to have started nobody; the intercept is free.

Weighted retention curves of two sets of clones, for many sets of weights at once.

Rows are stretches (start, stop] of one clone with one weight; the last may end with a departure. For each
row of weights: :math:`\hat S(t)=\prod_{u\le t}(1-N_u/Y_u)` with :math:`N_u=\sum w\,dN` and
:math:`Y_u=\sum w` over those at risk on day u. The one ratio of hazards is that of the weighted partial
likelihood with one yes-or-no covariate, ties by Breslow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.special import expit

from studykit.lookback.log import Bools, Floats, Integers

PRIOR_STANDARD_DEVIATION = 2.0
ITERATIONS = 30
FEW_SETS = 5  # below, products of columns are not worth their memory
TOLERANCE = 1e-8  # of a coefficient per standard deviation of its covariate


@dataclass(frozen=True, slots=True, eq=False)
class LogisticFits:
    """Fitted models, one per set of case weights.

    Parameters
    ----------
    coefficients : ndarray, shape (m, p + 1)
        Of the design as standardised; the intercept first.
    chance : ndarray, shape (m, n)
        Fitted chance of a yes in each row.
    information : ndarray, shape (m, p + 1, p + 1)
        Penalised.
    design : ndarray, shape (n, p + 1)
        Intercept and standardised covariates.
    converged : ndarray of bool, shape (m,)
    """

    coefficients: Floats
    chance: Floats
    information: Floats
    design: Floats
    converged: Bools


def fit_logistic(
    covariates: Floats,
    outcome: Bools,
    case_weights: Floats,
    *,
    start: Floats | None = None,
    prior_standard_deviation: float = PRIOR_STANDARD_DEVIATION,
) -> LogisticFits:
    """Fit one penalised logistic model per set of case weights, by Newton's method.

    Parameters
    ----------
    covariates : ndarray, shape (n, p)
        Without intercept; constant columns do no harm.
    outcome : ndarray of bool, shape (n,)
    case_weights : ndarray, shape (m, n)
        How often each row counts.
    start : ndarray, shape (p + 1,), optional
        Coefficients to begin from.
    prior_standard_deviation : float
        Infinite for no penalty.

    Examples
    --------
    >>> fit = fit_logistic(np.zeros((4, 1)), np.array([True, False, False, False]), np.ones((1, 4)))
    >>> fit.chance[0].round(4).tolist()
    [0.25, 0.25, 0.25, 0.25]
    """
    spread = covariates.std(axis=0)
    scaled = (covariates - covariates.mean(axis=0)) / np.where(spread > 0.0, spread, 1.0)
    design = np.column_stack((np.ones(len(scaled)), scaled))
    size = design.shape[1]
    upper = np.triu_indices(size)
    few = len(case_weights) < FEW_SETS
    products = np.empty((0, 0)) if few else design[:, upper[0]] * design[:, upper[1]]
    penalty = np.full(size, prior_standard_deviation**-2)
    penalty[0] = 0.0
    m = len(case_weights)
    beta = np.zeros((m, size)) if start is None else np.tile(start, (m, 1))
    yes = outcome.astype(float)
    converged = np.zeros(m, dtype=bool)
    for _ in range(ITERATIONS):
        chance = expit(beta @ design.T)
        score = (case_weights * (yes - chance)) @ design - penalty * beta
        spreads = case_weights * chance * (1.0 - chance)
        if few:
            information = np.array([design.T @ (one[:, None] * design) for one in spreads])
        else:
            information = _symmetric(spreads @ products, upper, size)
        information[:, np.arange(size), np.arange(size)] += penalty
        step = np.linalg.solve(information, score[:, :, None])[:, :, 0]
        longest = np.abs(step).max(axis=1)
        beta = beta + step / np.maximum(longest / 2.0, 1.0)[:, None]  # no leap where the curve is flat
        converged = longest < TOLERANCE
        if converged.all():
            break
    return LogisticFits(beta, expit(beta @ design.T), information, design, converged)


def _symmetric(packed: Floats, upper: tuple[NDArray[np.intp], NDArray[np.intp]], size: int) -> Floats:
    full = np.zeros((len(packed), size, size))
    full[:, upper[0], upper[1]] = packed
    full[:, upper[1], upper[0]] = packed
    return full


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Follow-up of one set of clones, cut at the days on which weights change.

    Parameters
    ----------
    client : ndarray of int, shape (k,)
        Whose clone; the stretches of one clone follow each other.
    start, stop : ndarray of int, shape (k,)
        Days since time zero, ``start < stop``.
    departed : ndarray of bool, shape (k,)
        Whether the stretch ends with a departure.
    row : ndarray of int, shape (k,)
        Place of the weight that holds during the stretch among the rows of decisions, -1 for 1.
    """

    client: Integers
    start: Integers
    stop: Integers
    departed: Bools
    row: Integers


@dataclass(frozen=True, slots=True, eq=False)
class DailySums:
    """Weighted departures and numbers at risk, by day from 1 to the horizon; shape (m, days)."""

    departures: Floats
    at_risk: Floats

    def hazard(self) -> Floats:
        """Share of those at risk who leave that day; 0 where nobody is at risk."""
        known = self.at_risk > 1e-9
        return np.where(known, self.departures / np.where(known, self.at_risk, 1.0), 0.0)

    def curve(self) -> Floats:
        """Share still training, after day 0, 1, …; shape (m, days + 1)."""
        steps = np.cumprod(1.0 - self.hazard(), axis=1)
        return np.concatenate((np.ones((steps.shape[0], 1)), steps), axis=1)


def daily_sums(stretches: Stretches, weights: Floats, horizon: int) -> DailySums:
    """Weighted sums by day; departures after the horizon are not counted.

    Parameters
    ----------
    stretches : Stretches
    weights : ndarray, shape (m, k)
        One set of weights per row.
    horizon : int
        Last day.

    Examples
    --------
    >>> two = Stretches(np.array([0, 1]), np.array([0, 0]), np.array([3, 5]), np.array([True, False]),
    ...                 np.array([-1, -1]))
    >>> daily_sums(two, np.array([[1.0, 3.0]]), 4).curve().tolist()
    [[1.0, 1.0, 1.0, 0.75, 0.75]]
    """
    count = len(stretches.client)
    rows = np.arange(count)
    inside = stretches.departed & (stretches.stop <= horizon)
    leaving = csr_array(
        (np.ones(int(inside.sum())), (rows[inside], stretches.stop[inside] - 1)), shape=(count, horizon)
    )
    begins = np.minimum(stretches.start, horizon)
    ends = np.minimum(stretches.stop, horizon)
    changes = csr_array(
        (np.r_[np.ones(count), -np.ones(count)], (np.r_[rows, rows], np.r_[begins, ends])),
        shape=(count, horizon + 1),
    )
    present = np.cumsum((changes.T @ weights.T).T, axis=1)[:, :horizon]
    return DailySums(np.asarray((leaving.T @ weights.T).T), np.maximum(present, 0.0))


def log_hazard_ratio(compared: DailySums, reference: DailySums) -> Floats:
    """Logarithm of the ratio of hazards, one per set of weights; infinite where one side has no departure.

    Examples
    --------
    >>> one = DailySums(np.array([[1.0, 1.0]]), np.array([[10.0, 9.0]]))
    >>> two = DailySums(np.array([[2.0, 2.0]]), np.array([[10.0, 8.0]]))
    >>> round(float(log_hazard_ratio(one, two)[0]), 4)
    -0.7526
    """
    gone = compared.departures + reference.departures
    informative = (compared.at_risk > 0.0) & (reference.at_risk > 0.0)
    left = np.where(informative, compared.departures, 0.0).sum(axis=1)
    left_reference = np.where(informative, reference.departures, 0.0).sum(axis=1)
    beta = np.zeros(len(left))
    free = (left > 0.0) & (left_reference > 0.0)
    for _ in range(100):
        risk = compared.at_risk * np.exp(beta)[:, None]
        total = np.where(informative, risk + reference.at_risk, 1.0)
        share = np.where(informative, risk / total, 0.0)
        score = left - (gone * share).sum(axis=1)
        information = (gone * share * (1.0 - share)).sum(axis=1)
        step = np.where(free, np.clip(score / np.maximum(information, 1e-300), -1.0, 1.0), 0.0)
        beta = beta + step
        if np.abs(step).max(initial=0.0) < 1e-12:
            break
    return np.where(free, beta, np.where(left > 0.0, np.inf, -np.inf))
