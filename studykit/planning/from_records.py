"""Planning assumptions from one's own records, with intervals; every kind of outcome estimates its own.

Arms are not looked at: all clients are taken together, so that planning on the records of a study never shows
its results. An effect of the usual size widens the spreads by less than their own error.
"""

from __future__ import annotations

from dataclasses import dataclass

from studykit.errors import ArgumentError
from studykit.planning.kind_planning import planning_of
from studykit.planning.own_spread import LEAST_CLIENTS, OwnRecords
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Assumption, Protocol
from studykit.records.rows import StudyRows


@dataclass(frozen=True, slots=True)
class OwnFigures:
    """What one's own records say.

    Parameters
    ----------
    assumptions : tuple of (str, Assumption)
        Keys of the protocol's planning section, with value, interval and source.
    remarks : tuple of str
        What could not be had from the records, and why.
    clients : int
        In the records.
    of_outcomes : tuple of (str, str, Assumption)
        Outcome and key, where they stand under that outcome.
    """

    assumptions: tuple[tuple[str, Assumption], ...]
    remarks: tuple[str, ...]
    clients: int
    of_outcomes: tuple[tuple[str, str, Assumption], ...] = ()

    def plugged_into(self, protocol: Protocol) -> Protocol:
        """The protocol with these figures in place of its own assumptions."""
        outcomes = []
        for outcome in protocol.outcomes:
            own = {key: value for code, key, value in self.of_outcomes if code == outcome.code}
            assumed = outcome.assumptions.model_copy(update=own)
            outcomes.append(outcome.model_copy(update={"assumptions": assumed}))
        planning = protocol.planning.model_copy(update=dict(self.assumptions))
        return protocol.model_copy(update={"planning": planning, "outcomes": tuple(outcomes)})


def figures_from_rows(protocol: Protocol, rows: StudyRows, *, source: str = "your own records") -> OwnFigures:
    """Estimate what planning assumes.

    Parameters
    ----------
    protocol : Protocol
    rows : StudyRows
        Of the records, all clients together.
    source : str
        What is written as the source of each figure.

    Raises
    ------
    ArgumentError
        If nothing of any outcome can be had from the records.
    """
    found: dict[str, Assumption] = {}
    of_outcomes: list[tuple[str, str, Assumption]] = []
    remarks: list[str] = []
    for outcome in protocol.outcomes_by_role:
        records = OwnRecords(rows, source)
        planning_of(outcome).own_figures(protocol, outcome, records)
        remarks += records.remarks
        for key, figure in records.found.items():
            if _under_the_outcome(protocol, outcome, key):
                of_outcomes.append((outcome.code, key, figure))
            else:
                found.setdefault(key, figure)
    if not found and not of_outcomes:
        raise ArgumentError(
            where=source,
            expected=f"tests of strength before and after, or sessions, of at least {LEAST_CLIENTS} clients",
            got="; ".join(remarks) or "nothing",
            todo="Point to a folder with clients.csv and strength.csv or sessions.csv.",
        )
    return OwnFigures(tuple(found.items()), tuple(remarks), rows.clients.number, tuple(of_outcomes))


def _under_the_outcome(protocol: Protocol, outcome: OutcomeSection, key: str) -> bool:
    """Whether a figure would go unheard under planning: of a further outcome, or one whose own counts."""
    if key not in type(outcome.assumptions).model_fields:
        return False
    return not protocol.is_first_of_kind(outcome) or getattr(outcome.assumptions, key) is not None
