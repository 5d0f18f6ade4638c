"""What if an assumption is wrong: the widths at either end of its plausible range."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from studykit.errors import DesignError
from studykit.planning.assumptions import Assumptions, UsedAssumption
from studykit.planning.kind_planning import planning_of
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Assumption, Protocol


@dataclass(frozen=True, slots=True)
class WhatIf:
    """One assumption moved to one end of its range, everything else as assumed.

    Parameters
    ----------
    outcome : str
        Code of the outcome whose interval is meant.
    key, meaning : str
        The assumption.
    end : {"low", "high"}
    value : float
        Of the assumption, at that end.
    width : float
        Full width of the interval, as it is told.
    detectable : float or None
        Difference found with the wanted power, in the same unit.
    """

    outcome: str
    key: str
    meaning: str
    end: Literal["low", "high"]
    value: float
    width: float
    detectable: float | None


def what_if(
    protocol: Protocol,
    outcomes: Sequence[OutcomeSection],
    *,
    clients: int,
    alpha: float,
    used: tuple[UsedAssumption, ...],
) -> tuple[WhatIf, ...]:
    """Widths with each assumption at the ends of its plausible range.

    Parameters
    ----------
    protocol : Protocol
    outcomes : sequence of OutcomeSection
        Those that are planned.
    clients : int
        In all arms together.
    alpha : float
    used : tuple of UsedAssumption
        What the plan used; others are not moved.
    """
    found: list[WhatIf] = []
    for item in used:
        ends: tuple[tuple[Literal["low", "high"], float], ...] = (("low", item.low), ("high", item.high))
        for end, value in ends:
            if value != item.value:
                for outcome in outcomes:
                    found += _moved(protocol, outcome, item, end, value, clients=clients, alpha=alpha)
    return tuple(found)


def moved_for(
    protocol: Protocol, outcome: OutcomeSection, item: UsedAssumption, value: float
) -> Protocol | None:
    """The protocol for one outcome with one assumption moved; None where that is about another outcome."""
    own = item.key in type(outcome.assumptions).model_fields and not protocol.is_first_of_kind(outcome)
    if item.outcome != (outcome.code if own else ""):
        return None
    view = protocol.for_outcome(outcome)
    moved = Assumption(value=value, source=item.source, evidence=item.evidence)
    return view.model_copy(update={"planning": view.planning.model_copy(update={item.key: moved})})


def _moved(
    protocol: Protocol,
    outcome: OutcomeSection,
    item: UsedAssumption,
    end: Literal["low", "high"],
    value: float,
    *,
    clients: int,
    alpha: float,
) -> list[WhatIf]:
    kind, changed = planning_of(outcome), moved_for(protocol, outcome, item, value)
    if changed is None or item.key not in kind.MOVE_WIDTH:
        return []
    own = Assumptions(changed, outcome)
    try:
        point = kind.point(changed, outcome, own, clients=clients, alpha=alpha)
    except DesignError:
        return []  # the end of one range can be impossible together with the others
    if point is None:
        return []
    return [WhatIf(outcome.code, item.key, item.meaning, end, value, point.width, point.detectable)]
