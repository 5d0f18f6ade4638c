"""What the protocol says of a count of sessions."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from studykit.protocol.outcome import AS_OBSERVED, OutcomeSection


class SessionCount(OutcomeSection):
    """Sessions attended in the first days."""

    what_is_done = {next(iter(AS_OBSERVED.values())): "every session counts"}
    kind: Literal["session count"]
    days: int = Field(84, ge=1, le=3660)

    @property
    def judged_on(self) -> int:
        return self.days


SECTION = SessionCount
