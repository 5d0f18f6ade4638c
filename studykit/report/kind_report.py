"""What the report asks of every kind of outcome; each answers in its own ``report`` module."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol, cast

from studykit import kinds
from studykit.protocol import types as protocol_types
from studykit.report.document import Block
from studykit.report.numbers import Scale
from studykit.report.report_context import Reading


@dataclass(frozen=True, slots=True)
class PlannedAnalysis:
    """One line: what was planned, its role, and what became of it."""

    what: str
    role: str
    done: str


class KindReport(Protocol):
    """The words, tables and pictures of one kind; ``result`` is the kind's own, ``planned`` its section."""

    def scale(self, reading: Reading, result: Any) -> Scale:
        """Of the primary contrast."""

    def title(self, reading: Reading, result: Any) -> str:
        """Name of the outcome, with the visit where there is one."""

    def short(self, reading: Reading, result: Any) -> str:
        """The estimate with its interval, as a part of the leading sentence."""

    def answer(self, reading: Reading, result: Any) -> tuple[str, ...]:
        """What was found, and what remains possible."""

    def conditions(self, reading: Reading, result: Any) -> tuple[str, ...]:
        """What must be read together with the answer."""

    def limits(self, reading: Reading, result: Any) -> tuple[str, ...]:
        """Limits that only this kind has, beside those that the result itself names."""

    def blocks(self, reading: Reading, result: Any) -> tuple[Block, ...]:
        """Its section of the page."""

    def fit(self, reading: Reading, result: Any) -> tuple[Block, ...]:
        """How well its model fits; empty where there is nothing to say."""

    def methods(self, reading: Reading, planned: Any, result: Any) -> str:
        """Its paragraph of the methods; ``result`` is None where there is none."""

    def model(self, protocol: protocol_types.Protocol, planned: Any) -> str:
        """What fits it, as far as that is known before there are records; empty where it is not."""

    def planned(self, reading: Reading, planned: Any, result: Any) -> list[PlannedAnalysis]:
        """Every analysis that the protocol plans of it; ``result`` is None where there is none."""


def report_of(outcome: Any) -> KindReport:
    """The report of an outcome's kind: of a result, or of a protocol's section."""
    return cast("KindReport", kinds.part(outcome.kind, "report"))
