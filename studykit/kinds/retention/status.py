"""Clients retained, departed and unknown at the horizon, by arm and by trainer."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from studykit.kinds.retention.analysis import Comparison
from studykit.kinds.retention.results import RetentionStatus
from studykit.results import Interval
from studykit.retention.clock import RetentionRule, departures
from studykit.retention.proportions import Proportion

Floats = NDArray[np.float64]


def statuses(comparison: Comparison, status: Floats, *, rule: RetentionRule) -> tuple[RetentionStatus, ...]:
    """Counts of every arm, with the share retained among those known and its Wilson interval."""
    clients, horizon = comparison.spells.clients, comparison.outcome.horizon_day
    level = comparison.protocol.analysis.confidence_level
    back = np.array(
        [
            any(
                found.confirmed_on <= horizon
                and found.returned_on is not None
                and found.returned_on <= horizon
                for found in departures(history, rule)
            )
            for history in comparison.spells.histories
        ],
        dtype=bool,
    )
    answers = []
    for code, arm in enumerate(clients.arm_labels):
        own = clients.arm == code
        retained, departed = int((own & (status == 1.0)).sum()), int((own & (status == 0.0)).sum())
        known = retained + departed
        interval = (
            Proportion(retained, known).confidence_interval(level)
            if known
            else Interval(0.0, 1.0, level, "nobody's status is known")
        )
        reasons = [
            comparison.spells.reasons[place] or "no notice: stopped coming"
            for place in np.flatnonzero(own & (status == 0.0))
        ]
        answers.append(
            RetentionStatus(
                arm=arm,
                allocated=int(own.sum()),
                retained=retained,
                departed=departed,
                unknown=int(own.sum()) - known,
                returned=int((own & (status == 1.0) & back).sum()),
                proportion=retained / known if known else math.nan,
                interval=interval,
                reasons=tuple((reason, reasons.count(reason)) for reason in sorted(set(reasons))),
            )
        )
    return tuple(answers)


def shares_by_trainer(
    comparison: Comparison, status: Floats
) -> tuple[tuple[str, tuple[tuple[str, int, int], ...]], ...]:
    """Per trainer and arm: clients retained, and clients whose status is known."""
    clients, trainers = comparison.spells.clients, comparison.trainers
    return tuple(
        (
            label,
            tuple(
                (arm, int((status[own] == 1.0).sum()), int(np.isfinite(status[own]).sum()))
                for code, arm in enumerate(clients.arm_labels)
                if (own := (trainers.trainer == place) & (clients.arm == code)).any()
            ),
        )
        for place, label in enumerate(trainers.labels)
    )
