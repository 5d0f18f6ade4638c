"""What the protocol says of retention."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from studykit.protocol.base import Days, PerCent
from studykit.protocol.estimand import Strategy
from studykit.protocol.outcome import AS_OBSERVED, OF_ITS_OWN, OutcomeSection
from studykit.protocol.planned import StayingAssumed
from studykit.retention.clock import RetentionRule


class RetentionOutcome(OutcomeSection):
    """Whether and how long a client keeps training at the studio."""

    tells_who_stays: ClassVar[bool] = True
    carried_out: ClassVar[Mapping[str, Strategy]] = {
        **AS_OBSERVED,
        "leaves_studio": "is the outcome",
        "trainer_or_studio_closes": "hypothetical",
        "death_or_pregnancy": "composite",
    }
    what_is_done: ClassVar[Mapping[Strategy, str]] = {
        "treatment policy": "sessions count as they were attended, whatever else happened",
        "is the outcome": "leaving is what is counted",
        "hypothetical": "days of closure count for nobody",
        "composite": "the client counts as not retained",
    }

    kind: Literal["retention"]
    horizon_day: int = Field(
        182, ge=1, le=3660, description="days after allocation at which a client counts as retained or not"
    )
    absence_days: int = Field(
        28, ge=1, le=3660, description="countable days without a session after which a client has departed"
    )
    sensitivity_absence_days: int = Field(56, ge=1, le=3660)
    pause_cap_days: Days = Field(28, description="longest pause that stops the clock")
    pause_total_days: Days = Field(
        56, description="most days of pause that stop the clock, all pauses together"
    )
    smallest_worthwhile: Annotated[float | None, PerCent] = Field(
        None, ge=0.001, le=100.0, description='in percentage points, such as 5 or "5 %"'
    )
    assumptions: Annotated[StayingAssumed, OF_ITS_OWN] = StayingAssumed()

    @property
    def horizon(self) -> int:
        """The day at which a client counts as retained or not."""
        return self.horizon_day

    @property
    def confirmed_after(self) -> int:
        """Days of absence until a departure is one."""
        return self.absence_days

    def absence_rule(self, absence_days: int | None = None) -> RetentionRule:
        """The clock's rule of this outcome, or with another absence."""
        return RetentionRule(
            absence_days=absence_days or self.absence_days,
            pause_cap_days=self.pause_cap_days,
            pause_total_cap_days=self.pause_total_days,
        )


SECTION = RetentionOutcome
