"""One client's day of strength tests, for the tester: what may be known without knowing the arm.

Nothing here depends on the arm: not the readiness, which is the same rule in every arm and is told without
what the records say; not the visit, which follows from the day of allocation; not the tests.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from studykit.errors import DesignError
from studykit.outcomes.client_day import same_code
from studykit.outcomes.readiness import Decider, readiness_of
from studykit.outcomes.session_plan import known_client
from studykit.protocol.types import Protocol, Visit
from studykit.records.record_tables import Allocated, Records


@dataclass(frozen=True, slots=True)
class StrengthTest:
    """One outcome that is tested by lifting: its name, how it is done, and each exercise with its unit."""

    name: str
    procedure: str
    exercises: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class VisitDay:
    """A day of tests of one client, without anything that would tell the arm.

    Parameters
    ----------
    study, client : str
    today : date
    ready : bool
        Whether the client may be tested at all.
    sentence : str
        What comes before a test; empty where nothing does.
    decides : tuple of str
        Who settles it.
    visit : str
        Name of the visit whose planned day is nearest.
    first_day, last_day : date or None
        Its window; None before allocation.
    tests : tuple of StrengthTest
    """

    study: str
    client: str
    today: dt.date
    ready: bool
    sentence: str
    decides: tuple[Decider, ...]
    visit: str
    first_day: dt.date | None
    last_day: dt.date | None
    tests: tuple[StrengthTest, ...]

    @property
    def in_window(self) -> bool:
        """Whether today lies in the window, as far as it is known."""
        return (
            self.first_day is None or self.last_day is None or self.first_day <= self.today <= self.last_day
        )

    @property
    def window(self) -> str:
        """What to know of the visit's window, in one sentence; empty before allocation."""
        if self.first_day is None or self.last_day is None:
            return ""
        place = "Today lies in" if self.in_window else "Today lies outside"
        return f"{place} the window of {self.visit}: {self.first_day} to {self.last_day}."

    def summary(self) -> str:
        """A few lines for the terminal."""
        if not self.ready:
            return f"{self.sentence}\nClient {self.client}, {self.today}. Ask: {', '.join(self.decides)}."
        lines = [f"Client {self.client}, {self.today}: tests of {self.visit}", self.window]
        return "\n".join(line for line in lines if line)


def visit_day(
    protocol: Protocol,
    records: Records,
    *,
    client: str,
    allocated: Sequence[Allocated],
    today: dt.date,
) -> VisitDay:
    """One client's day of strength tests.

    Parameters
    ----------
    protocol : Protocol
        In force today.
    records : Records
    client : str
        Client code, allocated or not; capitals are passed over.
    allocated : sequence of Allocated
        For the day of allocation; no arm is looked at.
    today : date

    Raises
    ------
    ArgumentError
        If there is no such client.
    DesignError
        If the protocol tests no strength.
    """
    tests = _tests(protocol)
    if not tests:
        raise DesignError(
            where="sheet",
            expected="an outcome whose scores come from lifting (records/strength)",
            got="none in this protocol",
            todo="Make the sheet of a session: without --test.",
        )
    code = known_client(records, client, allocated)
    start = next((one.allocated_on for one in allocated if same_code(one.client, code)), None)
    visit = _nearest(protocol, None if start is None else (today - start).days)
    early, late = visit.window
    found = readiness_of(protocol, records, [code], today=today, allocated=allocated)[code]
    return VisitDay(
        study=protocol.study.title,
        client=code,
        today=today,
        ready=found.ready,
        sentence=found.told("test"),
        decides=found.decides,
        visit=visit.name,
        first_day=None if start is None else start + dt.timedelta(days=visit.day + early),
        last_day=None if start is None else start + dt.timedelta(days=visit.day + late),
        tests=tests,
    )


def _tests(protocol: Protocol) -> tuple[StrengthTest, ...]:
    lifted = (entry for entry in protocol.continuous_outcomes if entry.score.rule != "as recorded")
    return tuple(
        StrengthTest(
            entry.name,
            entry.procedure,
            tuple((one.name, one.unit) for one in map(protocol.exercise, entry.exercises)),
        )
        for entry in lifted
    )


def _nearest(protocol: Protocol, day: int | None) -> Visit:
    """The visit nearest to a day from allocation; the last one before allocation where there is none yet."""
    visits = protocol.visits if day is not None else protocol.baseline_visits or protocol.visits
    return min(visits, key=lambda visit: abs(visit.day - (day or 0)))
