r"""Two strategies compared by weighting clones: curves, differences, their spread over resamples of clients.

Everything is worked out for many sets of case weights at once, which say how often each client counts in a
resample (once each for the estimate itself). The weight model is refitted in every resample.

Robust standard errors of weighted curves: each client's influence, the fitting of the weights included.

For one side with :math:`\lambda_t=N_t/Y_t` and :math:`S=\prod(1-\lambda_t)`, a client adds
:math:`-S\sum_t w(dN_t-\lambda_t Y_t)/\{(1-\lambda_t)Y_t\}` to the share still training, and through the
weight model :math:`(\partial S/\partial\beta)^T I^{-1}U`, U being the client's score in it. Sums of squares
of these over clients (trainers) give the variance (Lin & Wei 1989; for estimated weights, Robins, Hernán &
Brumback 2000).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from studykit.lookback.clones import (
    Decisions,
    Starters,
    decisions,
    factors,
    running_products,
    stretches,
)
from studykit.lookback.log import Floats, Integers
from studykit.lookback.weighting import (
    DailySums,
    LogisticFits,
    Stretches,
    daily_sums,
    fit_logistic,
    log_hazard_ratio,
)

CELLS_AT_ONCE = 4_000_000  # resamples times rows held in memory together
TRAINERS_RESAMPLED_FROM = 10  # below, clients are resampled within their trainer


@dataclass(frozen=True, slots=True, eq=False)
class ClonedStudy:
    """New starters as clones, ready to be weighted.

    Parameters
    ----------
    starters : Starters
    rows : Decisions
    covariates : ndarray, shape (r, p)
        Of the model for beginning partner reps at a session.
    names : tuple of str
    sides : tuple of Stretches
        Clones that start, clones that refrain.
    horizon : int
    """

    starters: Starters
    rows: Decisions
    covariates: Floats
    names: tuple[str, ...]
    sides: tuple[Stretches, Stretches]
    horizon: int


@dataclass(frozen=True, slots=True, eq=False)
class Weighted:
    """Both sets of clones under m sets of case weights.

    Parameters
    ----------
    fits : LogisticFits
    sides : tuple of (ndarray, ndarray)
        Weights of the stretches without case weights, shape (m, k) each.
    sums : tuple of DailySums
    """

    fits: LogisticFits
    sides: tuple[Floats, Floats]
    sums: tuple[DailySums, DailySums]


@dataclass(frozen=True, slots=True, eq=False)
class Estimates:
    """What is compared, one entry per set of case weights.

    Parameters
    ----------
    start, refrain : ndarray, shape (m, horizon + 1)
        Share still training after each day.
    log_hazard_ratio : ndarray, shape (m,)
    """

    start: Floats
    refrain: Floats
    log_hazard_ratio: Floats

    @property
    def risk_difference(self) -> Floats:
        """Shares that left by the horizon, start minus refrain."""
        return np.asarray(self.refrain[:, -1] - self.start[:, -1])

    @property
    def log_risk_ratio(self) -> Floats:
        """Logarithm of the ratio of shares that left by the horizon."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.log(1.0 - self.start[:, -1]) - np.log(1.0 - self.refrain[:, -1]))


def clone(starters: Starters, *, grace: int, horizon: int) -> ClonedStudy:
    """Clone every starter onto both strategies.

    Parameters
    ----------
    starters : Starters
        With known marks at all sessions that matter.
    grace, horizon : int
        Days.
    """
    rows = decisions(starters, grace)
    start_deviates = ~rows.started & (rows.strategy_chance >= 1.0)
    refrain_deviates = rows.started & rows.within
    covariates, names = _covariates(starters, rows, grace)
    return ClonedStudy(
        starters,
        rows,
        covariates,
        names,
        (
            stretches(starters, rows, start_deviates, horizon),
            stretches(starters, rows, refrain_deviates, horizon),
        ),
        horizon,
    )


def _covariates(starters: Starters, rows: Decisions, grace: int) -> tuple[Floats, tuple[str, ...]]:
    """Day within the grace period, attendance before, trainer of the session, facts at joining."""
    trainers = np.unique(rows.trainer)
    dummies = (rows.trainer[:, None] == trainers[None, 1:]).astype(float)
    part = rows.day[:, None] / grace
    columns = (
        part,
        np.maximum(part - 0.5, 0.0),
        starters.history[rows.session],
        dummies,
        starters.facts[rows.client],
    )
    names = (
        "day since joining",
        *starters.history_names,
        *(("trainer",) if len(trainers) > 1 else ()),
        *starters.fact_names,
    )
    return np.column_stack(columns), names


def weigh(
    study: ClonedStudy,
    counts: Floats,
    *,
    start: Floats | None = None,
    fitted: LogisticFits | None = None,
) -> Weighted:
    """Fit the weight model and weigh the clones, for each set of case weights.

    Parameters
    ----------
    study : ClonedStudy
    counts : ndarray, shape (m, n)
        How often each client counts.
    start : ndarray, optional
        Coefficients to begin from.
    fitted : LogisticFits, optional
        One model that is kept for all sets; resamples then vary somewhat more than refitted ones.
    """
    rows = study.rows
    if fitted is None:
        fits = fit_logistic(study.covariates, rows.started, counts[:, rows.client], start=start)
    else:
        fits = fitted
    chance = np.clip(fits.chance, 1e-9, 1.0 - 1e-9)
    weights = []
    sums = []
    for side, factor in zip(study.sides, factors(rows, chance), strict=True):
        after = running_products(rows, factor)
        padded = np.concatenate((after, np.ones((len(after), 1))), axis=1)  # row -1: before any decision
        weight = padded[:, side.row]
        weights.append(weight)
        sums.append(daily_sums(side, weight * counts[:, side.client], study.horizon))
    return Weighted(fits, (weights[0], weights[1]), (sums[0], sums[1]))


def estimate(
    study: ClonedStudy,
    counts: Floats,
    *,
    start: Floats | None = None,
    fitted: LogisticFits | None = None,
) -> Estimates:
    """Curves and hazard ratios for each set of case weights, in portions that fit into memory."""
    portion = max(1, CELLS_AT_ONCE // max(len(study.rows.client), 1))
    parts = []
    for begin in range(0, len(counts), portion):
        sums = weigh(study, counts[begin : begin + portion], start=start, fitted=fitted).sums
        parts.append((sums[0].curve(), sums[1].curve(), log_hazard_ratio(*sums)))
    return Estimates(*(np.concatenate([part[k] for part in parts]) for k in range(3)))


def resample_clients(trainer: Integers, resamples: int, generator: np.random.Generator) -> Floats:
    """How often each client is in each resample; shape (resamples, clients).

    Clients are drawn within their trainer when there are fewer than 10 trainers, so that the spread is that
    of clients of these trainers; from 10 trainers on whole trainers are drawn.
    """
    labels, code = np.unique(trainer, return_inverse=True)
    if len(labels) >= TRAINERS_RESAMPLED_FROM:
        drawn = generator.multinomial(len(labels), np.full(len(labels), 1.0 / len(labels)), size=resamples)
        return drawn[:, code].astype(float)
    counts = np.zeros((resamples, len(trainer)))
    for place in range(len(labels)):
        own = np.flatnonzero(code == place)
        counts[:, own] = generator.multinomial(own.size, np.full(own.size, 1.0 / own.size), size=resamples)
    return counts


def influence_on_retained(study: ClonedStudy, weighted: Weighted, counts: Floats) -> tuple[Floats, Floats]:
    """Influence of each client on the shares still training at the horizon; (m, n) for either side.

    Parameters
    ----------
    study : ClonedStudy
    weighted : Weighted
        The study under the same ``counts``.
    counts : ndarray, shape (m, n)
        How often each client counts.
    """
    rows, clients = study.rows, counts.shape[1]
    of_rows = _to_clients(rows.client, clients)
    residual = rows.started.astype(float) - weighted.fits.chance
    found = []
    for place in (0, 1):
        side, weights = study.sides[place], weighted.sides[place]
        moved = weights * _change(side, weighted.sums[place], study.horizon)
        own = np.asarray((_to_clients(side.client, clients).T @ moved.T).T)
        slope = _slope(study, weighted, moved * counts[:, side.client], place)
        direction = np.linalg.solve(weighted.fits.information, slope[:, :, None])[:, :, 0]
        through = np.asarray((of_rows.T @ (residual * (direction @ weighted.fits.design.T)).T).T)
        found.append(own + through)
    return found[0], found[1]


def _change(side: Stretches, sums: DailySums, horizon: int) -> Floats:
    """What one unit of weight in each stretch adds to the share still training; shape (m, k)."""
    hazard = sums.hazard()
    staying = np.where(hazard < 1.0, 1.0 - hazard, np.inf)
    at_risk = np.where(sums.at_risk > 1e-9, sums.at_risk, np.inf)
    per_departure = sums.curve()[:, -1:] / (staying * at_risk)
    running = np.cumsum(per_departure * hazard, axis=1)
    running = np.concatenate((np.zeros((len(running), 1)), running), axis=1)
    stop = np.minimum(side.stop, horizon)
    inside = side.departed & (side.stop <= horizon)
    return np.asarray(
        running[:, stop] - running[:, np.minimum(side.start, horizon)]
        - np.where(inside, per_departure[:, stop - 1], 0.0)
    )  # fmt: skip


def _slope(study: ClonedStudy, weighted: Weighted, moved: Floats, place: int) -> Floats:
    """Derivative of the share still training in the coefficients of the weight model; shape (m, p + 1)."""
    rows, chance = study.rows, weighted.fits.chance
    side = study.sides[place]
    later = _sum_from_row_on(rows, side, moved)
    derivative = np.where(rows.started, -(1.0 - chance), chance)
    if place == 1:
        derivative = np.where(rows.within, derivative, 0.0)
    return np.asarray((later * derivative) @ weighted.fits.design)


def _sum_from_row_on(rows: Decisions, side: Stretches, values: Floats) -> Floats:
    """Sums over the stretches of the same client whose weight a decision enters; shape (m, r)."""
    count = len(rows.client)
    weighted = side.row >= 0
    place = csr_array(
        (np.ones(int(weighted.sum())), (np.flatnonzero(weighted), side.row[weighted])),
        shape=(len(side.row), count),
    )
    by_row = np.asarray((place.T @ values.T).T)
    running = np.concatenate((np.zeros((len(by_row), 1)), np.cumsum(by_row, axis=1)), axis=1)
    return np.asarray(running[:, rows.first[rows.client + 1]] - running[:, :-1])


def _to_clients(client: Integers, clients: int) -> csr_array:
    return csr_array((np.ones(len(client)), (np.arange(len(client)), client)), shape=(len(client), clients))


def standard_error(influence: Floats, counts: Floats, trainer: Integers, *, whole_trainers: bool) -> Floats:
    """Standard error from influences; by clients within trainers, or by whole trainers.

    Parameters
    ----------
    influence, counts : ndarray, shape (m, n)
    trainer : ndarray of int, shape (n,)
    whole_trainers : bool
        Trainers vary together (many trainers); otherwise clients do, around their trainer's mean.
    """
    labels, code = np.unique(trainer, return_inverse=True)
    groups = _to_clients(code.astype(np.int64), len(labels))
    totals = np.asarray((groups.T @ (counts * influence).T).T)
    if whole_trainers:
        factor = len(labels) / (len(labels) - 1.0)
        centred = totals - totals.mean(axis=1, keepdims=True)
        return np.asarray(np.sqrt(factor * (centred**2).sum(axis=1)))
    sizes = np.asarray((groups.T @ counts.T).T)
    squares = np.asarray((groups.T @ (counts * influence**2).T).T)
    spread = squares - totals**2 / np.maximum(sizes, 1.0)
    factors = np.where(sizes > 1.0, sizes / np.maximum(sizes - 1.0, 1.0), 0.0)
    return np.asarray(np.sqrt(np.maximum((factors * spread).sum(axis=1), 0.0)))
