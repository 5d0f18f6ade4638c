"""What planning asks of every kind of outcome; each answers in its own ``planning`` module."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Literal, Protocol, cast

from studykit import kinds
from studykit.errors import DesignError
from studykit.planning.assumptions import Assumptions
from studykit.planning.outcome_plan import Improvement, OutcomePlan, OutcomePoint
from studykit.planning.own_spread import OwnRecords
from studykit.protocol import types
from studykit.protocol.outcome import OutcomeSection

if TYPE_CHECKING:
    from studykit.outcomes.answers import Answers
    from studykit.trial.batch import TrialBatch
    from studykit.trial.settings import TrialSettings


class KindPlanning(Protocol):
    """The planning of one kind; ``protocol`` is the view for the outcome, which is its section there."""

    MOVE_WIDTH: tuple[str, ...]
    """Assumptions that move the width of its interval."""
    SEARCHED: bool
    """Whether numbers of clients can be searched for by simulation; a `KindSearch` then answers."""

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


class KindSearch(Protocol):
    """What searches by simulation ask, of kinds whose analysis is linear in what is measured."""

    MOVE_SIMULATED: tuple[str, ...]
    """Assumptions that move power or width in simulated studies."""

    def true_effect(self, settings: TrialSettings, seed: int, *, precision: float = 1.0) -> float:
        """The true difference as it reaches the analysis, on its scale."""

    def with_true_effect(self, settings: TrialSettings, effect: float, seed: int) -> TrialSettings:
        """The settings in which the true difference is about this."""

    def largest_plausible(self, protocol: types.Protocol, outcome: Any) -> float:
        """The far end of the assumed effect as it reaches the analysis, on its scale."""

    def analysis_width(self, outcome: Any, told: float) -> float:
        """A width as it is told, on the scale of the analysis."""

    def clients_by_formula(
        self,
        protocol: types.Protocol,
        outcome: Any,
        *,
        trainers: int,
        alpha: float,
        target: Literal["power", "width"],
        wanted: float,
        effect: float,
    ) -> int | None:
        """Clients by the closed form; ``None`` if out of reach."""

    def stand_in(self, protocol: types.Protocol, outcome: Any, batch: TrialBatch) -> Answers:
        """A quicker analysis of each trial, alike if not right; ``nan`` where it does not go through."""


def search_of(outcome: Any) -> KindSearch:
    """What an outcome's kind answers to searches."""
    return cast("KindSearch", kinds.part(outcome.kind, "search"))


def searched_outcome(protocol: types.Protocol) -> OutcomeSection:
    """The outcome that searches are about: the first that is planned and can be searched for.

    Raises
    ------
    DesignError
        If there is none.
    """
    for outcome in planned_outcomes(protocol):
        if planning_of(outcome).SEARCHED:
            return outcome
    raise DesignError(
        where="protocol, outcomes", expected="a continuous outcome to simulate", got="none",
        todo="Add one, or plan by the closed forms alone.",
    )  # fmt: skip


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
