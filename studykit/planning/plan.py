"""The plan of a study: width first, then what can and cannot be learned, power, one recommendation."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from studykit.allocation.asked import findings_on_design
from studykit.allocation.foresight import Foresight
from studykit.errors import ArgumentError, DesignError, Finding
from studykit.planning.advice import Recommendation, recommend, refused
from studykit.planning.assumptions import Assumptions, UsedAssumption, dilution
from studykit.planning.costs import CostPlan, plan_costs
from studykit.planning.drawing import drawing_sentences, foreseen_drawing
from studykit.planning.from_records import OwnFigures
from studykit.planning.interim import InterimPlan, looks_sentences, plan_looks
from studykit.planning.kind_planning import left_out, planned_outcomes, planning_of
from studykit.planning.outcome_plan import Improvement, OutcomePlan, level_of
from studykit.planning.pilot import PilotPlan, pilot_sentences, plan_pilot
from studykit.planning.sensitivity import ChancePlan, WhatIf, WidthSpread, plan_chances, what_if, width_spread
from studykit.planning.simulated_plan import SimulatedPlan
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.rules import check_protocol
from studykit.protocol.types import Assumption, Protocol

LADDER = (12, 16, 20, 24, 30, 36, 40, 48, 60, 72, 80, 96, 120, 160, 200, 240, 320, 400)
_METHOD = (
    "Closed forms with t: baseline-adjusted composite for a measured outcome, the score interval and its "
    "exact "
    "power for shares. Expected values, not promises: the interval of one study can be narrower or wider."
)
# The numbers that move a width or a power most; they are listed in the terminal where they are weak.
DECISIVE = (
    "sd_score", "correlation_baseline", "correlation_exercises", "missed_tests", "retention_reference",
    "effect_strength", "effect_retention", "trainer_icc_strength", "trainer_icc_retention",
)  # fmt: skip
SHOWN_COUNTS = (20, 40, 80, 160, 320)


@dataclass(frozen=True, slots=True)
class Plan:
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
    headline : str
        One line: the width of the primary outcome's interval, and the recommendation.
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
    headline: str
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

    def summary(self) -> str:
        """The plan as plain text for an owner."""
        return plan_text(self)


def plan_study(protocol: Protocol, *, clients: int | None = None, pilot: bool = False) -> Plan:
    """What a study can and cannot tell.

    Parameters
    ----------
    protocol : Protocol
        With its planning assumptions; what it does not state is taken from the defaults and said.
    clients : int, optional
        Clients in all arms together, if not as the protocol plans.
    pilot : bool
        Whether a pilot study is to be planned beside it in any case.

    Raises
    ------
    ArgumentError
        If ``clients`` is no whole number, or less than 4.
    DesignError
        If a number that is needed is given nowhere, or one is given that no plan can stand on.

    Examples
    --------
    >>> from studykit.protocol.reading import read_protocol
    >>> from studykit.shipped import shipped
    >>> plan = plan_study(read_protocol(shipped("protocols") / "parallel.toml").protocol, clients=40)
    >>> plan.recommendation.action
    'join other studios'
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
    planned = _planned(protocol, number, pilot=pilot)
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


def _planned(protocol: Protocol, number: int, *, pilot: bool) -> Plan:
    """The plan for so many clients, without findings."""
    alpha = level_of(protocol)
    made = _outcome_plans(protocol, number, alpha)
    plans, shared = made.plans, made.shared
    lead = plans[0] if plans else None
    advice = refused(made.trouble) if lead is None or made.trouble else _advice(protocol, lead, number)
    can, cannot = _sentences(protocol, plans)
    moved = what_if(protocol, made.sections(protocol), clients=number, alpha=alpha, used=shared.used)
    kept = dilution(shared, declared=protocol.planning.effect_declared)
    chances = tuple(plan_chances(made.assumed[plan.outcome], plan, kept=kept) for plan in plans)
    costs = plan_costs(protocol, shared, clients=number, counts=_counts(number))
    sharper = _improvements(protocol, made, months=costs.planned.months_of_recruitment)
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
        headline=_headline(lead, advice, protocol.analysis.confidence_level),
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
    found: list[Improvement] = []
    for outcome, plan in zip(made.sections(protocol), made.plans, strict=True):
        view, own = protocol.for_outcome(outcome), made.assumed[outcome.code]
        found += planning_of(outcome).improvements(view, outcome, own, plan, months=months)
    return tuple(found)


def _advice(protocol: Protocol, lead: OutcomePlan, clients: int) -> Recommendation:
    return recommend(
        lead,
        clients=clients,
        pilot=protocol.study.framework == "pilot",
        needed_for_plausible=lead.clients_to_find(lead.largest_plausible),
    )


def _sentences(protocol: Protocol, plans: tuple[OutcomePlan, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What can and cannot be told; the limits of the design once, from the first plan that knows some."""
    level, power = protocol.analysis.confidence_level, protocol.planning.power
    pairs = [plan.sentences(confidence_level=level, power=power) for plan in plans]
    limits = next((found for plan in plans if (found := plan.limits(protocol))), ())
    return tuple(can for can, _ in pairs), (*(cannot for _, cannot in pairs), *limits)


def _headline(lead: OutcomePlan | None, advice: Recommendation, confidence_level: float) -> str:
    if lead is None:
        return f"Recommendation: {advice.action}. {advice.reason}"
    width = f"{lead.planned.width:.{lead.decimals}f} {lead.unit_in_full}"
    if not math.isfinite(lead.planned.width):
        width = "endlessly"
    return (
        f"With {lead.planned.clients} clients the {100 * confidence_level:g} % interval for {lead.outcome} "
        "will be "
        f"about {width} wide; recommendation: {advice.action}."
    )


def plan_text(plan: Plan) -> str:
    """A pilot if any, what can and cannot be told, widths, costs, what is sharper, doubts, one advice."""
    lines = [plan.headline, *([plan.scope] if plan.scope else [])]
    if plan.pilot is not None:
        lines += ["", "A pilot study first", *(f"- {sentence}" for sentence in pilot_sentences(plan.pilot))]
    lines += ["", "What this study can tell" if plan.pilot is None else "What the large study can tell"]
    lines += [f"- {sentence}" for sentence in plan.can_tell]
    lines += ["", "What it cannot tell", *(f"- {sentence}" for sentence in plan.cannot_tell)]
    lines += ["", "Width of the interval, months in all, hours of work", *_ladder_lines(plan)]
    lines += _cost_lines(plan)
    sharper = [item for item in plan.improvements if item.outcome == plan.primary]
    if sharper:
        lines += ["", "What would make it sharper", *map(improvement_line, sharper)]
    if plan.drawing is not None:
        lines += ["", f"What drawing clients by {plan.drawn_by} promises"]
        lines += [f"- {sentence}" for sentence in drawing_sentences(plan.drawing)]
    if plan.looks is not None and plan.looks.boundaries:
        lines += ["", "Looks before the end", *(f"- {sentence}" for sentence in looks_sentences(plan.looks))]
    lines += _assumed_lines(plan)
    if plan.findings:
        lines += ["", "To look at", *(f"- {finding}" for finding in plan.findings)]
    lines += ["", f"Recommendation: {plan.recommendation.action}. {plan.recommendation.reason}"]
    return "\n".join(lines)


def _assumed_lines(plan: Plan) -> list[str]:
    weak = [item for item in plan.assumptions if item.is_weak]
    lines = [
        "",
        f"Assumed on weak evidence or judgement ({len(weak)} of {len(plan.assumptions)} numbers):",
    ]
    lines += [_assumption_line(item) for item in weak if item.key in DECISIVE]
    lines.append("Put in your own. The others, and the source of each, stand on the page.")
    return lines


def _assumption_line(item: UsedAssumption) -> str:
    return f"* {item.meaning}: {item.value:g} (plausible {item.low:g} to {item.high:g})"


def _ladder_lines(plan: Plan) -> list[str]:
    curves = [(found, {point.clients: point for point in found.curve}) for found in plan.outcomes]
    costs = {} if plan.costs is None else {point.clients: point for point in plan.costs.curve}
    lines = []
    for count in sorted({count for _, curve in curves for count in curve} & {*SHOWN_COUNTS, plan.clients}):
        parts = [
            f"{found.outcome} {curve[count].width:.{found.decimals}f} {found.unit}"
            for found, curve in curves
            if count in curve
        ]
        if count in costs:
            point = costs[count]
            parts.append(f"{point.months_in_all:.0f} months, {point.hours:.0f} hours")
        planned = " (planned)" if count == plan.clients else ""
        lines.append(f"{count:>5} clients: {', '.join(parts)}{planned}")
    return lines


def _cost_lines(plan: Plan) -> list[str]:
    if plan.costs is None:
        return []
    point = plan.costs.planned
    money = "" if point.money is None else f", {point.money:,.0f} in money"
    joining = (
        f"- About {point.people_asked} people to ask and {point.months_of_recruitment:.0f} months until "
        f"{point.clients} have joined; {point.months_in_all:.0f} months in all."
    )
    work = (
        f"- {point.test_visits} test visits, {point.test_hours:.0f} hours; talks and records "
        f"{point.talk_hours:.0f} hours; partner reps {point.extra_hours:.0f} hours{money}."
    )
    return ["", "What it costs, as if nobody left", joining, work]


def improvement_line(item: Improvement) -> str:
    """One improvement on one line.

    Examples
    --------
    >>> print(improvement_line(Improvement("strength", "recruit for longer", 4.9, 7.0, "%", "20 months")))
    - strength, recruit for longer: 4.9 % to either side, differences from about 7.0 %. 20 months.
    """
    unit, decimals = f" {item.unit}", 0 if item.unit == "points" else 1
    reach = "" if item.half_width is None else f"{item.half_width:.{decimals}f}{unit} to either side"
    found = "" if item.detectable is None else f"differences from about {item.detectable:.{decimals}f}{unit}"
    told = ", ".join(part for part in (reach, found) if part)
    return f"- {item.outcome}, {item.change}: {told}. {item.price[:1].upper()}{item.price[1:]}."
