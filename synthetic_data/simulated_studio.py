"""Attendance records of an invented studio whose truth is known, for checks of the look back.

After every attended session a client may leave for good, at a hazard that partner reps, once begun, multiply
by `StudioTruth.hazard_ratio`. Partner reps begin at a session, by chance. Trainers, recent attendance and
a trait that nobody records can move both, which is what confounding is. The same seed under another
`Regime` gives the same clients with the same luck, as they would have fared had partner reps begun
otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.lookback.episodes import log_rate
from studykit.lookback.log import UNKNOWN_DAY, AttendanceLog, no_spans
from studykit.randomness import stream
from studykit.results import RowCount, frozen_array

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Bools = NDArray[np.bool_]

FAR = 10_000_000


@dataclass(frozen=True, slots=True)
class StudioTruth:
    """How the invented studio works.

    Parameters
    ----------
    clients, trainers : int
    days : int
        Length of the records.
    days_before : int
        Clients join evenly from so many days before the records begin up to their last day.
    sessions_per_week : float
    spread : float
        Standard deviation of the logarithm of a client's own frequency.
    leaving : float
        Hazard of a session to be the last, before any effect.
    hazard_ratio : float
        Of leaving, once partner reps have begun.
    starting : float
        Chance that partner reps begin at a session at which they have not yet.
    dose : float
        Share of sessions with partner reps after they have begun.
    trainer_leaving, trainer_starting : float
        Log hazard and log odds of starting at the last trainer, minus those at the first, halved.
    attendance_leaving, attendance_starting : float
        The same per unit of the logarithm of sessions a week in the 28 days before.
    hidden_leaving, hidden_starting : float
        The same per standard deviation of a trait that no record holds.
    attendance_ratio : float
        Sessions a week once partner reps have begun, over those before: what they do through attendance.
    """

    clients: int = 300
    trainers: int = 4
    days: int = 546
    days_before: int = 364
    sessions_per_week: float = 2.0
    spread: float = 0.3
    leaving: float = 0.02
    hazard_ratio: float = 1.0
    starting: float = 0.08
    dose: float = 0.8
    trainer_leaving: float = 0.0
    trainer_starting: float = 0.0
    attendance_leaving: float = 0.0
    attendance_starting: float = 0.0
    hidden_leaving: float = 0.0
    hidden_starting: float = 0.0
    attendance_ratio: float = 1.0


@dataclass(frozen=True, slots=True)
class Regime:
    """When partner reps begin, days counted from joining; by chance unless something here says otherwise.

    Parameters
    ----------
    not_before : int or ndarray of int, shape (clients,)
        They do not begin earlier.
    at_latest : int or ndarray of int, shape (clients,)
        They begin at the first session on or after this day, if they have not yet.
    forgotten_on : int
        From the first session on or after this day a client counts as not having begun; they may begin again
        by chance.
    """

    not_before: int | Integers = 0
    at_latest: int | Integers = FAR
    forgotten_on: int = FAR


BY_CHANCE = Regime()


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedStudio:
    """What happened to every client, sessions in columns; days since joining.

    Parameters
    ----------
    joined : ndarray of int, shape (n,)
        Day of joining; day 0 is the first of the records.
    day, trainer : ndarray of int, shape (n, k)
        Sessions; columns beyond a client's last one are of no meaning.
    partner_reps, begun : ndarray of bool, shape (n, k)
    sessions : ndarray of int, shape (n,)
        Number of sessions attended.
    """

    joined: Integers
    day: Integers
    trainer: Integers
    partner_reps: Bools
    begun: Bools
    sessions: Integers

    def confirmed_on(self, absence_days: int = 28) -> Integers:
        """Day on which each client's first departure was confirmed; `FAR` or later where it was not.

        There are no closures and pauses here, so that every day counts.
        """
        here = np.arange(self.day.shape[1]) < self.sessions[:, None]
        day = np.where(here, self.day, FAR)
        following = np.concatenate((day[:, 1:], np.full((len(day), 1), FAR)), axis=1)
        gone = np.where(following - day > absence_days, day + absence_days, FAR)
        return np.asarray(np.where(day[:, 0] > absence_days, absence_days, gone.min(axis=1)), dtype=np.int64)


def simulate_studio(
    truth: StudioTruth, seed: int, *, regime: Regime = BY_CHANCE, all_join_on: int | None = None
) -> SimulatedStudio:
    """Simulate every client from joining to leaving or the end of the records.

    Parameters
    ----------
    truth : StudioTruth
    seed : int
    regime : Regime
    all_join_on : int, optional
        Everybody joins on this day: for the truth about new starters.
    """
    rng = stream(seed, "look back", "studio")
    n = truth.clients
    joined = rng.integers(-truth.days_before, truth.days, n)
    if all_join_on is not None:
        joined = np.full(n, all_join_on)
    gap = 7.0 / (truth.sessions_per_week * np.exp(truth.spread * rng.normal(size=n)))
    own_trainer = rng.integers(0, truth.trainers, n)
    hidden = rng.normal(size=n)
    place = np.linspace(-1.0, 1.0, truth.trainers) if truth.trainers > 1 else np.zeros(1)
    shortest = gap / (2.0 * max(truth.attendance_ratio, 1.0))
    most = int(np.max((truth.days - joined) / np.maximum(shortest, 1.0))) + 2
    day = np.full((n, most), FAR)
    trainer, begun_at = np.zeros((n, most), dtype=np.int64), np.zeros((n, most), dtype=bool)
    count, begun, forgot = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    today, here, oldest = rng.integers(0, 4, n), np.ones(n, dtype=bool), np.zeros(n, dtype=np.int64)
    for k in range(most):
        # Every client draws at every place, so that another regime meets the same luck.
        luck = rng.random((4, n))
        step = 1 + rng.poisson(np.maximum(gap / np.where(begun, truth.attendance_ratio, 1.0) - 1.0, 0.0))
        here = here & (joined + today < truth.days)
        if not here.any():
            break
        with_whom = np.where(luck[0] < 0.9, own_trainer, (luck[0] * 1e6).astype(np.int64) % truth.trainers)
        oldest = _advance(day, oldest, today - 28)
        recent = log_rate(k - oldest, np.minimum(today, 28))
        forgets = ~forgot & (today >= regime.forgotten_on)
        begun, forgot = begun & ~forgets, forgot | forgets
        odds = (
            truth.starting
            / (1.0 - truth.starting)
            * np.exp(
                truth.trainer_starting * place[with_whom]
                + truth.attendance_starting * recent
                + truth.hidden_starting * hidden
            )
        )
        begins = (luck[1] < odds / (1.0 + odds)) & (today >= regime.not_before)
        begun = begun | begins | (today >= regime.at_latest)
        hazard = truth.leaving * np.exp(
            np.log(truth.hazard_ratio) * begun
            + truth.trainer_leaving * place[with_whom]
            + truth.attendance_leaving * recent
            + truth.hidden_leaving * hidden
        )
        day[here, k] = today[here]
        trainer[:, k], begun_at[:, k] = with_whom, begun & here
        count += here
        here = here & (luck[2] >= -np.expm1(-hazard))
        today = today + step
    return SimulatedStudio(
        joined=frozen_array(joined),
        day=frozen_array(day),
        trainer=frozen_array(trainer),
        partner_reps=frozen_array(begun_at & _dose(begun_at, seed, truth.dose)),
        begun=frozen_array(begun_at),
        sessions=frozen_array(count),
    )


def _dose(begun: Bools, seed: int, dose: float) -> Bools:
    """Which sessions have partner reps if they have begun: the first one always, later ones by chance."""
    first = begun & ~np.concatenate((np.zeros((len(begun), 1), dtype=bool), begun[:, :-1]), axis=1)
    return np.asarray(first | (stream(seed, "look back", "dose").random(begun.shape) < dose))


def _advance(day: Integers, oldest: Integers, limit: Integers) -> Integers:
    """Move each client's first column of the last 28 days on."""
    rows, place = np.arange(oldest.size), oldest
    for _ in range(60):
        behind = (day[rows, place] < limit) & (day[rows, place] < FAR)
        if not behind.any():
            break
        place = place + behind
    return place


def simulated_log(truth: StudioTruth, seed: int) -> AttendanceLog:
    """The records that such a studio would have: nothing from before their first day, all joining dates.

    Examples
    --------
    >>> log = simulated_log(StudioTruth(clients=20), 1)
    >>> len(log.clients), log.first_day, log.last_day, log.marked
    (20, 0, 545, True)
    """
    return records_of(truth, simulate_studio(truth, seed))


def records_of(truth: StudioTruth, studio: SimulatedStudio) -> AttendanceLog:
    """The records of a simulated studio."""
    client, column = np.nonzero(np.arange(studio.day.shape[1]) < studio.sessions[:, None])
    day = studio.joined[client] + studio.day[client, column]
    kept = day >= 0
    client, column, day = client[kept], column[kept], day[kept]
    codes = len(str(truth.clients))
    return AttendanceLog(
        clients=tuple(f"C{number:0{codes}d}" for number in range(truth.clients)),
        trainers=tuple(f"T{number:02d}" for number in range(truth.trainers)),
        session_client=frozen_array(client),
        session_day=frozen_array(day),
        session_trainer=frozen_array(studio.trainer[client, column]),
        session_partner_reps=frozen_array(studio.partner_reps[client, column], np.int64),
        missed_client=frozen_array(np.empty(0), np.int64),
        missed_day=frozen_array(np.empty(0), np.int64),
        joined=frozen_array(studio.joined),
        notice=frozen_array(np.full(truth.clients, UNKNOWN_DAY)),
        pauses=no_spans(),
        closures=(),
        facts=(),
        adopted=frozen_array(np.full(truth.trainers, UNKNOWN_DAY)),
        marked=True,
        first_day=0,
        last_day=truth.days - 1,
        rows=RowCount(day.size, day.size),
        source="simulated",
    )
