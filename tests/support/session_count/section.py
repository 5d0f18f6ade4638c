"""What the protocol says of a count of sessions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, Literal

from pydantic import Field

from studykit.protocol.estimand import Strategy
from studykit.protocol.outcome import OutcomeSection


class SessionCount(OutcomeSection):
    """Sessions attended in the first days."""

    what_is_done: ClassVar[Mapping[Strategy, str]] = {"treatment policy": "every session counts"}
    kind: Literal["session count"]
    days: int = Field(84, ge=1, le=3660)

    @property
    def horizon(self) -> int:
        return self.days


SECTION = SessionCount
