r"""Robust standard errors of weighted curves: each client's influence, the fitting of the weights included.

For one side with :math:`\lambda_t=N_t/Y_t` and :math:`S=\prod(1-\lambda_t)`, a client adds
:math:`-S\sum_t w(dN_t-\lambda_t Y_t)/\{(1-\lambda_t)Y_t\}` to the share still training, and through the
weight model :math:`(\partial S/\partial\beta)^T I^{-1}U`, U being the client's score in it. Sums of squares
of these over clients (trainers) give the variance (Lin & Wei 1989; for estimated weights, Robins, Hernán &
Brumback 2000).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from studykit.lookback.clones import Decisions
from studykit.lookback.strategy_estimates import ClonedStudy, Weighted
from studykit.lookback.weighted_curves import DailySums, Stretches

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


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
