"""Names of what a simulation numbers (clients, trainers, levels), and the `Clients` of the rows."""

from __future__ import annotations

import datetime as dt

import numpy as np
from numpy.typing import NDArray

from studykit.records.rows import Clients
from studykit.results import frozen_array
from studykit.trial.batch import TrialBatch
from studykit.trial.settings import TrialSettings

Dates = NDArray[np.datetime64]


def client_labels(settings: TrialSettings) -> tuple[str, ...]:
    """Codes of the clients, in order of allocation.

    Examples
    --------
    >>> client_labels(TrialSettings(clients=12))[-1]
    'C012'
    """
    width = max(3, len(str(settings.clients)))
    return tuple(f"C{number:0{width}d}" for number in range(1, settings.clients + 1))


def trainer_labels(settings: TrialSettings) -> tuple[str, ...]:
    """Codes of the trainers.

    Examples
    --------
    >>> trainer_labels(TrialSettings(trainers=2))
    ('T1', 'T2')
    """
    width = len(str(settings.trainers))
    return tuple(f"T{number:0{width}d}" for number in range(1, settings.trainers + 1))


def allocation_dates(batch: TrialBatch, trial: int) -> Dates:
    """Day of allocation of every client of one trial, shape (clients,)."""
    first = np.datetime64(batch.settings.calendar.first_day, "D")
    return np.asarray(first + batch.traits.allocated_day[trial].astype("timedelta64[D]"))


def allocation_date(settings: TrialSettings, day: int) -> dt.date:
    """The date of a day counted from the first allocation."""
    return settings.calendar.first_day + dt.timedelta(days=int(day))


def clients_of(batch: TrialBatch, trial: int) -> Clients:
    """The clients of one trial as the outcomes know them.

    Parameters
    ----------
    batch : TrialBatch
    trial : int
        Index of the trial in the batch.

    Returns
    -------
    Clients
        Factors are the stratifiers of the settings other than the trainer; there are no covariates.
    """
    settings, traits = batch.settings, batch.traits
    factors = tuple(
        (factor.code, frozen_array(traits.levels[index, trial], np.int64), factor.levels)
        for index, factor in enumerate(settings.factors)
        if factor.code in settings.strata
    )
    return Clients(
        labels=client_labels(settings),
        arm=frozen_array(batch.arm[trial], np.int64),
        arm_labels=settings.drawn,
        trainer=frozen_array(traits.trainer[trial], np.int64),
        trainer_labels=trainer_labels(settings),
        factors=factors,
        covariates=(),
        allocated_on=frozen_array(allocation_dates(batch, trial)),
    )
