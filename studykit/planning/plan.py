"""The plan of a study: in short, then widths, what can and cannot be learned, power, one recommendation."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from studykit.allocation.asked import findings_on_design
from studykit.allocation.foresight import Foresight
from studykit.errors import ArgumentError, DesignError, Finding
from studykit.planning.advice import Recommendation, recommend, refused
from studykit.planning.assumptions import Assumptions, UsedAssumption, dilution
from studykit.planning.costs import CostPlan, plan_costs
from studykit.planning.drawing import foreseen_drawing
from studykit.planning.from_records import OwnFigures
from studykit.planning.in_short import in_short
from studykit.planning.interim import InterimPlan, plan_looks
from studykit.planning.kind_planning import left_out, planned_outcomes, planning_of
from studykit.planning.outcome_plan import Improvement, OutcomePlan, level_of
from studykit.planning.pilot import PilotPlan, plan_pilot
from studykit.planning.sensitivity import ChancePlan, WhatIf, WidthSpread, plan_chances, what_if, width_spread
from studykit.planning.together import Together, plan_together
from studykit.protocol.designs import DESIGNS
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.rules import check_protocol
from studykit.protocol.types import Assumption, Protocol
from studykit.results import FirstScreen, Result

if TYPE_CHECKING:
    from studykit.planning.simulated_plan import SimulatedPlan

LADDER = (12, 16, 20, 24, 30, 36, 40, 48, 60, 72, 80, 96, 120, 160, 200, 240, 320, 400)
_METHOD = (
    "What is expected, not a promise: the interval of one study can be narrower or wider. Worked out by "
    "formulas (closed forms with t): for strength from the mean over the machines, allowing for the test "
    "before (baseline-adjusted composite); for shares by the score interval and its exact power."
)


@dataclass(frozen=True, slots=True)
class Plan(Result):
    """What a study can and cannot tell, before anyone is enrolled.

    Parameters
    ----------
    title : str
        Of the study.
    clients : int
        Planned, in all arms together.
    trainers : int
    arms : tuple of str
        Arm codes, the reference arm first.
    primary : str
        Code of the outcome that the recommendation is about.
    confidence_level, wanted_power, alpha : float
        ``alpha`` is that of each primary outcome, halved where two share it.
    in_short : FirstScreen
        The primary outcome and the recommendation in some four sentences.
    outcomes : tuple of OutcomePlan
        Every outcome that is planned, the primary one first.
    can_tell, cannot_tell : tuple of str
        Sentences, the primary outcome first.
    scope : str
        What the plan is about and what it leaves out, ``""`` where every outcome is planned.
    not_planned : tuple of str
        Codes of the outcomes that it leaves out.
    recommendation : Recommendation
    what_if : tuple of WhatIf
        Widths if an assumption lies at either end of its plausible range.
    assumptions : tuple of UsedAssumption
        Every number used, with source and strength of evidence.
    effect_declared : str
        ``"as offered"`` or ``"under full delivery"``; only the second is diluted.
    findings : tuple of Finding
        Warnings and notes on the protocol.
    method : str
        How the numbers were found.
    drawing : Foresight or None
        Expected balance of the arms and how far the next arm could be guessed, for the protocol's way
        of drawing clients; ``None`` where clients are not drawn one by one here.
    drawn_by : str
        Name of that way, as in the protocol.
    costs : CostPlan or None
        People to ask, months, tests, hours, by number of clients.
    chances : tuple of ChancePlan
        Power and assurance by number of clients, the primary outcome first.
    spreads : tuple of WidthSpread
        Between what a width lies by the luck of the sample.
    improvements : tuple of Improvement
        What would make the answer sharper.
    looks : InterimPlan or None
        Planned looks before the end, and what unplanned ones would cost.
    together : Together or None
        Studios like this one that a question takes, where other studios are to be joined.
    pilot : PilotPlan or None
        For a pilot study, or where one is recommended or asked for.
    simulated : SimulatedPlan or None
        What simulated studies say, where they were asked for.
    own_figures : OwnFigures or None
        Assumptions that come from one's own records, where they were asked for.
    from_list : bool
        Whether an outsider draws a sealed list beforehand.
    """

    title: str
    clients: int
    trainers: int
    arms: tuple[str, ...]
    primary: str
    confidence_level: float
    wanted_power: float
    alpha: float
    in_short: FirstScreen
    outcomes: tuple[OutcomePlan, ...]
    can_tell: tuple[str, ...]
    cannot_tell: tuple[str, ...]
    scope: str
    not_planned: tuple[str, ...]
    recommendation: Recommendation
    what_if: tuple[WhatIf, ...]
    assumptions: tuple[UsedAssumption, ...]
    effect_declared: str
    findings: tuple[Finding, ...]
    method: str
    drawing: Foresight | None = None
    drawn_by: str = ""
    from_list: bool = False
    costs: CostPlan | None = None
    chances: tuple[ChancePlan, ...] = ()
    spreads: tuple[WidthSpread, ...] = ()
    improvements: tuple[Improvement, ...] = ()
    looks: InterimPlan | None = None
    together: Together | None = None
    pilot: PilotPlan | None = None
    simulated: SimulatedPlan | None = None
    own_figures: OwnFigures | None = None

    def __getitem__(self, code: str) -> OutcomePlan:
        """The plan of one outcome by its code.

        Raises
        ------
        DesignError
            If no outcome of this code is planned.
        """
        for outcome in self.outcomes:
            if outcome.outcome == code:
                return outcome
        known = ", ".join(outcome.outcome for outcome in self.outcomes) or "none"
        raise DesignError(where=f"plan[{code!r}]", expected=f"one of the outcomes planned: {known}", got=code)


def plan_study(
    protocol: Protocol, *, clients: int | None = None, pilot: bool = False, enrolled: int = 0
) -> Plan:
    """What a study can and cannot tell.

    Parameters
    ----------
    protocol : Protocol
        With its planning assumptions; what it does not state is taken from the defaults and said.
    clients : int, optional
        Clients in all arms together, if not as the protocol plans.
    pilot : bool
        Whether a pilot study is to be planned beside it in any case.
    enrolled : int
        Clients who have joined already: they are not asked again, and nobody waits for them.

    Raises
    ------
    ArgumentError
        If ``clients`` is no whole number, or less than 4.
    DesignError
        If a number that is needed is given nowhere, or one is given that no plan can stand on.

    Examples
    --------
    >>> from studykit.protocol.protocol_file import read_protocol
    >>> from studykit.shipped import shipped
    >>> plan = plan_study(read_protocol(shipped("protocols") / "parallel.toml").protocol, clients=40)
    >>> plan.recommendation.action
    'change the design'
    """
    number = protocol.planning.clients if clients is None else clients
    if not isinstance(number, int) or isinstance(number, bool) or number < 4:
        raise ArgumentError(
            where="clients", expected="a whole number, 4 or more in all arms together", got=repr(clients),
            todo="Such as clients=60.",
        )  # fmt: skip
    findings = check_protocol(protocol)
    for finding in findings:
        if finding.severity == "stop" and "planning" in finding.where:
            raise DesignError(
                where=finding.where, expected=finding.expected, got=finding.got, todo=finding.todo
            )
    planned = _planned(protocol, number, pilot=pilot, enrolled=enrolled)
    return replace(planned, findings=(*findings, *findings_on_design(protocol)))


@dataclass(frozen=True, slots=True)
class _Planned:
    """The plans of all outcomes, with what they assume, and the reasons why one could not be made."""

    plans: tuple[OutcomePlan, ...]
    assumed: dict[str, Assumptions]
    shared: Assumptions
    trouble: str

    def sections(self, protocol: Protocol) -> tuple[OutcomeSection, ...]:
        """Of the outcomes that are planned, in the order of their plans."""
        by_code = {outcome.code: outcome for outcome in protocol.outcomes}
        return tuple(by_code[plan.outcome] for plan in self.plans)


def _planned(protocol: Protocol, number: int, *, pilot: bool, enrolled: int) -> Plan:
    """The plan for so many clients, without findings."""
    alpha = level_of(protocol)
    made = _outcome_plans(protocol, number, alpha)
    plans, shared = made.plans, made.shared
    lead = plans[0] if plans else None
    costs = plan_costs(protocol, shared, clients=number, counts=_counts(number), enrolled=enrolled)
    # Before other designs are asked about, whose assumptions are not this plan's.
    moved = what_if(protocol, made.sections(protocol), clients=number, alpha=alpha, used=shared.used)
    sharper = _improvements(protocol, made, months=costs.planned.months_of_recruitment)
    advice = refused(made.trouble)
    if lead is not None and not made.trouble:
        advice = _advice(protocol, lead, number, _designs(protocol, lead, sharper))
    can, cannot = _sentences(protocol, plans)
    kept = dilution(shared, declared=protocol.planning.effect_declared)
    chances = tuple(plan_chances(made.assumed[plan.outcome], plan, kept=kept) for plan in plans)
    looks = plan_looks(protocol, tested=min((plan.tested_clients for plan in plans), default=number))
    asked = pilot or advice.action == "run as a pilot"
    trial_run = plan_pilot(protocol, shared) if asked else None
    return Plan(
        title=protocol.study.title,
        clients=number,
        trainers=protocol.planning.trainers,
        arms=protocol.arm_codes,
        primary="" if lead is None else lead.outcome,
        confidence_level=protocol.analysis.confidence_level,
        wanted_power=protocol.planning.power,
        alpha=alpha,
        in_short=in_short(
            () if made.trouble else plans, advice, costs, power=protocol.planning.power, assumed=shared.used
        ),
        outcomes=plans,
        can_tell=can,
        cannot_tell=(*cannot, *((made.trouble,) if made.trouble else ())),
        scope=_scope(protocol),
        not_planned=tuple(outcome.code for outcome, _ in left_out(protocol)),
        recommendation=advice,
        what_if=moved,
        assumptions=shared.used,
        effect_declared=protocol.planning.effect_declared,
        findings=(),
        method=_METHOD,
        drawing=foreseen_drawing(protocol, clients=number),
        drawn_by=protocol.allocation.method,
        from_list=bool(protocol.sealed_list),
        costs=costs,
        chances=chances,
        spreads=tuple(spread for spread in map(width_spread, plans) if spread is not None),
        improvements=sharper,
        looks=looks,
        together=plan_together(protocol, plans, clients=number) if advice.joins_studios else None,
        pilot=trial_run,
    )


def _counts(clients: int) -> tuple[int, ...]:
    return tuple(sorted({*LADDER, clients}))


def _scope(protocol: Protocol) -> str:
    """Which outcomes are planned and which are not, where some are not, and what is missing."""
    left = left_out(protocol)
    if not left:
        return ""
    planned = " and ".join(outcome.name for outcome in planned_outcomes(protocol))
    others = ", ".join(outcome.name for outcome, _ in left)
    missing = "; ".join(
        f"{outcome.code} needs {unknown.expected}, as [outcomes.assumptions.{unknown.where.split(', ')[-1]}]"
        for outcome, unknown in left
    )
    return (
        f"This plan is about {planned} only. It says nothing on {others}: whether so many clients are enough "
        f"there is not known. To be planned, {missing}, with its source."
    )


def _outcome_plans(protocol: Protocol, clients: int, alpha: float) -> _Planned:
    """Plans of all outcomes that can be planned, the primary one first."""
    used: dict[tuple[str, str], tuple[str, Assumption]] = {}
    shared, assumed = Assumptions(protocol, used=used), {}
    plans: list[OutcomePlan] = []
    trouble: list[str] = []
    for outcome in planned_outcomes(protocol):
        assumed[outcome.code] = own = Assumptions(protocol, outcome, used=used)
        kind, view = planning_of(outcome), protocol.for_outcome(outcome)
        if missing := kind.missing(view, outcome):
            raise missing
        try:
            plans.append(kind.plan(view, outcome, own, clients=clients, counts=_counts(clients), alpha=alpha))
        except DesignError as error:
            trouble.append(f"{outcome.name}: {error.todo or error.expected} ({error.got})")
    return _Planned(tuple(plans), assumed, shared, " ".join(trouble))


def _improvements(protocol: Protocol, made: _Planned, *, months: float) -> tuple[Improvement, ...]:
    """What helps more first, by outcome."""
    found: list[Improvement] = []
    for outcome, plan in zip(made.sections(protocol), made.plans, strict=True):
        view, own = protocol.for_outcome(outcome), made.assumed[outcome.code]
        changes = planning_of(outcome).improvements(view, outcome, own, plan, months=months)
        found += sorted(changes, key=lambda change, unit=plan.unit: change.rank(unit))  # type: ignore[misc]
    return tuple(found)


def _designs(
    protocol: Protocol, lead: OutcomePlan, sharper: tuple[Improvement, ...]
) -> tuple[Improvement, ...]:
    """Other designs that answer every primary outcome; what was trained in one period lasts into the next."""
    kinds = {outcome.kind for outcome in protocol.outcomes if outcome.role == "primary"}
    return tuple(
        item
        for item in sharper
        if item.design and item.outcome == lead.outcome
        if kinds <= DESIGNS[item.design].kinds and DESIGNS[item.design].within != "periods"
    )


def _advice(
    protocol: Protocol, lead: OutcomePlan, clients: int, others: tuple[Improvement, ...]
) -> Recommendation:
    return recommend(
        lead,
        clients=clients,
        pilot=protocol.study.framework == "pilot",
        needed_for_plausible=lead.clients_to_find(lead.largest_plausible),
        others=others,
    )


def _sentences(protocol: Protocol, plans: tuple[OutcomePlan, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What can and cannot be told; the limits of the design once, from the first plan that knows some."""
    level, power = protocol.analysis.confidence_level, protocol.planning.power
    pairs = [plan.sentences(confidence_level=level, power=power) for plan in plans]
    limits = next((found for plan in plans if (found := plan.limits(protocol))), ())
    return tuple(can for can, _ in pairs), (*(cannot for _, cannot in pairs), *limits)
