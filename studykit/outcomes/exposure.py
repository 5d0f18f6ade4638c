"""How long each client was under observation in the study: the denominator of harms and of delivery."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.protocol.types import Protocol
from studykit.records.rows import StudyRows
from studykit.results import frozen_array
from studykit.retention.clock import spell

Floats = NDArray[np.float64]


def client_days(protocol: Protocol, rows: StudyRows) -> Floats:
    """Days from allocation to departure, end of the study or end of the records; shape (clients,), read-only.

    ``nan`` where the day of allocation is not known and there is no attendance either.
    """
    end = max(protocol.last_day, 1)
    rule = protocol.absence_rule
    if rows.retention is not None and rule is not None:
        return frozen_array(
            [spell(history, end, rule=rule).time for history in rows.retention.histories], float
        )
    if rows.retention is not None:  # a client's turn in one arm: it ends with its period
        return frozen_array([history.data_through for history in rows.retention.histories], float)
    known = ~np.isnat(rows.clients.allocated_on)
    days = np.full(rows.clients.number, np.nan)
    passed = (rows.data_through - rows.clients.allocated_on[known]).astype("timedelta64[D]").astype(float)
    days[known] = np.clip(passed, 0.0, end)
    return frozen_array(days)


def days_in_care(rows: StudyRows, *, absence_days: int = 28) -> Floats:
    """Days from allocation to the end of the records, or to four weeks after the last session; (clients,).

    The person-time in which a harm of the training could have been noticed and told; ``nan`` where the day
    of allocation is not known and there is no attendance either.
    """
    if rows.retention is not None:
        return frozen_array(
            [
                min(history.data_through, max(history.attended, default=0) + absence_days)
                for history in rows.retention.histories
            ],
            float,
        )
    days = np.full(rows.clients.number, np.nan)
    known = ~np.isnat(rows.clients.allocated_on)
    passed = rows.data_through - rows.clients.allocated_on[known]
    days[known] = np.maximum(passed.astype("timedelta64[D]").astype(float), 0.0)
    return frozen_array(days)
