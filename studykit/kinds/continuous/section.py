"""What the protocol says of a continuous outcome."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from studykit.protocol.base import Code, Many, PerCent, Section, Text
from studykit.protocol.estimand import Strategy
from studykit.protocol.outcome import AS_OBSERVED, OF_ITS_OWN, OutcomeSection
from studykit.protocol.planned import ScoresAssumed


class LoadAtRepetitions(Section):
    """Score = heaviest load lifted for the prescribed number of repetitions."""

    rule: Literal["load at repetitions"]
    repetitions: int = Field(10, ge=1, le=30)


class EstimatedMaximum(Section):
    """Score = one-repetition maximum by a named published equation."""

    rule: Literal["estimated maximum"]
    equation: Literal["epley", "brzycki", "lombardi", "mayhew", "oconner", "wathen", "lander"]
    most_repetitions: int = Field(10, ge=1, le=30, description="sets with more repetitions are not used")


class AsRecorded(Section):
    """Score = the number in measurements.csv."""

    rule: Literal["as recorded"]


ScoreRule = Annotated[LoadAtRepetitions | EstimatedMaximum | AsRecorded, Field(discriminator="rule")]


class ContinuousOutcome(OutcomeSection):
    """Strength, or any other repeated or single continuous outcome."""

    carried_out: ClassVar[Mapping[str, Strategy]] = {
        **AS_OBSERVED,
        "leaves_studio": "hypothetical",
        "trainer_or_studio_closes": "hypothetical",
        "moves_away": "hypothetical",
        "death_or_pregnancy": "hypothetical",
    }
    what_is_done: ClassVar[Mapping[Strategy, str]] = {
        "treatment policy": "every test in its window counts, whatever came before it",
        "hypothetical": "tests after the client has left are not used",
    }

    kind: Literal["continuous"]
    unit: Text
    scale: Literal["log", "as_measured"] = "log"
    score: ScoreRule
    exercises: Annotated[tuple[Code, ...], Many] = Field(
        (), description="exercises that make up the score; empty where there are none"
    )
    primary_visit: Code
    higher_is_better: bool = True
    zero_rule: Literal["stop", "leave out"] = Field(
        "stop", description="what to do with a zero or assisted load, which has no logarithm"
    )
    smallest_worthwhile: Annotated[float | None, PerCent] = Field(
        None,
        ge=0.001,
        le=100_000.0,
        description='in per cent on the log scale, such as 3 or "3 %", else in the unit',
    )
    procedure: str = ""
    assumptions: Annotated[ScoresAssumed, OF_ITS_OWN] = ScoresAssumed()

    @property
    def on_log_scale(self) -> bool:
        """Whether scores are compared as ratios."""
        return self.scale == "log"

    @property
    def judged_at(self) -> str:
        """The primary visit."""
        return self.primary_visit

    @property
    def tested_on(self) -> tuple[str, ...]:
        """The exercises that make up the score."""
        return self.exercises


SECTION = ContinuousOutcome
