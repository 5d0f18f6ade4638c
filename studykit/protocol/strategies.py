"""Which strategy about each event between allocation and outcome the analysis carries out.

A strategy is a promise about numbers, so one that no number follows is refused: the sentence on what
is estimated would otherwise say what was not done.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from studykit.errors import Finding, Severity
from studykit.protocol.estimand import Strategies, Strategy
from studykit.protocol.places import Places
from studykit.protocol.types import Protocol

_AS_OBSERVED: dict[str, Strategy] = dict.fromkeys(Strategies.model_fields, "treatment policy")

CARRIED_OUT: Mapping[str, Mapping[str, Strategy]] = MappingProxyType(
    {
        "continuous": {
            **_AS_OBSERVED,
            "leaves_studio": "hypothetical",
            "trainer_or_studio_closes": "hypothetical",
            "moves_away": "hypothetical",
            "death_or_pregnancy": "hypothetical",
        },
        "retention": {
            **_AS_OBSERVED,
            "leaves_studio": "is the outcome",
            "trainer_or_studio_closes": "hypothetical",
            "death_or_pregnancy": "composite",
        },
    }
)
"""By kind of outcome and event; it changes only together with what is computed."""

_WHAT_IS_DONE = {
    ("continuous", "treatment policy"): "every test in its window counts, whatever came before it",
    ("continuous", "hypothetical"): "tests after the client has left are not used",
    ("retention", "treatment policy"): "sessions count as they were attended, whatever else happened",
    ("retention", "is the outcome"): "leaving is what is counted",
    ("retention", "hypothetical"): "days of closure count for nobody",
    ("retention", "composite"): "the client counts as not retained",
}


def strategy_findings(protocol: Protocol, at: Places, *, severity: Severity) -> Iterator[Finding]:
    """Every strategy that is not the one carried out; a warning where it is locked already."""
    for number, outcome in enumerate(protocol.outcomes):
        if outcome.estimand is None:
            continue
        for event, done in CARRIED_OUT[outcome.kind].items():
            claimed = getattr(outcome.estimand.strategies, event)
            if claimed is not None and claimed != done:
                yield at.finding(
                    severity, ("outcomes", number, "estimand", "strategies", event), got=f'"{claimed}"',
                    expected=f'"{done}", what is carried out here: {_WHAT_IS_DONE[outcome.kind, done]}',
                    todo=f'No number would follow from the other. Write {event} = "{done}".',
                )  # fmt: skip
