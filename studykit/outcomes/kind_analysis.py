"""What the analysis asks of every kind of outcome; each answers in its own ``outcome`` module."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol, cast

from studykit import kinds
from studykit.outcomes.rerandomisation import RedrawnArms
from studykit.outcomes.results import OutcomeResult, RerandomisationTest
from studykit.protocol import types
from studykit.records.rows import Floats, StudyRows


class KindAnalysis(Protocol):
    """The analysis of one kind; ``outcome`` is its section of the protocol."""

    def analyse(self, protocol: types.Protocol, outcome: Any, rows: StudyRows) -> OutcomeResult:
        """Everything about one outcome; FitError where the records do not carry it yet."""

    def baseline(self, outcome: Any, rows: StudyRows) -> Iterator[tuple[str, str, Floats]]:
        """What it measured before allocation: name, unit, a value for each client."""

    def rerandomise(
        self, protocol: types.Protocol, outcome: Any, rows: StudyRows, *, drawn: RedrawnArms
    ) -> RerandomisationTest:
        """What the method of allocation alone says."""


def analysis_of(outcome: Any) -> KindAnalysis:
    """The analysis of an outcome's kind."""
    return cast("KindAnalysis", kinds.part(outcome.kind, "outcome"))
