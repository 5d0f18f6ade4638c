"""What would make the answer on a continuous outcome sharper: more clients, better tests, another design."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from studykit.errors import DesignError
from studykit.kinds.continuous.planned_model import ContinuousModel, planned_model, point_at
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.planning.assumptions import USUAL_HORIZON, Assumptions, share_still_there
from studykit.planning.outcome_plan import (
    Change,
    Improvement,
    OutcomePlan,
    level_of,
    more_studios,
    sharper,
    twice_as_long,
    with_planning,
)
from studykit.protocol.designs import DESIGNS
from studykit.protocol.reading import read_protocol
from studykit.protocol.types import Assumption, Protocol
from studykit.shipped import shipped

MORE_EXERCISES = 2


def improvements(
    protocol: Protocol,
    outcome: ContinuousOutcome,
    assumptions: Assumptions,
    plan: OutcomePlan,
    *,
    months: float,
) -> Iterator[Improvement]:
    """Changes that would make the answer sharper, each by itself, planned as a protocol with that change is.

    Parameters
    ----------
    protocol, outcome
        What is planned.
    assumptions : Assumptions
        Those of the plan, which learns of what is used here.
    plan : OutcomePlan
    months : float
        Of recruitment, as planned.
    """
    clients, alpha = plan.planned.clients, plan.model.alpha
    changes = [] if protocol.plan.words.join else [twice_as_long(protocol, clients, months)]
    changes.append(more_studios(protocol, clients, "one protocol, the same tests, one ledger"))
    changes += _better_tests(protocol, outcome, assumptions, clients)
    for change in changes:
        yield from _tried(plan, assumptions, change, alpha)
    for change in _other_designs(protocol, outcome, clients):
        yield from _tried(plan, assumptions, change, level_of(change.protocol))


def _tried(
    plan: OutcomePlan, assumptions: Assumptions, change: Change, alpha: float
) -> Iterator[Improvement]:
    try:
        point = point_at(model_of(change.protocol, alpha=alpha), change.clients)
    except DesignError:
        return
    found = sharper(plan, change, point)
    if found is not None:
        if change.protocol.plan.within == "sides":
            assumptions.value("correlation_limbs")
        yield found


def _better_tests(
    protocol: Protocol, outcome: ContinuousOutcome, assumptions: Assumptions, clients: int
) -> Iterator[Change]:
    machines = len(outcome.exercises)
    if machines > 1 and not protocol.plan.within:
        further = tuple(f"machine_{machines + 1 + place}" for place in range(MORE_EXERCISES))
        longer = outcome.model_copy(update={"exercises": (*outcome.exercises, *further)})
        rest = (longer if other.code == outcome.code else other for other in protocol.outcomes)
        yield Change(
            f"test {machines + MORE_EXERCISES} machines in place of {machines}",
            protocol.model_copy(update={"outcomes": tuple(rest)}), clients,
            "longer tests; the answer is about all of them together",
        )  # fmt: skip
    missed = assumptions.assumption("missed_tests")
    if missed.low is not None and missed.low < missed.value:
        fewer = missed.model_copy(update={"value": missed.low})
        yield Change(
            f"miss {100 * missed.low:.0f} of 100 tests in place of {100 * missed.value:.0f}",
            with_planning(protocol, missed_tests=fewer), clients,
            "reminders, and a second date for each test",
        )  # fmt: skip


def _other_designs(protocol: Protocol, outcome: ContinuousOutcome, clients: int) -> Iterator[Change]:
    """Two arms in another design; two sides of the body are compared on machines only."""
    if protocol.is_external or len(protocol.arms) > 2:
        return
    for plan in DESIGNS.values():
        words, price = plan.words.offer
        if words and plan is not protocol.plan and (outcome.exercises or plan.within != "sides"):
            yield Change(f"another design: {words}", in_design(protocol, outcome, plan.word), clients, price)


@lru_cache
def _ready(design: str) -> Protocol:
    return read_protocol(shipped("protocols") / f"{design}.toml").protocol


def in_design(protocol: Protocol, outcome: ContinuousOutcome, design: str) -> Protocol:
    """The ready protocol of a design with this protocol's assumptions, outcome and rules of decision.

    Parameters
    ----------
    protocol : Protocol
    outcome : ContinuousOutcome
        The only outcome there; its test is the ready protocol's.
    design : str
        Name of a ready protocol.

    Notes
    -----
    Machines stay as they are but where sides of the body are compared: there they are the ready protocol's.
    Leaving is restated for the horizon that goes without saying in a protocol without a retention outcome.
    """
    ready = _ready(design)
    theirs = ready.of_kind(outcome.kind)[0]
    by_sides = "sides" in (DESIGNS[design].within, protocol.plan.within)
    there = share_still_there(protocol, Assumptions(protocol), day=USUAL_HORIZON)
    kept = Assumption(value=there, source="the protocol's own, at the usual horizon")
    meant = outcome.model_copy(
        update={
            "primary_visit": theirs.primary_visit,
            "exercises": theirs.exercises if by_sides else outcome.exercises,
        }
    )
    rules = {name: getattr(protocol.analysis, name) for name in ("confidence_level", "alpha")}
    return ready.model_copy(
        update={
            "outcomes": (meant,),
            "exercises": ready.exercises if by_sides else protocol.exercises,
            "planning": protocol.planning.model_copy(update={"retention_reference": kept}),
            "analysis": ready.analysis.model_copy(update=rules),
            "oversight": protocol.oversight,
        }
    )


def model_of(protocol: Protocol, *, alpha: float | None = None) -> ContinuousModel:
    """The comparison as the protocol's own plan has it, for the continuous outcome that it is about.

    Raises
    ------
    DesignError
        As `planned_model`.
    """
    meant = protocol.of_kind("continuous")[0]
    return planned_model(
        protocol, meant, Assumptions(protocol, meant), alpha=level_of(protocol) if alpha is None else alpha
    )
