"""Retention in simulated trials: its world, the protocol's analysis of it, and what is true."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.kinds.retention.analysis import answer
from studykit.kinds.retention.mixed import answer_by_model
from studykit.kinds.retention.section import RetentionOutcome
from studykit.outcomes.answers import Answers
from studykit.protocol.types import Protocol
from studykit.trial.arrays import client_arrays
from studykit.trial.batch import TrialBatch
from studykit.trial.kind_simulation import Presented
from studykit.trial.settings import TrialSettings
from studykit.trial.truth import TrueValue, stays_to_horizon, true_staying_of

Floats = NDArray[np.float64]
FROM_ATTENDANCE = True
HAS_MODEL = False
SUPPORTED_BY = "mixed model"


def is_known(protocol: Protocol, outcome: RetentionOutcome) -> bool:
    """All that is assumed has a default."""
    del protocol, outcome
    return True


def is_simulated(settings: TrialSettings, outcome: RetentionOutcome) -> bool:
    """Clients of every simulated trial stay or leave."""
    del settings, outcome
    return True


def answers(
    protocol: Protocol, outcome: RetentionOutcome, batch: TrialBatch, *, supporting: bool = False
) -> Answers:
    """Difference in the share retained of every trial; the supporting one is a log odds ratio by model."""
    del outcome
    clients, status = client_arrays(protocol, batch), batch.retained.astype(float)
    if supporting:
        return answer_by_model(clients, status, confidence_level=protocol.analysis.confidence_level)
    return answer(protocol, clients, status)


def shift(outcome: RetentionOutcome, batch: TrialBatch) -> Floats:
    """Nothing: the difference is that of the clients of all trainers."""
    del outcome
    return np.zeros(batch.number)


def complete(outcome: RetentionOutcome, batch: TrialBatch) -> Floats:
    """Who is active at the horizon."""
    del outcome
    return stays_to_horizon(batch)


def truth(
    settings: TrialSettings, outcome: RetentionOutcome, means: Floats, *, supporting: bool = False
) -> TrueValue:
    """The share active at the horizon; the odds ratio is that of all clients of an arm together."""
    found = true_staying_of(settings, means, outcome.code)
    if not supporting:
        return found
    low, high = (min(max(share, 1e-6), 1.0 - 1e-6) for share in found.by_arm[:2])
    odds = math.log(high / (1.0 - high)) - math.log(low / (1.0 - low))
    error = found.monte_carlo_error / (high * (1.0 - high))
    return replace(found, unit="log ratio", value=odds, monte_carlo_error=error)


def presented(outcome: RetentionOutcome, *, supporting: bool = False) -> Presented:
    """Percentage points; a log odds ratio as it is."""
    del outcome
    if supporting:
        return Presented("log odds ratio", np.array, np.array)
    return Presented("percentage points", lambda effect: 100.0 * effect, lambda width: 100.0 * width)


def world(protocol: Protocol, outcome: RetentionOutcome, parts: Mapping[str, Any]) -> dict[str, Any]:
    """Horizon and clock of the protocol; pauses no longer than it lets them stop the clock."""
    del protocol
    attendance = parts["attendance"]
    shortest, longest = attendance.pause_days
    cap = min(outcome.pause_cap_days, outcome.pause_total_days)
    return {
        "retention": replace(
            parts["retention"],
            horizon_day=outcome.horizon_day,
            absence_days=outcome.absence_days,
            pause_cap_days=cap,
        ),
        "attendance": replace(
            attendance,
            pause_share=attendance.pause_share if cap > 0 else 0.0,
            pause_days=(min(shortest, cap), min(longest, cap)) if cap > 0 else attendance.pause_days,
        ),
    }
