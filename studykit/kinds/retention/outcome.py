"""Retention of a study: analysed, and with its allocation drawn again."""

from __future__ import annotations

from collections.abc import Iterator

from studykit.errors import FitError
from studykit.kinds.retention.assembly import analyse_retention
from studykit.kinds.retention.rerandomisation import rerandomise_retention
from studykit.kinds.retention.results import RetentionResult
from studykit.kinds.retention.section import RetentionOutcome
from studykit.outcomes.rerandomisation import RedrawnArms
from studykit.outcomes.results import RerandomisationTest
from studykit.protocol.types import Protocol
from studykit.records.rows import Floats, RetentionSpells, StudyRows


def analyse(protocol: Protocol, outcome: RetentionOutcome, rows: StudyRows) -> RetentionResult:
    """Difference in the share retained, and what supports it.

    Raises
    ------
    DesignError, FitError
        As `analyse_retention`.
    """
    return analyse_retention(protocol, _own(outcome, rows))


def baseline(outcome: RetentionOutcome, rows: StudyRows) -> Iterator[tuple[str, str, Floats]]:
    """Nothing: everybody is there before allocation."""
    del outcome, rows
    return iter(())


def rerandomise(
    protocol: Protocol, outcome: RetentionOutcome, rows: StudyRows, *, drawn: RedrawnArms
) -> RerandomisationTest:
    """Of the share retained at the horizon."""
    return rerandomise_retention(protocol, _own(outcome, rows), drawn=drawn)


def _own(outcome: RetentionOutcome, rows: StudyRows) -> RetentionSpells:
    if rows.retention is None:
        raise FitError(
            where=f"outcome {outcome.code}", expected="records of attendance", got="none",
            todo="Enter the sessions, or the departures.",
        )  # fmt: skip
    return rows.retention
