"""What planning assumes of a continuous outcome, estimated from one's own records."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from studykit.kinds.continuous.planned_model import told
from studykit.kinds.continuous.scores import analysis_scores, score_cube
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.outcomes.clients import ClientArrays
from studykit.planning.own_spread import (
    LEAST_CLIENTS,
    Figure,
    OwnRecords,
    correlation_of,
    intraclass_correlation,
    spread_of,
)
from studykit.protocol.types import Protocol
from studykit.results import Estimate
from studykit.retention.clock import active_status
from studykit.retention.proportions import Proportion

Floats = NDArray[np.float64]
_MOST_CORRELATION = 0.99


def own_figures(protocol: Protocol, outcome: ContinuousOutcome, records: OwnRecords) -> None:
    """Spread, correlations, gains, trainers and missed tests, from tests before and at the primary visit."""
    _of_scores(outcome, records)
    _missed_tests(protocol, outcome, records)


def _of_scores(outcome: ContinuousOutcome, records: OwnRecords) -> None:
    """Spread, correlations, gains and trainers, from tests before and at the primary visit."""
    rows = records.rows.outcomes.get(outcome.code)
    if rows is None or not rows.client.size or outcome.primary_visit not in rows.visit_labels:
        records.remarks.append(
            f"{outcome.name}: no test was found (strength.csv or measurements.csv): assumptions kept"
        )
        return
    cube = score_cube(rows, analysis_scores(rows, outcome.scale))
    before = np.nanmean(cube[:, list(rows.baseline_visits)], axis=1) if rows.baseline_visits else None
    after = cube[:, rows.visit_labels.index(outcome.primary_visit)]
    known = np.isfinite(after).all(axis=1)
    if before is None or (known & np.isfinite(before).all(axis=1)).sum() < LEAST_CLIENTS:
        records.remarks.append(
            f"{outcome.name}: fewer than {LEAST_CLIENTS} clients have tests before and at "
            f"{outcome.primary_visit}: assumptions kept"
        )
        return
    facts = ClientArrays.of_study(rows.clients).facts().values[0]
    lost = facts.shape[1]
    tested = np.isfinite(before).all(axis=1)
    both = known & tested
    early, late = (_centred(values[both], facts[both]) for values in (before, after))
    gain = late - early
    freedom = int(both.sum()) - 1 - lost
    first = _centred(before[tested], facts[tested])
    trainer = rows.clients.trainer[both]
    trainers = int(np.unique(trainer).size)
    mean_gain = (after - before)[both].mean(axis=1)

    records.put("sd_score", lambda: spread_of(first, freedom=int(tested.sum()) - 1 - lost))
    records.put("correlation_baseline", lambda: correlation_of(early, late, lost=lost),
                limits=(-_MOST_CORRELATION, _MOST_CORRELATION))  # fmt: skip
    records.put("sd_gain", lambda: spread_of(gain, freedom=freedom))
    records.put("gain_reference", lambda: _mean_gain(mean_gain, outcome.scale))
    if gain.shape[1] > 1:
        records.put(
            "correlation_exercises",
            lambda: _between_exercises(early, late, lost),
            limits=(0.0, _MOST_CORRELATION),
        )
    records.put("trainer_icc_strength", lambda: intraclass_correlation(gain.mean(axis=1), trainer),
                limits=(0.0, 0.9), trainers=trainers)  # fmt: skip


def _centred(values: Floats, facts: Floats) -> Floats:
    """What means and stratifiers leave of each column."""
    matrix = np.column_stack([np.ones(len(values)), facts])
    return np.asarray(values - matrix @ np.linalg.lstsq(matrix, values, rcond=None)[0])


def _mean_gain(gain: Floats, scale: str) -> Figure:
    """Mean gain of all clients, as it is told, with t."""
    error = float(gain.std(ddof=1)) / math.sqrt(gain.size)
    interval = Estimate(float(gain.mean()), error, gain.size - 1.0, "residual").confidence_interval(0.95)
    value, low, high = (told(end, scale) for end in (float(gain.mean()), interval.lower, interval.upper))
    return Figure(value, low, high, gain.size)


def _between_exercises(early: Floats, late: Floats, lost: int) -> Figure:
    """Correlation of two exercises once the test before is accounted for: mean over all pairs."""
    left = np.column_stack(
        [
            late[:, place]
            - early[:, place] * (early[:, place] @ late[:, place]) / (early[:, place] ** 2).sum()
            for place in range(late.shape[1])
        ]
    )
    first, second = np.triu_indices(left.shape[1], 1)
    return correlation_of(left[:, first], left[:, second], lost=lost + 1)


def _missed_tests(protocol: Protocol, outcome: ContinuousOutcome, records: OwnRecords) -> None:
    """Share of clients who still trained at the primary visit and were not tested."""
    rows, stays = records.rows, next(iter(protocol.of_kind("retention")), None)
    scores = rows.outcomes.get(outcome.code)
    if scores is None or not scores.client.size or rows.retention is None or stays is None:
        return
    day = protocol.visit(outcome.primary_visit).day
    status = active_status(rows.retention.histories, day, rule=stays.absence_rule())
    here = status == 1.0
    seen = np.zeros(rows.clients.number, dtype=bool)
    seen[scores.client[scores.visit == scores.visit_labels.index(outcome.primary_visit)]] = True
    if here.sum() >= LEAST_CLIENTS and seen.any():
        share = Proportion(int((here & ~seen).sum()), int(here.sum()))
        interval = share.confidence_interval(0.95)
        own = Figure(share.value, interval.lower, interval.upper, int(here.sum()))
        records.put("missed_tests", lambda: own, limits=(0.0, 0.9))
