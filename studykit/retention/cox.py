r"""Partial likelihood of the proportional-hazards model, its derivatives and score residuals.

Legend: rows i with entry, time, event and covariates :math:`x_i`; :math:`r_i=\exp(x_i\beta)`; sums
:math:`S_0=\sum r`, :math:`S_1=\sum r x`, :math:`S_2=\sum r xx^T` over those at risk just before a day;
:math:`D_0, D_1, D_2` the same over those who leave on that day. Efron's treatment of d tied departures takes
the l-th of them out of :math:`S_k-(l/d)D_k`, l = 0 … d − 1; Breslow's takes every one out of :math:`S_k`.
References: Cox 1972; Breslow 1974; Efron 1977; Therneau & Grambsch 2000, chapters 2 and 3 and appendix E.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from studykit.retention.censored import CensoredTimes

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Ties = Literal["efron", "breslow"]


@dataclass(frozen=True, slots=True, eq=False)
class RiskSets:
    """One stratum, ordered once so that sums over risk sets are differences of running sums.

    Parameters
    ----------
    covariates : ndarray, shape (n, p)
    by_time, by_entry : ndarray of int, shape (n,)
        Rows in ascending order of time and of entry.
    first_still, first_late : ndarray of int, shape (k,)
        Per departure day, the first place in ``by_time`` with time >= day and in ``by_entry`` with
        entry >= day.
    event_rows, event_day : ndarray of int, shape (e,)
        Rows that leave, and which of the k days it was.
    tie : ndarray, shape (e,)
        The share l / d of Efron; zero throughout for Breslow.
    day_of_time, day_of_entry : ndarray of int, shape (n,)
        Number of departure days up to each row's time, and up to its entry.
    """

    covariates: Floats
    by_time: Integers
    by_entry: Integers
    first_still: Integers
    first_late: Integers
    event_rows: Integers
    event_day: Integers
    tie: Floats
    day_of_time: Integers
    day_of_entry: Integers

    @property
    def days(self) -> int:
        """Number of days with a departure."""
        return int(self.first_still.size)


@dataclass(frozen=True, slots=True, eq=False)
class PartialLikelihood:
    """Log-likelihood, score and information at one value of the coefficients."""

    log_likelihood: float
    score: Floats
    information: Floats


def risk_sets(times: CensoredTimes, covariates: Floats, *, ties: Ties) -> RiskSets:
    """Order one stratum."""
    by_time = np.argsort(times.time, kind="stable")
    by_entry = np.argsort(times.entry, kind="stable")
    event_rows = by_time[times.event[by_time]]
    days, event_day, departures = np.unique(times.time[event_rows], return_inverse=True, return_counts=True)
    place = np.arange(event_rows.size) - np.concatenate(([0], np.cumsum(departures)[:-1]))[event_day]
    return RiskSets(
        covariates=covariates,
        by_time=by_time,
        by_entry=by_entry,
        first_still=np.searchsorted(times.time[by_time], days, side="left"),
        first_late=np.searchsorted(times.entry[by_entry], days, side="left"),
        event_rows=event_rows,
        event_day=event_day.astype(np.int64),
        tie=place / departures[event_day] if ties == "efron" else np.zeros(event_rows.size),
        day_of_time=np.searchsorted(days, times.time, side="right"),
        day_of_entry=np.searchsorted(days, times.entry, side="right"),
    )


def partial_likelihood(strata: list[RiskSets], beta: Floats) -> PartialLikelihood:
    """Sum of the strata's log partial likelihoods and derivatives."""
    value, score, information = 0.0, np.zeros(beta.size), np.zeros((beta.size, beta.size))
    for sets in strata:
        eta = sets.covariates @ beta
        s0, mean, spread = _event_sums(sets, np.exp(eta))
        rows = sets.event_rows
        value += float(eta[rows].sum() - np.log(s0).sum())
        score += (sets.covariates[rows] - mean).sum(axis=0)
        information += spread.sum(axis=0)
    return PartialLikelihood(value, score, information)


def score_residuals(sets: RiskSets, beta: Floats) -> Floats:
    """Each row's share of the score, shape (n, p); they add up to the score of the stratum.

    The derivative of the log partial likelihood's score by a weight of the row.
    """
    risk = np.exp(sets.covariates @ beta)
    s0, mean, _ = _event_sums(sets, risk)
    hazard = np.bincount(sets.event_day, 1.0 / s0, minlength=sets.days)
    drift = _sum_by_day(sets, mean / s0[:, None])
    # A row that leaves on a tied day takes part in that day's terms with 1 - l/d only.
    own_hazard = np.bincount(sets.event_day, sets.tie / s0, minlength=sets.days)
    own_drift = _sum_by_day(sets, (sets.tie / s0)[:, None] * mean)
    day_mean = _sum_by_day(sets, mean) / np.bincount(sets.event_day, minlength=sets.days)[:, None]

    running_hazard = np.concatenate(([0.0], np.cumsum(hazard)))
    running_drift = np.concatenate((np.zeros((1, beta.size)), np.cumsum(drift, axis=0)))
    total = running_hazard[sets.day_of_time] - running_hazard[sets.day_of_entry]
    moved = running_drift[sets.day_of_time] - running_drift[sets.day_of_entry]
    rows, day = sets.event_rows, sets.event_day
    total[rows] -= own_hazard[day]
    moved[rows] -= own_drift[day]
    residuals = -risk[:, None] * (sets.covariates * total[:, None] - moved)
    residuals[rows] += sets.covariates[rows] - day_mean[day]
    return np.asarray(residuals, dtype=float)


def _event_sums(sets: RiskSets, risk: Floats) -> tuple[Floats, Floats, Floats]:
    """Per departure: S0, the mean S1/S0 and the spread S2/S0 - mean mean', ties as chosen."""
    r, x = risk, sets.covariates
    columns = np.column_stack(
        (r, r[:, None] * x, (r[:, None, None] * x[:, :, None] * x[:, None, :]).reshape(len(r), -1))
    )
    still = _tail_sums(columns[sets.by_time])[sets.first_still]
    late = _tail_sums(columns[sets.by_entry])[sets.first_late]
    leaving = _sum_by_day(sets, columns[sets.event_rows])
    sums = (still - late)[sets.event_day] - sets.tie[:, None] * leaving[sets.event_day]
    p = x.shape[1]
    s0 = sums[:, 0]
    mean = sums[:, 1 : p + 1] / s0[:, None]
    spread = sums[:, p + 1 :].reshape(-1, p, p) / s0[:, None, None] - mean[:, :, None] * mean[:, None, :]
    return s0, mean, spread


def _tail_sums(values: Floats) -> Floats:
    """Row j holds the sum of rows j and later; one more row of zeros at the end."""
    return np.concatenate((np.cumsum(values[::-1], axis=0)[::-1], np.zeros((1, values.shape[1]))))


def _sum_by_day(sets: RiskSets, values: Floats) -> Floats:
    """Sums over the departures of each day; departures are in order of day."""
    starts = np.searchsorted(sets.event_day, np.arange(sets.days))
    return np.add.reduceat(values, starts, axis=0)
