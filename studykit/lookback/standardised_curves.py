r"""Retention curves as they would be had everybody, or nobody, begun partner reps, from session hazards.

Legend: session s of client i, judged on day :math:`t_s` (the day on which the absence after it would be
confirmed) at hazard :math:`1-e^{-\mu_s}`, with :math:`\mu` as observed and :math:`\mu^a` under exposure a at
every session. A client seen at session j under the exposure observed stands for
:math:`w_j=\exp\{-\sum_{s<j}(\mu^a_s-\mu_s)\}` clients under a: those who would have stayed so long. Then
:math:`S_a(t)=\prod_{u\le t}(1-N_u/D_u)` with :math:`N_u=\sum_{t_j=u}w_j(1-e^{-\mu^a_j})` and
:math:`D_u=\sum w` over clients at risk on day u. With a as observed and events for hazards it is the curve of
Kaplan and Meier. Attendance before each session is taken as it was: partner reps are supposed not to have
changed it.

Errors: derivatives by weights, hazards and coefficients backwards through the product, so that each client's
influence is one sum; the empirical distribution of clients counts, too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.lookback.log import Bools, Floats, Integers
from studykit.results import frozen_array
from studykit.retention.discrete_hazard import DiscreteHazardModel


@dataclass(frozen=True, slots=True, eq=False)
class SessionIntervals:
    """Sessions at risk, sorted by client, each closing a stretch (start, stop] of its client's follow-up.

    Parameters
    ----------
    client : ndarray of int, shape (m,)
        Any sorted codes.
    start, stop : ndarray of int, shape (m,)
        Days; ``stop`` is the day on which the absence after the session would be confirmed.
    end : ndarray of int, shape (m,)
        Last day of the client's follow-up.
    """

    client: Integers
    start: Integers
    stop: Integers
    end: Integers

    def select(self, rows: Integers) -> SessionIntervals:
        """Some of them."""
        return SessionIntervals(self.client[rows], self.start[rows], self.stop[rows], self.end[rows])

    @property
    def last_of_client(self) -> Bools:
        """The client's last one, after which nothing more can happen before ``end``."""
        if not self.client.size:
            return np.zeros(0, dtype=bool)
        return np.concatenate((self.client[1:] != self.client[:-1], [True]))

    def at_risk(self, horizon: int) -> Integers:
        """Clients at risk on each day from 0 to the horizon; nobody on day 0."""
        ones = np.ones(self.client.size)
        return np.rint(self.present(ones, np.where(self.last_of_client, 1.0, 0.0), horizon)).astype(np.int64)

    def present(self, weight: Floats, after: Floats, horizon: int) -> Floats:
        """Sum of weights over those at risk on each day; ``after`` holds from the last stop to the end."""
        changes = np.zeros(horizon + 2)
        for begin, finish, amount in ((self.start, self.stop, weight), (self.stop, self.end, after)):
            np.add.at(changes, np.minimum(begin + 1, horizon + 1), amount)
            np.add.at(changes, np.minimum(finish + 1, horizon + 1), -amount)
        return np.asarray(np.cumsum(changes)[: horizon + 1])


@dataclass(frozen=True, slots=True, eq=False)
class StandardisedCurve:
    """A curve under one exposure, from ``from_day`` on.

    Parameters
    ----------
    share : ndarray, shape (horizon + 1,)
        Share still training after each day.
    influence : ndarray, shape (d, clusters)
        Of each cluster on the share, at each of the days asked for; the error is their sum.
    largest_weight, effective_share : float
        How unequally sessions seen stand for those under this exposure: the largest weight, and the effective
        number of sessions over their number.
    """

    share: Floats
    influence: Floats
    largest_weight: float
    effective_share: float


def standardise(
    model: DiscreteHazardModel,
    covariates: Floats,
    strata: Integers,
    clusters: Integers,
    intervals: SessionIntervals,
    *,
    exposure: float,
    from_day: int,
    days: tuple[int, ...],
) -> StandardisedCurve:
    """The curve had the first covariate been ``exposure`` at every session.

    Parameters
    ----------
    model : DiscreteHazardModel
        Fitted to these rows with these clusters.
    covariates : ndarray, shape (m, p)
        The exposure first.
    strata, clusters : ndarray of int, shape (m,)
        Index into the model's intercepts; codes from 0.
    intervals : SessionIntervals
        Of the same rows.
    exposure : float
    from_day : int
        The curve is 1 up to this day.
    days : tuple of int
        Days at which errors are wanted, ascending; the last is the horizon.
    """
    near = np.flatnonzero(intervals.start < days[-1])
    rows = _rows(model, covariates[near], strata[near], intervals.select(near), exposure)
    one, horizon = rows.intervals, days[-1]
    counted = (one.stop > from_day) & (one.stop <= horizon)
    hazards = (rows.weight * -np.expm1(-rows.mu_a))[counted]
    expected = np.bincount(one.stop[counted], hazards, minlength=horizon + 1).astype(float)
    present = one.present(rows.weight, rows.after, horizon)
    leaving = np.divide(expected, present, out=np.zeros_like(present), where=expected > 0.0)
    share = np.cumprod(1.0 - np.minimum(leaving, 1.0))
    number = int(clusters.max()) + 1
    own, coefficients, intercepts = [], [], []
    for day in days:
        sampled, of_coefficients, of_intercepts = rows.derivatives(
            expected, present, from_day=from_day, day=day
        )
        own.append(np.bincount(clusters[near], sampled, minlength=number))
        coefficients.append(of_coefficients)
        intercepts.append(of_intercepts)
    through = model.influence(np.array(coefficients), np.array(intercepts))
    influence = share[list(days), None] * (np.array(own) + through)
    seen = rows.weight[counted] if counted.any() else np.ones(1)
    return StandardisedCurve(
        share=frozen_array(share),
        influence=frozen_array(influence),
        largest_weight=float(seen.max()),
        effective_share=float(seen.sum() ** 2 / (seen**2).sum() / seen.size),
    )


def standardised_share(
    model: DiscreteHazardModel, covariates: Floats, strata: Integers, clusters: Integers, *, exposure: float
) -> tuple[float, Floats]:
    """Share that would have stayed, of clients with one row each, had the first covariate been ``exposure``.

    Returns
    -------
    share : float
    influence : ndarray, shape (clusters,)
        Of each cluster on the share; the error is their sum.
    """
    counterfactual = covariates.copy()
    counterfactual[:, 0] = exposure
    eta = np.clip(model.intercepts[strata] + counterfactual @ model.coefficients, -700.0, 30.0)
    mu = np.exp(eta)
    stayed = np.exp(-mu)
    share, slope = float(stayed.mean()), -mu * stayed / stayed.size
    of_intercepts = np.bincount(strata, slope, minlength=model.intercepts.size).astype(float)
    through = model.influence(slope @ counterfactual, of_intercepts)
    return share, np.bincount(clusters, (stayed - share) / stayed.size) + through


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Rows that bear on the curve, with hazards and weights under the exposure asked for."""

    covariates: Floats
    counterfactual: Floats
    strata: Integers
    number_of_strata: int
    intervals: SessionIntervals
    mu: Floats
    mu_a: Floats
    weight: Floats
    after: Floats

    def derivatives(
        self, expected: Floats, present: Floats, *, from_day: int, day: int
    ) -> tuple[Floats, Floats, Floats]:
        """Of the log share after ``day``: by each row's presence, by coefficients, by intercepts."""
        one = self.intervals
        remaining = np.where(present > expected, present - expected, np.inf)
        by_expected, by_present = -1.0 / remaining, np.zeros_like(present)
        np.divide(-by_expected * expected, present, out=by_present, where=present > 0.0)
        by_expected[: from_day + 1] = by_present[: from_day + 1] = 0.0
        running = np.cumsum(by_present)
        started, stopped, ended = (running[np.minimum(days, day)] for days in (one.start, one.stop, one.end))
        inside = (one.stop > from_day) & (one.stop <= day)
        of_hazard = np.where(inside, by_expected[np.minimum(one.stop, day)], 0.0)
        own = self.weight * (of_hazard * -np.expm1(-self.mu_a) + stopped - started)
        own_after = self.after * (ended - stopped)
        later = _sum_after(one.client, own + own_after) + own_after
        by_counterfactual = of_hazard * self.weight * self.mu_a * np.exp(-self.mu_a) - self.mu_a * later
        by_observed = self.mu * later
        coefficients = by_counterfactual @ self.counterfactual + by_observed @ self.covariates
        intercepts = np.bincount(
            self.strata, by_counterfactual + by_observed, minlength=self.number_of_strata
        )
        return own + own_after, coefficients, intercepts.astype(float)


def _rows(
    model: DiscreteHazardModel,
    covariates: Floats,
    strata: Integers,
    intervals: SessionIntervals,
    exposure: float,
) -> _Rows:
    counterfactual = covariates.copy()
    counterfactual[:, 0] = exposure
    intercept = model.intercepts[strata]
    mu = np.exp(intercept + covariates @ model.coefficients)
    mu_a = np.exp(intercept + counterfactual @ model.coefficients)
    excess = mu_a - mu
    before = _sum_before(intervals.client, excess)
    return _Rows(
        covariates=covariates,
        counterfactual=counterfactual,
        strata=strata,
        number_of_strata=model.intercepts.size,
        intervals=intervals,
        mu=mu,
        mu_a=mu_a,
        weight=np.exp(-before),
        after=np.where(intervals.last_of_client, np.exp(-before - excess), 0.0),
    )


def _sum_before(client: Integers, values: Floats) -> Floats:
    """Per row, the sum over earlier rows of the same client."""
    running = np.cumsum(values) - values
    return running - running[np.searchsorted(client, client, side="left")]


def _sum_after(client: Integers, values: Floats) -> Floats:
    """Per row, the sum over later rows of the same client."""
    running = np.cumsum(values)
    return np.asarray(running[np.searchsorted(client, client, side="right") - 1] - running)
