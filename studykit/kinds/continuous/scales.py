"""On which scales the values and contrasts of a continuous outcome are shown."""

from __future__ import annotations

from studykit.kinds.continuous.results import ContinuousResult
from studykit.report.numbers import PER_CENT_CHANGE, Scale, in_unit
from studykit.report.report_context import Reading


def step(reading: Reading, outcome: ContinuousResult) -> float | None:
    """Finest measuring step among the exercises of an outcome, if the protocol names any."""
    if reading.protocol is None:
        return None
    steps = [
        exercise.stack_step
        for exercise in reading.protocol.exercises
        if exercise.stack_step is not None and (not outcome.exercises or exercise.code in outcome.exercises)
    ]
    return min(steps, default=None)


def unit_scale(reading: Reading, outcome: ContinuousResult) -> Scale:
    """Values in the outcome's own unit."""
    return in_unit(outcome.unit, step(reading, outcome))


def contrast_scale(reading: Reading, outcome: ContinuousResult) -> Scale:
    """Contrasts: per cent on the log scale, else in the outcome's unit."""
    return PER_CENT_CHANGE if outcome.scale == "log" else unit_scale(reading, outcome)
