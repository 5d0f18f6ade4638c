"""From a simulated trial straight to the rows that the outcomes read, without going through tables.

The tests hold these rows equal to those derived from the simulated records.
"""

from __future__ import annotations

import numpy as np

from studykit.records.rows import RetentionSpells, Scores
from studykit.results import RowCount, frozen_array
from studykit.retention.clock import ClientHistory, Closure, Pause
from studykit.trial.batch import TrialBatch, observed_tests
from studykit.trial.labels import clients_of


def strength_rows(batch: TrialBatch, trial: int) -> Scores:
    """Scores of one trial, by client, visit and exercise.

    Every test that took place. Nobody is tested after leaving unless the settings say so, and what the way
    of the records leaves out further under the hypothetical strategy is about one test in a thousand: that
    of a client who trains on and was not seen for the four weeks before.

    Parameters
    ----------
    batch : TrialBatch
    trial : int
        Index of the trial in the batch.

    Returns
    -------
    Scores
    """
    settings = batch.settings
    observed = observed_tests(batch)[trial]
    client, visit, exercise = np.nonzero(observed)
    return Scores(
        outcome=settings.outcome,
        clients=clients_of(batch, trial),
        client=frozen_array(client, np.int64),
        visit=frozen_array(visit, np.int64),
        exercise=frozen_array(exercise, np.int64),
        score=frozen_array(batch.tests.score[trial][observed], float),
        day=frozen_array(batch.tests.day[trial, client, visit], float),
        visit_labels=tuple(planned.code for planned in settings.visits),
        baseline_visits=tuple(index for index, planned in enumerate(settings.visits) if planned.baseline),
        exercise_labels=tuple(machine.code for machine in settings.machines),
        rows=RowCount(client.size, client.size, unit="rows"),
    )


def retention_spells(batch: TrialBatch, trial: int) -> RetentionSpells:
    """Attendance of one trial on the retention clock.

    Parameters
    ----------
    batch : TrialBatch
    trial : int
        Index of the trial in the batch.

    Returns
    -------
    RetentionSpells
        Without registered departures, which the primary analysis does not read.
    """
    clients = batch.settings.clients
    histories = tuple(client_history(batch, trial, client) for client in range(clients))
    attended = sum(len(history.attended) for history in histories)
    return RetentionSpells(
        clients=clients_of(batch, trial),
        histories=histories,
        reasons=("",) * clients,
        registered_on=frozen_array(np.full(clients, np.nan), float),
        rows=RowCount(attended, attended, unit="rows"),
    )


def client_history(batch: TrialBatch, trial: int, client: int) -> ClientHistory:
    """What the records would say about one client's attendance."""
    seen = batch.attendance
    attended = seen.day[trial, client][seen.attended[trial, client]]
    first, last = int(seen.pause_first[trial, client]), int(seen.pause_last[trial, client])
    pauses = (Pause(first, last, int(seen.pause_entered[trial, client])),) if last >= first else ()
    closures = tuple(Closure(int(begin), int(end)) for begin, end in seen.closures[trial, client])
    return ClientHistory(
        attended=tuple(attended.tolist()),
        data_through=int(seen.through_day[trial, client]),
        pauses=pauses,
        closures=closures,
    )
