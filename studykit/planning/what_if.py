"""What if an assumption is wrong: the widths at either end of its plausible range."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from studykit.errors import DesignError
from studykit.planning.assumptions import Assumptions, UsedAssumption
from studykit.planning.retention import retention_at, retention_model
from studykit.planning.strength import strength_at, strength_model
from studykit.protocol.types import Assumption, Protocol

# Assumptions that move a width; effects do not.
_MOVE_STRENGTH = (
    "sd_score", "correlation_baseline", "correlation_exercises", "missed_tests", "retention_reference",
    "trainer_icc_strength", "trainer_size_variation", "correlation_limbs",
)  # fmt: skip
_MOVE_RETENTION = ("retention_reference", "trainer_icc_retention", "trainer_size_variation")


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
        Full width of the interval: per cent or unit for a continuous outcome, points for retention.
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
    protocol: Protocol, *, clients: int, alpha: float, used: tuple[UsedAssumption, ...]
) -> tuple[WhatIf, ...]:
    """Widths with each assumption at the ends of its plausible range.

    Parameters
    ----------
    protocol : Protocol
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
                found += _moved(protocol, item, end, value, clients=clients, alpha=alpha)
    return tuple(found)


def _moved(
    protocol: Protocol,
    item: UsedAssumption,
    end: Literal["low", "high"],
    value: float,
    *,
    clients: int,
    alpha: float,
) -> list[WhatIf]:
    moved = Assumption(value=value, source=item.source, evidence=item.evidence)
    changed = protocol.model_copy(update={"planning": protocol.planning.model_copy(update={item.key: moved})})
    outcome = next(iter(protocol.continuous_outcomes), None)
    assumptions = Assumptions(changed, scale="log" if outcome is None else outcome.scale)
    found: list[WhatIf] = []
    try:
        if outcome is not None and item.key in _MOVE_STRENGTH:
            strength = strength_at(strength_model(changed, outcome, assumptions, alpha=alpha), clients)
            if strength is not None:
                found.append(
                    WhatIf(
                        outcome.code, item.key, item.meaning, end, value, strength.width, strength.detectable
                    )
                )
        if protocol.retention_outcome is not None and item.key in _MOVE_RETENTION:
            kept = retention_at(retention_model(changed, assumptions, alpha=alpha), clients)
            if kept is not None:
                code = protocol.retention_outcome.code
                found.append(WhatIf(code, item.key, item.meaning, end, value, kept.width, kept.detectable))
    except DesignError:
        return []  # the end of one range can be impossible together with the others
    return found
