"""Which strategy about each event between allocation and outcome the analysis carries out.

A strategy is a promise about numbers, so one that no number follows is refused: the sentence on what
is estimated would otherwise say what was not done.
"""

from __future__ import annotations

from collections.abc import Iterator

from studykit.errors import Finding, Severity
from studykit.protocol.places import Places
from studykit.protocol.types import Protocol


def strategy_findings(protocol: Protocol, at: Places, *, severity: Severity) -> Iterator[Finding]:
    """Every strategy that is not the one carried out; a warning where it is locked already."""
    for number, outcome in enumerate(protocol.outcomes):
        if outcome.estimand is None:
            continue
        for event, done in outcome.carried_out.items():
            claimed = getattr(outcome.estimand.strategies, event)
            if claimed is not None and claimed != done:
                yield at.finding(
                    severity, ("outcomes", number, "estimand", "strategies", event), got=f'"{claimed}"',
                    expected=f'"{done}", what is carried out here: {outcome.what_is_done[done]}',
                    todo=f'No number would follow from the other. Write {event} = "{done}".',
                )  # fmt: skip
