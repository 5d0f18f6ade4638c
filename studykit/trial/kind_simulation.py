"""What simulated trials ask of every kind of outcome; each answers in its own ``simulation`` module."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol, cast

import numpy as np
from numpy.typing import NDArray

from studykit import kinds
from studykit.outcomes.answers import Answers
from studykit.protocol import types
from studykit.trial.batch import TrialBatch
from studykit.trial.settings import TrialSettings
from studykit.trial.truth import TrueValue

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Presented:
    """The unit in which effects and widths are told, and both from values on the scale of the analysis."""

    unit: str
    effect: Callable[[Floats], Floats]
    width: Callable[[Floats], Floats]


class KindSimulation(Protocol):
    """The simulation of one kind; ``supporting`` means the analysis that supports the primary one.

    Beside these, ``world`` and ``is_known`` answer `TrialSettings.from_protocol`.
    """

    FROM_ATTENDANCE: bool
    """Whether it is seen in the sessions attended, so that these have to be simulated."""
    HAS_MODEL: bool
    """Whether its primary analysis is a mixed model with a fallback."""
    SUPPORTED_BY: str
    """Name of its supporting analysis; empty where there is none."""

    def is_simulated(self, settings: TrialSettings, outcome: Any) -> bool:
        """Whether the simulated trials show it."""

    def answers(
        self, protocol: types.Protocol, outcome: Any, batch: TrialBatch, *, supporting: bool = False
    ) -> Answers:
        """The protocol's analysis of every trial."""

    def shift(self, outcome: Any, batch: TrialBatch) -> Floats:
        """What the trainers at hand add to the truth of each trial."""

    def complete(self, outcome: Any, batch: TrialBatch) -> Floats:
        """What it would be for every client if nothing were missing; shape (trials, clients)."""

    def truth(
        self, settings: TrialSettings, outcome: Any, means: Floats, *, supporting: bool = False
    ) -> TrueValue:
        """What is true in the simulated world, from means of complete values by trial and arm."""

    def presented(self, outcome: Any, *, supporting: bool = False) -> Presented:
        """How effects and widths of its intervals are told."""


def simulation_of(outcome: Any) -> KindSimulation:
    """The simulation of an outcome's kind."""
    return cast("KindSimulation", kinds.part(outcome.kind, "simulation"))
