"""The parts of a protocol that are about its size: assumptions, and the rules of a pilot study."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from studykit.protocol.base import Many, Section, Text

Evidence = Literal["strong", "moderate", "weak", "judgement"]


class Assumption(Section):
    """A number assumed for planning, with where it comes from."""

    value: float
    low: float | None = None
    high: float | None = None
    source: Text
    evidence: Evidence = "weak"

    @property
    def ends(self) -> tuple[float, float]:
        """Of the plausible range; the value itself where none is stated."""
        return (
            self.value if self.low is None else self.low,
            self.value if self.high is None else self.high,
        )

    @property
    def farthest(self) -> float:
        """Size of the end that lies farthest from nothing."""
        return max(map(abs, self.ends))


class ScoresAssumed(Section):
    """What is assumed of one outcome that is measured; scores are on the analysis scale."""

    sd_score: Assumption | None = None
    correlation_baseline: Assumption | None = None
    correlation_exercises: Assumption | None = None
    measurement_sd: Assumption | None = None
    gain_reference: Assumption | None = None
    sd_gain: Assumption | None = None
    effect_strength: Assumption | None = Field(
        None, description="per cent on the log scale, else in the unit"
    )
    trainer_icc_strength: Assumption | None = None
    trainer_by_arm_sd: Assumption | None = None
    correlation_limbs: Assumption | None = Field(
        None, description="between a client's two limbs, tests before accounted for"
    )


class StayingAssumed(Section):
    """What is assumed of how many clients stay."""

    retention_reference: Assumption | None = None
    departure_shape: Assumption | None = None
    effect_retention: Assumption | None = Field(None, description="percentage points")
    trainer_icc_retention: Assumption | None = None


class Planning(StayingAssumed, ScoresAssumed):
    """What is assumed when the size of the study is judged; scores are those of the first outcome."""

    clients: int = Field(40, ge=4, le=100_000, description="clients in all arms together")
    trainers: int = Field(1, ge=1, le=1000)
    power: float = Field(0.8, ge=0.5, le=0.999)
    effect_declared: Literal["as offered", "under full delivery"] = "as offered"
    attended_of_planned: Assumption | None = None
    delivered_as_planned: Assumption | None = None
    contamination: Assumption | None = None
    missed_tests: Assumption | None = None
    pauses: Assumption | None = None
    sessions_per_week: Assumption | None = None
    clients_per_month: Assumption | None = Field(None, description="clients who join a month, in all arms")
    eligible_of_screened: Assumption | None = Field(None, description="share of people asked who may join")
    consented_of_eligible: Assumption | None = Field(None, description="share of those who agree to join")
    test_minutes: Assumption | None = Field(None, description="minutes of one test visit, all exercises")
    extra_minutes: Assumption | None = Field(None, description="minutes that partner reps add to a session")
    talk_minutes: Assumption | None = Field(None, description="minutes to explain, ask and record, a client")
    attendance_spread: Assumption | None = Field(
        None, description="spread between clients of how often they come, as a share of the mean"
    )
    trainer_size_variation: Assumption | None = Field(
        None, description="standard deviation of the numbers of clients of the trainers, over their mean"
    )
    hour_cost: Assumption | None = Field(None, description="cost of one hour of a trainer, in your money")


class ProgressionRule(Section):
    """One rule of a pilot study: from where to go on, and below where to stop."""

    measure: Literal["recruitment", "consent", "delivery", "tests", "retention"] = Field(
        description="clients who join a month; shares who agree, of sets done as planned, of tests done, "
        "of clients who stay to the last visit"
    )
    go_on: float = Field(ge=0.001, le=1000.0, description="from here on: go on (a share, or clients a month)")
    stop: float = Field(ge=0.0, le=1000.0, description="below this: stop; between the two: change first")


class Pilot(Section):
    """A small study first, of whether the large one can be done, with rules fixed in advance."""

    clients: int = Field(20, ge=4, le=1000, description="clients of the pilot, in all arms together")
    months: int = Field(6, ge=1, le=60, description="length of recruitment")
    rules: Annotated[tuple[ProgressionRule, ...], Many] = ()
