"""The parts of a protocol that say exactly what is to be estimated."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from studykit.protocol.base import Section

Strategy = Literal[
    "treatment policy",
    "hypothetical",
    "composite",
    "while on programme",
    "principal stratum",
    "is the outcome",
]


class Strategies(Section):
    """What is done about each event between allocation and outcome: so far only as in the ready protocols."""

    stops_programme: Strategy | None = Field(None, description="stops the programme but still comes")
    leaves_studio: Strategy | None = Field(None, description="leaves the studio")
    changes_trainer: Strategy | None = None
    misses_sessions: Strategy | None = None
    injury_or_illness: Strategy | None = None
    uses_other_method: Strategy | None = Field(None, description="is trained by the other arm's method")
    trainer_or_studio_closes: Strategy | None = None
    moves_away: Strategy | None = None
    death_or_pregnancy: Strategy | None = None


class Estimand(Section):
    """Exactly what is to be estimated."""

    population: str = ""
    arms_compared: str = ""
    variable: str = ""
    summary: Literal["ratio of geometric means", "difference in means", "risk difference"]
    missing_data: str = Field("", description="the assumption about measurements that were not obtained")
    strategies: Strategies = Strategies()
