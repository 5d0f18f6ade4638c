"""One simulated trial: the records a studio would keep, and the truth that no studio knows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.randomness import stream
from studykit.records.record_tables import Allocated, Records
from studykit.records.rows import RetentionSpells, Scores
from studykit.trial.batch import TrialBatch, simulate_batch
from studykit.trial.labels import allocation_date, client_labels, trainer_labels
from studykit.trial.settings import TrialSettings
from studykit.trial.simulated_clients import ClientTraits, simulate_clients, stratum_levels
from studykit.trial.simulated_rows import retention_spells, strength_rows
from synthetic_data import record_tables as tables
from synthetic_data.simulated_harms import SimulatedHarm, simulate_harms
from synthetic_data.simulated_sessions import SessionDetails, simulate_sessions


@dataclass(frozen=True, slots=True)
class Enrolment:
    """One client who is ready to be allocated: code, day, trainer and stratum."""

    client: str
    day: dt.date
    trainer: str
    stratum: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class SimulatedTrial:
    """A trial as it was seen, and as it would have been under either arm.

    Parameters
    ----------
    settings : TrialSettings
    seed : int
    seen : TrialBatch
        The trial itself, one in a batch of one, followed as records are.
    under_arm : tuple of TrialBatch, one per arm
        Potential outcomes: the same clients, errors and chances, with everybody in that arm.
    sessions : SessionDetails
    harms : tuple of SimulatedHarm
    """

    settings: TrialSettings
    seed: int
    seen: TrialBatch
    under_arm: tuple[TrialBatch, ...]
    sessions: SessionDetails
    harms: tuple[SimulatedHarm, ...]

    @property
    def allocated(self) -> tuple[Allocated, ...]:
        """The allocated clients, as a ledger would give them."""
        ready = enrolments_of(self.settings, self.seen.traits)
        arms = (self.settings.arms[int(arm)] for arm in self.seen.arm[0])
        return tuple(
            Allocated(client.client, arm, client.day, client.trainer, client.stratum)
            for client, arm in zip(ready, arms, strict=True)
        )

    def records(self, *, with_sets: bool = False) -> Records:
        """The record tables, typed as a reader of files would give them.

        Parameters
        ----------
        with_sets : bool
            Load and repetitions of the last sessions too, which change no result.

        Returns
        -------
        Records
            Without findings and hashes.
        """
        rng = {name: stream(self.seed, "trial", 0, "records", name) for name in _TABLES_WITH_CHANCE}
        seen = self.seen
        tests = {}
        if self.settings.score != "as recorded":
            tests["strength"] = tables.strength_table(seen, rng["strength"])
            if with_sets:
                tests["sets"] = tables.sets_table(seen, self.sessions, rng["sets"])
        recorded = [own for own in (seen, *seen.further) if own.settings.score == "as recorded"]
        if recorded:
            tests["measurements"] = tables.measurements_table(recorded)
        given = {
            "screening": tables.screening_table(seen, rng["screening"]),
            "clients": tables.clients_table(seen, rng["clients"]),
            "trainers": tables.trainers_table(seen, rng["trainers"]),
            **tests,
            "sessions": tables.sessions_table(seen, self.sessions),
            "pauses": tables.pauses_table(seen, rng["pauses"]),
            "closures": tables.closures_table(seen),
            "departures": tables.departures_table(seen, rng["departures"]),
            "harms": tables.harms_table(seen, self.harms),
        }
        return Records(tables.all_tables(given), (), ())

    def strength_rows(self) -> Scores:
        """Scores, without the way through tables."""
        return strength_rows(self.seen, 0)

    def retention_spells(self) -> RetentionSpells:
        """Attendance, without the way through tables; registered departures are left out."""
        return retention_spells(self.seen, 0)


_TABLES_WITH_CHANCE = ("screening", "clients", "trainers", "strength", "sets", "pauses", "departures")


def enrolments(settings: TrialSettings, *, seed: int) -> tuple[Enrolment, ...]:
    """The clients of a trial in order of entry, before any arm is drawn.

    Parameters
    ----------
    settings : TrialSettings
    seed : int
        The one that `simulate_trial` will be given.

    Returns
    -------
    tuple of Enrolment

    Examples
    --------
    >>> first = enrolments(TrialSettings(clients=8, trainers=2), seed=3)[0]
    >>> first.client, first.day, sorted(first.stratum)
    ('C001', datetime.date(2026, 1, 12), ['trainer'])
    """
    traits = simulate_clients(settings, 1, stream(seed, "trial", 0, "clients"))
    return enrolments_of(settings, traits)


def enrolments_of(settings: TrialSettings, traits: ClientTraits) -> tuple[Enrolment, ...]:
    """The same, from clients that have been drawn."""
    names = {factor.code: factor.levels for factor in settings.factors}
    names["trainer"] = trainer_labels(settings)
    levels = {code: stratum_levels(settings, traits, code)[0] for code in settings.strata}
    return tuple(
        Enrolment(
            client=label,
            day=allocation_date(settings, traits.allocated_day[0, index]),
            trainer=names["trainer"][int(traits.trainer[0, index])],
            stratum={code: names[code][int(level[index])] for code, level in levels.items()},
        )
        for index, label in enumerate(client_labels(settings))
    )


def simulate_trial(
    settings: TrialSettings, *, seed: int, arms: tuple[str, ...] | None = None
) -> SimulatedTrial:
    """Simulate one whole trial.

    Parameters
    ----------
    settings : TrialSettings
    seed : int
    arms : tuple of str, optional
        Arm codes of the clients in order of entry, e.g. from a ledger; drawn when not given.

    Returns
    -------
    SimulatedTrial

    Examples
    --------
    >>> trial = simulate_trial(TrialSettings(clients=8, trainers=2), seed=3)
    >>> len(trial.allocated), trial.records()["clients"].number
    (8, 8)
    """
    given: NDArray[np.int64] | None = None
    if arms is not None:
        given = np.array([[settings.arms.index(arm) for arm in arms]], dtype=np.int64)
    seen = simulate_batch(settings, 1, seed=seed, arm=given, whole_study=True)
    under_arm = tuple(
        simulate_batch(settings, 1, seed=seed, arm=arm, whole_study=True) for arm in range(len(settings.arms))
    )
    sessions = simulate_sessions(seen, stream(seed, "trial", 0, "sessions"))
    harms = simulate_harms(seen, sessions, stream(seed, "trial", 0, "harms"))
    return SimulatedTrial(settings, seed, seen, under_arm, sessions, harms)
