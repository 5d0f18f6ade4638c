"""A continuous outcome of a study: analysed, and with its allocation drawn again."""

from __future__ import annotations

from studykit.kinds.continuous.assembly import analyse_strength
from studykit.kinds.continuous.rerandomise import rerandomise_scores, rerandomise_within
from studykit.kinds.continuous.results import ContinuousResult
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.kinds.continuous.within_result import analyse_within
from studykit.outcomes.rerandomisation import RedrawnArms
from studykit.outcomes.results import RerandomisationTest
from studykit.protocol.types import Protocol
from studykit.records.rows import StrengthRows, StudyRows


def analyse(protocol: Protocol, outcome: ContinuousOutcome, rows: StudyRows) -> ContinuousResult:
    """By the design: between clients, or within them where one client meets both arms.

    Raises
    ------
    ArgumentError, DesignError, FitError
        As `analyse_strength`.
    """
    analysis = analyse_within if protocol.plan.within else analyse_strength
    return analysis(protocol, outcome, _own(outcome, rows), spells=rows.retention)


def rerandomise(
    protocol: Protocol, outcome: ContinuousOutcome, rows: StudyRows, *, drawn: RedrawnArms
) -> RerandomisationTest:
    """By the design, as `analyse`."""
    again = rerandomise_within if protocol.plan.within else rerandomise_scores
    return again(protocol, outcome, _own(outcome, rows), drawn=drawn)


def _own(outcome: ContinuousOutcome, rows: StudyRows) -> StrengthRows:
    return next(scores for scores in rows.strength if scores.outcome == outcome.code)
