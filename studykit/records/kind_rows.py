"""What the records room asks of every kind of outcome; each answers in its own ``rows`` module."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Protocol, cast

from studykit import kinds
from studykit.errors import Finding
from studykit.protocol import types
from studykit.records.check_context import Scene
from studykit.records.record_tables import Records, RecordTable
from studykit.records.rows import Clients, Floats, Integers, RetentionSpells


class Tested(Protocol):
    """Values of any clients at visits, as they are on record; arrays of one length."""

    @property
    def table(self) -> RecordTable:
        """Where they stand."""

    @property
    def row(self) -> Integers:
        """Index into the table."""

    @property
    def client(self) -> Integers:
        """Index into the clients asked for."""

    @property
    def visit(self) -> Integers:
        """Index into ``visits``."""

    @property
    def exercise(self) -> Integers:
        """Index into ``exercises``."""

    @property
    def score(self) -> Floats:
        """In the outcome's unit."""

    @property
    def unit(self) -> str:
        """Of the values."""

    @property
    def visits(self) -> tuple[str, ...]:
        """All visits of the protocol, by planned day."""

    @property
    def exercises(self) -> tuple[str, ...]:
        """What is tested at a visit; one empty label where there are no exercises."""

    @property
    def baseline(self) -> tuple[int, ...]:
        """Places of the visits before allocation."""


class KindRows(Protocol):
    """The records of one kind; ``outcome`` is its section of the protocol."""

    def tables(self, outcome: Any) -> tuple[str, ...]:
        """Record tables that are there for this outcome only."""

    def derive(
        self, records: Records, protocol: types.Protocol, clients: Clients, outcome: Any,
        spells: RetentionSpells,
    ) -> tuple[Any, tuple[Finding, ...]]:  # fmt: skip
        """Its frozen rows for the allocated clients, and what somebody has to act on."""

    def tested(
        self, records: Records, protocol: types.Protocol, outcome: Any, clients: Sequence[str]
    ) -> Tested | None:
        """Values at visits of any clients; None where nothing is measured at visits."""

    def findings(self, scene: Scene, outcome: Any) -> Iterator[Finding]:
        """What is odd about its records."""


def rows_of(outcome: Any) -> KindRows:
    """The records of an outcome's kind."""
    return cast("KindRows", kinds.part(outcome.kind, "rows"))
