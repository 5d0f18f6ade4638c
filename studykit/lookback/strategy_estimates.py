"""Two strategies compared by weighting clones: curves, differences, their spread over resamples of clients.

Everything is worked out for many sets of case weights at once, which say how often each client counts in a
resample (once each for the estimate itself). The weight model is refitted in every resample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.lookback.clones import (
    Decisions,
    Starters,
    decisions,
    factors,
    running_products,
    stretches,
)
from studykit.lookback.weighted_curves import DailySums, Stretches, daily_sums, log_hazard_ratio
from studykit.lookback.weighting import LogisticFits, fit_logistic

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Bools = NDArray[np.bool_]

CELLS_AT_ONCE = 4_000_000  # resamples times rows held in memory together
SIDES = ("start", "refrain")
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
    largest_weight : float
        Weights above are set to it.
    """

    starters: Starters
    rows: Decisions
    covariates: Floats
    names: tuple[str, ...]
    sides: tuple[Stretches, Stretches]
    horizon: int
    largest_weight: float


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


def clone(starters: Starters, *, grace: int, horizon: int, largest_weight: float = np.inf) -> ClonedStudy:
    """Clone every starter onto both strategies.

    Parameters
    ----------
    starters : Starters
        With known marks at all sessions that matter.
    grace, horizon : int
        Days.
    largest_weight : float
        Where weights are cut off.
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
        largest_weight,
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
        after = np.minimum(running_products(rows, factor), study.largest_weight)
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


def resample_clients(
    trainer: Integers, resamples: int, generator: np.random.Generator
) -> NDArray[np.float64]:
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
