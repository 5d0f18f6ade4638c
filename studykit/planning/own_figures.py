"""What is gathered from one's own records for one outcome: figures, and what could not be had."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from studykit.errors import FitError
from studykit.planning.own_spread import Figure
from studykit.protocol.types import Assumption, Evidence
from studykit.records.rows import StudyRows

LEAST_CLIENTS = 8
_MODERATE_FROM = 40  # clients; fewer are weak evidence, as are shares between fewer than ten trainers
_MANY_TRAINERS = 10


@dataclass(slots=True)
class OwnRecords:
    """One's own records, and what was found in them so far.

    Parameters
    ----------
    rows : StudyRows
        All clients together.
    source : str
        What is written as the source of each figure.
    found : dict of str to Assumption
        By key of the assumption.
    remarks : list of str
    """

    rows: StudyRows
    source: str
    found: dict[str, Assumption] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)

    def put(
        self,
        key: str,
        estimate: Callable[[], Figure],
        *,
        limits: tuple[float, float] = (-math.inf, math.inf),
        trainers: int | None = None,
    ) -> None:
        """Add one figure; where it cannot be estimated, say why."""
        try:
            own = estimate()
        except FitError as reason:
            self.remarks.append(f"{key}: kept as the protocol assumes it: {reason}")
            return
        value, low, high = (
            min(max(number, limits[0]), limits[1]) for number in (own.value, own.low, own.high)
        )
        enough = own.clients >= _MODERATE_FROM and (trainers is None or trainers >= _MANY_TRAINERS)
        evidence: Evidence = "moderate" if enough else "weak"
        of = f"{own.clients} clients" + ("" if trainers is None else f", {trainers} trainers")
        self.found[key] = Assumption(
            value=value, low=min(low, value), high=max(high, value), source=f"{self.source} ({of})",
            evidence=evidence,
        )  # fmt: skip
