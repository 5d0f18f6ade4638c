"""What planning assumes of retention and attendance, estimated from one's own records."""

from __future__ import annotations

import math

import numpy as np

from studykit.errors import FitError
from studykit.kinds.retention.section import RetentionOutcome
from studykit.kinds.retention.time import spells_to_horizon
from studykit.planning.own_spread import (
    LEAST_CLIENTS,
    Figure,
    OwnRecords,
    intraclass_correlation,
    weibull_shape,
)
from studykit.protocol.types import Protocol
from studykit.retention.censored import CensoredTimes
from studykit.retention.clock import active_status
from studykit.retention.curves import kaplan_meier


def own_figures(protocol: Protocol, outcome: RetentionOutcome, records: OwnRecords) -> None:
    """Share retained, shape of the curve, what lies between trainers, and booked sessions attended."""
    del protocol
    _of_spells(outcome, records)
    _attendance(records)


def _of_spells(outcome: RetentionOutcome, records: OwnRecords) -> None:
    """Share retained at the horizon, shape of the curve, and what lies between trainers."""
    spells, rule = records.rows.retention, outcome.absence_rule()
    if spells is None or not any(history.attended for history in spells.histories):
        records.remarks.append(
            f"{outcome.name}: no attended session was found (sessions.csv): assumptions kept"
        )
        return
    try:
        times = spells_to_horizon(spells, outcome.horizon_day, rule).times
        curve = kaplan_meier(times)
        reached = bool((np.asarray(times.time) >= outcome.horizon_day).any()) or curve.at(1.0).value == 0.0
    except FitError as reason:
        records.remarks.append(f"{outcome.name}: {reason}")
        return
    if len(times) < LEAST_CLIENTS or not reached:
        records.remarks.append(
            f"{outcome.name}: the records do not follow {LEAST_CLIENTS} clients to day "
            f"{outcome.horizon_day}: assumptions kept"
        )
        return
    share = curve.at(outcome.horizon_day)
    interval = share.confidence_interval(0.95)
    figure = Figure(share.value, interval.lower, interval.upper, len(times))
    records.put("retention_reference", lambda: figure, limits=(0.02, 0.98))
    records.put(
        "departure_shape", lambda: weibull_shape(_last_seen(times, rule.absence_days)), limits=(0.3, 3.0)
    )
    status = active_status(spells.histories, outcome.horizon_day, rule=rule)
    known = np.isfinite(status)
    trainer = spells.clients.trainer[known]
    trainers = int(np.unique(trainer).size)
    records.put("trainer_icc_retention", lambda: intraclass_correlation(status[known], trainer),
                limits=(0.0, 0.9), trainers=trainers)  # fmt: skip


def _last_seen(times: CensoredTimes, absence: int) -> CensoredTimes:
    """Times of leaving in place of times of confirming it; clients followed for less are left out."""
    time = np.asarray(times.time) - absence
    kept = time > 0.0
    return CensoredTimes(time[kept], np.asarray(times.event)[kept])


def _attendance(records: OwnRecords) -> None:
    """Share of booked sessions attended, over clients."""
    rows = records.rows
    if rows.sessions is None or not rows.sessions.client.size:
        return
    booked = np.bincount(rows.sessions.client, minlength=rows.clients.number)
    attended = np.bincount(rows.sessions.client[rows.sessions.attended], minlength=rows.clients.number)
    share = attended[booked > 0] / booked[booked > 0]
    if share.size >= LEAST_CLIENTS:
        reach = 1.96 * float(share.std(ddof=1)) / math.sqrt(share.size)
        own = Figure(
            float(share.mean()), float(share.mean()) - reach, float(share.mean()) + reach, share.size
        )
        records.put("attended_of_planned", lambda: own, limits=(0.02, 0.98))
