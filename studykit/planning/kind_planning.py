"""What planning asks of every kind of outcome; each answers in its own ``planning`` module."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol, cast

from studykit import kinds
from studykit.errors import DesignError
from studykit.planning.assumptions import Assumptions
from studykit.planning.improvements import Improvement
from studykit.planning.outcome_plan import OutcomePlan, OutcomePoint
from studykit.planning.own_figures import OwnRecords
from studykit.protocol import types
from studykit.protocol.outcome import OutcomeSection


class KindPlanning(Protocol):
    """The planning of one kind; ``protocol`` is the view for the outcome, which is its section there."""

    MOVE_WIDTH: tuple[str, ...]
    """Assumptions that move the width of its interval."""

    def missing(self, protocol: types.Protocol, outcome: Any) -> DesignError | None:
        """The refusal where something must be assumed and is not; None where it can be planned."""

    def plan(
        self,
        protocol: types.Protocol,
        outcome: Any,
        assumptions: Assumptions,
        *,
        clients: int,
        counts: tuple[int, ...],
        alpha: float | None = None,
    ) -> OutcomePlan:
        """What the study can tell; DesignError where nothing can be estimated."""

    def point(
        self,
        protocol: types.Protocol,
        outcome: Any,
        assumptions: Assumptions,
        *,
        clients: int,
        alpha: float | None = None,
    ) -> OutcomePoint | None:
        """What one number of clients tells; ``None`` where nothing can be estimated."""

    def improvements(
        self, protocol: types.Protocol, outcome: Any, assumptions: Assumptions, plan: Any, *, months: float
    ) -> Iterator[Improvement]:
        """Changes of the plan that make its answer sharper, each by itself."""

    def own_figures(self, protocol: types.Protocol, outcome: Any, records: OwnRecords) -> None:
        """What it assumes, estimated from one's own records."""


def planning_of(outcome: Any) -> KindPlanning:
    """The planning of an outcome's kind."""
    return cast("KindPlanning", kinds.part(outcome.kind, "planning"))


def planned_outcomes(protocol: types.Protocol) -> tuple[OutcomeSection, ...]:
    """Outcomes that are planned and simulated, primary first: of further ones enough must be known."""
    left = {outcome.code for outcome, _ in left_out(protocol)}
    return tuple(outcome for outcome in protocol.outcomes_by_role if outcome.code not in left)


def left_out(protocol: types.Protocol) -> tuple[tuple[OutcomeSection, DesignError], ...]:
    """Further outcomes of a kind of which too little is known, each with what is missing."""
    return tuple(
        (outcome, missing)
        for outcome in protocol.outcomes_by_role
        if not protocol.is_first_of_kind(outcome)
        and (missing := planning_of(outcome).missing(protocol.for_outcome(outcome), outcome))
    )
