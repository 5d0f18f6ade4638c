"""A continuous outcome of a study: analysed, and with its allocation drawn again."""

from __future__ import annotations

from collections.abc import Iterator
from typing import cast

import numpy as np

from studykit.kinds.continuous.assembly import analyse_continuous
from studykit.kinds.continuous.rerandomisation import rerandomise as rerandomise_between
from studykit.kinds.continuous.rerandomisation import rerandomise_within
from studykit.kinds.continuous.results import ContinuousResult
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.kinds.continuous.within_result import analyse_within
from studykit.outcomes.rerandomisation import RedrawnArms
from studykit.outcomes.results import RerandomisationTest
from studykit.protocol.types import Protocol
from studykit.records.rows import Floats, Scores, StudyRows


def analyse(protocol: Protocol, outcome: ContinuousOutcome, rows: StudyRows) -> ContinuousResult:
    """By the design: between clients, or within them where one client meets both arms.

    Raises
    ------
    ArgumentError, DesignError, FitError
        As `analyse_continuous`.
    """
    analysis = analyse_within if protocol.plan.within else analyse_continuous
    return analysis(protocol, outcome, _own(outcome, rows), spells=rows.retention)


def baseline(outcome: ContinuousOutcome, rows: StudyRows) -> Iterator[tuple[str, str, Floats]]:
    """Scores before allocation, by visit and exercise."""
    scores = _own(outcome, rows)
    for visit in scores.baseline_visits:
        for place, exercise in enumerate(scores.exercise_labels):
            own = (scores.visit == visit) & (scores.exercise == place)
            values = np.full(scores.clients.number, np.nan)
            values[scores.client[own]] = scores.score[own]
            parts = [outcome.name, exercise] if exercise else [outcome.name]
            if len(scores.baseline_visits) > 1:
                parts.append(scores.visit_labels[visit])
            yield ", ".join(parts), outcome.unit, values


def rerandomise(
    protocol: Protocol, outcome: ContinuousOutcome, rows: StudyRows, *, drawn: RedrawnArms
) -> RerandomisationTest:
    """By the design, as `analyse`."""
    again = rerandomise_within if protocol.plan.within else rerandomise_between
    return again(protocol, outcome, _own(outcome, rows), drawn=drawn)


def _own(outcome: ContinuousOutcome, rows: StudyRows) -> Scores:
    return cast("Scores", rows.outcomes[outcome.code])
