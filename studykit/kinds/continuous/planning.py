"""What a study can tell about a continuous outcome, and how it is said."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import ClassVar

from studykit.errors import DesignError
from studykit.kinds.continuous.own_figures import own_figures as own_figures
from studykit.kinds.continuous.planned_model import (
    ContinuousModel,
    ContinuousPoint,
    clients_for_power,
    clients_for_width,
    on_scale,
    planned_model,
    point_at,
    told,
    told_width,
)
from studykit.kinds.continuous.regression import ENOUGH_DEGREES_OF_FREEDOM, FACTS, TRAINERS
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.planning.advice import about, capital, what_it_cannot
from studykit.planning.assumptions import USUAL_HORIZON, Assumptions, dilution, share_still_there
from studykit.planning.clusters import fewest_trainers
from studykit.planning.outcome_plan import (
    Change,
    Improvement,
    OutcomePlan,
    OutcomePoint,
    level_of,
    more_studios,
    sharper,
    twice_as_long,
    with_planning,
)
from studykit.planning.power import ErrorAndFreedom, assurance_by_t
from studykit.planning.precision import half_width_quantile
from studykit.protocol.designs import DESIGNS
from studykit.protocol.protocol_file import read_protocol
from studykit.protocol.types import Assumption, Protocol
from studykit.shipped import shipped

MOVE_WIDTH = (
    "sd_score", "correlation_baseline", "correlation_exercises", "missed_tests", "retention_reference",
    "trainer_icc_strength", "trainer_size_variation", "correlation_limbs",
)  # fmt: skip
SEARCHED = True
# Measured by analysis/08_validity_null_grid.py, 10,000 null trials a row; said of the mixed model only.
CAUTIOUS_CLUSTERS = (
    "Where trainers hardly differ the analysis is more cautious than promised: with 6 and 10 trainers of one "
    "arm each it claimed a difference in 0.4 and 1.5 of 100 simulated studies without any; 5 are allowed."
)
MORE_EXERCISES = 2


@dataclass(frozen=True, slots=True)
class ContinuousPlan(OutcomePlan):
    """What the study can tell about one continuous outcome; widths in per cent on the log scale.

    Parameters
    ----------
    model : ContinuousModel
    planned : ContinuousPoint
    curve : tuple of ContinuousPoint
    visit : str
        Name of the primary visit.
    exercises : int
        In the composite; 0 where there are none.
    """

    effect_key: ClassVar[str] = "effect_strength"

    model: ContinuousModel
    planned: ContinuousPoint
    curve: tuple[ContinuousPoint, ...]
    visit: str
    exercises: int

    @property
    def tested_clients(self) -> float:
        """Clients tested at the primary visit, expected; each once."""
        first, second = self.planned.tested_per_arm
        return first if self.model.within else first + second

    def on_scale(self, told: float) -> float:
        """Per cent to a log difference; other scales stay."""
        return on_scale(told, self.model.scale)

    def told(self, value: float) -> float:
        """A log difference to per cent; other scales stay."""
        return told(value, self.model.scale)

    def seen_at(self, critical: float, fraction: float) -> float:
        """Difference seen at least, as told, where a look at a fraction decides."""
        return self.told(critical * self.planned.standard_error / fraction**0.5)

    @property
    def one_study(self) -> tuple[float, float, float] | None:
        """As the plan has it for the planned clients."""
        known = self.planned
        return known.standard_error, known.degrees_of_freedom, sum(known.tested_per_arm)

    def clients_to_find(self, effect: float) -> int | None:
        """Clients in all arms for the wanted power at an effect as it is told."""
        return clients_for_power(self.model, effect=self.on_scale(effect))

    def power_at(self, point: OutcomePoint, effect: float) -> float:
        """By t, the standard error as for the assumed effect."""
        return _known(point).power(effect, alpha=self.model.alpha)

    def power_curve(self, effect: float) -> tuple[tuple[int, float], ...]:
        """The standard error as for that effect, which spreads clients by slips and leaks."""
        meant = replace(self.model, effect=self.on_scale(effect))
        points = (point_at(meant, count) for count in sorted({point.clients for point in self.curve}))
        return tuple((point.clients, point.power) for point in points if point is not None)

    def averaged_power(self, point: OutcomePoint, mean: float, spread: float) -> float:
        """Exact by t."""
        return assurance_by_t(mean, spread, _known(point), alpha=self.model.alpha)

    def width_quantiles(self) -> tuple[float, float] | None:
        """By the spread of the standard error."""
        low, high = (
            told_width(
                half_width_quantile(
                    chance, self.planned.standard_error, degrees_of_freedom=self.planned.degrees_of_freedom,
                    confidence_level=self.model.confidence_level,
                ),
                self.model.scale,
            )
            for chance in (0.1, 0.9)
        )  # fmt: skip
        return (low, high) if math.isfinite(high) else None

    def sentences(self, *, confidence_level: float, power: float) -> tuple[str, str]:
        """What can, and what cannot be learned."""
        point, name, unit = self.planned, capital(self.name), self.unit
        over = f" over {self.exercises} exercises" if self.exercises > 1 else ""
        found = (
            f"true differences from about {point.detectable:.1f} {unit} are found {100 * power:g} times in "
            "100"
            if math.isfinite(point.detectable)
            else f"no true difference, however large, is found {100 * power:g} times in 100"
        )
        can = (
            f"{name} at {self.visit}{over}: {found}. The {100 * confidence_level:g} % interval will be about "
            f"{point.width:.1f} {unit} wide, {point.half_width:.1f} {unit} to either side, with "
            f"{point.clients} clients, of whom about {self._who_is_tested()}."
        )
        return can, what_it_cannot(self, abs(self.effect_after_dilution), power=power)

    def _who_is_tested(self) -> str:
        first, second = self.planned.tested_per_arm
        if self.model.within is not None:
            return f"{first:.0f} are tested in both arms"
        return f"{first:.0f} and {second:.0f} are tested in the two arms"

    def limits(self, protocol: Protocol) -> tuple[str, ...]:
        """What the design cannot give: to whom the answer speaks, what cannot be told apart."""
        if protocol.is_external:
            return ()
        if self.model.nested:
            by_model = self.tested_clients >= protocol.analysis.composite_below_clients
            return (*self._limits_of_clusters(protocol), *((CAUTIOUS_CLUSTERS,) if by_model else ()))
        words = protocol.plan.words
        limits = [sentence for sentence in (words.remark, words.join, self._ladder()) if sentence]
        trainers, width = protocol.planning.trainers, self.planned.width_other_trainers
        if trainers == 1:
            return (*limits, "With one trainer, what is found holds for this trainer only.")
        holds = f"The answer holds for these {trainers} trainers; for others the interval is {width:.1f}"
        return (*limits, f"{holds} {self.unit} wide.")

    def _ladder(self) -> str:
        """What leaves the analysis where too few clients are tested for every term."""
        tested, model = self.tested_clients, self.model
        if model.within or tested - model.fixed_terms >= ENOUGH_DEGREES_OF_FREEDOM:
            return ""
        return (
            f"About {tested:.0f} tested clients are too few for every term of the analysis: {TRAINERS}, then "
            f"{FACTS} leave it, in this order and by the number tested alone; nobody chooses once scores "
            "are known."
        )

    def _limits_of_clusters(self, protocol: Protocol) -> tuple[str, ...]:
        """Whether so few trainers can ever do what clients drawn singly would (Hemming and others 2011)."""
        model = self.model
        (outcome,) = (found for found in protocol.of_kind("continuous") if found.code == self.outcome)
        alone = clients_for_power(model_of(in_design(protocol, outcome, "parallel")))
        if alone is None or model.trainer_icc == 0.0:
            return ()
        fewest = fewest_trainers(alone * min(model.shares), model.trainer_icc)
        if model.trainers >= 2 * fewest:
            return ()
        too_few = (
            f"With {model.trainers} trainers no number of clients finds the assumed difference of "
            f"{abs(self.effect_after_dilution):.1f} {self.unit} {100 * model.power:g} times in 100: that "
            f"takes at least {2 * fewest} trainers. With clients drawn one by one it takes about "
            f"{about(alone)} clients."
        )
        return (too_few,)


def _known(point: OutcomePoint) -> ErrorAndFreedom:
    assert isinstance(point, ContinuousPoint)
    return ErrorAndFreedom(point.standard_error, point.degrees_of_freedom)


def missing(protocol: Protocol, outcome: ContinuousOutcome) -> DesignError | None:
    """The spread of scores, where no default fits the unit."""
    try:
        Assumptions(protocol, outcome).value("sd_score")
    except DesignError as unknown:
        return unknown
    return None


def point(
    protocol: Protocol,
    outcome: ContinuousOutcome,
    assumptions: Assumptions,
    *,
    clients: int,
    alpha: float | None = None,
) -> ContinuousPoint | None:
    """What one number of clients tells; ``None`` where nothing can be estimated."""
    return point_at(planned_model(protocol, outcome, assumptions, alpha=alpha), clients)


def plan(
    protocol: Protocol,
    outcome: ContinuousOutcome,
    assumptions: Assumptions,
    *,
    clients: int,
    counts: tuple[int, ...],
    alpha: float | None = None,
) -> ContinuousPlan:
    """What the study can tell about one continuous outcome.

    Parameters
    ----------
    protocol, outcome, assumptions
        What is planned.
    clients : int
        Planned, in all arms together.
    counts : tuple of int
        Numbers of clients for the curve.
    alpha : float, optional
        If not the protocol's: a smaller one where several primary outcomes share it.

    Raises
    ------
    DesignError
        If nothing can be estimated with so few clients or trainers, or a needed spread is not given.
    """
    model = planned_model(protocol, outcome, assumptions, alpha=alpha)
    planned = point_at(model, clients)
    if planned is None:
        raise _too_few(model, clients)
    points = (point_at(model, count) for count in counts)
    worthwhile = outcome.smallest_worthwhile
    effect = assumptions.assumption("effect_strength")
    kept = dilution(assumptions, declared=protocol.planning.effect_declared)
    return ContinuousPlan(
        outcome=outcome.code,
        name=outcome.name,
        unit="%" if outcome.scale == "log" else outcome.unit,
        visit=protocol.visit(outcome.primary_visit).name,
        exercises=len(outcome.exercises),
        model=model,
        planned=planned,
        curve=tuple(point for point in points if point is not None),
        effect=effect.value,
        effect_after_dilution=told(model.effect, outcome.scale),
        largest_plausible=told(kept * on_scale(effect.farthest, outcome.scale), outcome.scale),
        smallest_worthwhile=worthwhile,
        clients_for_effect=clients_for_power(model),
        clients_for_worthwhile=None
        if worthwhile is None
        else clients_for_width(model, half_width=worthwhile),
    )


def _too_few(model: ContinuousModel, clients: int) -> DesignError:
    needed = "at least three trainers" if model.nested else "more tested clients than the analysis has terms"
    return DesignError(
        where="planning",
        expected="more trainers, periods or clients" if model.within else needed,
        got=f"{clients * model.tested:.0f} tested, {model.fixed_terms} terms, {model.trainers} trainers",
        todo="Nothing can be estimated with so few.",
    )


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
            other = in_design(protocol, outcome, plan.word)
            yield Change(f"another design: {words}", other, clients, price, plan.word)


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
