"""The plan of a study: width first, then what can and cannot be learned, power, one recommendation."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from studykit.allocation.asked import findings_on_design
from studykit.allocation.foresight import Foresight
from studykit.errors import ArgumentError, DesignError, Finding
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.planning.advice import (
    Recommendation,
    about,
    recommend,
    refused,
    retention_sentences,
    strength_sentences,
)
from studykit.planning.assumptions import Assumptions, UsedAssumption, dilution
from studykit.planning.chances import ChancePlan, WidthSpread, plan_chances, width_spread
from studykit.planning.clusters import fewest_trainers
from studykit.planning.costs import CostPlan, plan_costs
from studykit.planning.drawing import foreseen_drawing
from studykit.planning.improvements import Improvement, improvements
from studykit.planning.interim import InterimPlan, level_of, plan_looks
from studykit.planning.other_designs import in_design, model_of
from studykit.planning.pilot import PilotPlan, plan_pilot
from studykit.planning.retention import RetentionPlan, clients_for_retention_power, plan_retention
from studykit.planning.strength import (
    StrengthPlan,
    clients_for_strength_power,
    on_scale,
    plan_strength,
)
from studykit.planning.what_if import WhatIf, what_if
from studykit.protocol.rules import check_protocol
from studykit.protocol.types import Protocol

if TYPE_CHECKING:
    from studykit.planning.from_records import OwnFigures
    from studykit.planning.simulated_plan import SimulatedPlan

# Measured by analysis/08_validity_null_grid.py, 10,000 null trials a row; said of the mixed model only.
CAUTIOUS_CLUSTERS = (
    "Where trainers hardly differ the analysis is more cautious than promised: with 6 and 10 trainers of one "
    "arm each it claimed a difference in 0.4 and 1.5 of 100 simulated studies without any; 5 are allowed."
)
LADDER = (12, 16, 20, 24, 30, 36, 40, 48, 60, 72, 80, 96, 120, 160, 200, 240, 320, 400)
_METHOD = (
    "Closed forms with t: baseline-adjusted composite for a measured outcome, the score interval and its "
    "exact "
    "power for shares. Expected values, not promises: the interval of one study can be narrower or wider."
)


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
    strength : StrengthPlan or None
        The first continuous outcome.
    retention : RetentionPlan or None
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
    strength: StrengthPlan | None
    retention: RetentionPlan | None
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


def _planned(protocol: Protocol, number: int, *, pilot: bool) -> Plan:
    """The plan for so many clients, without findings."""
    alpha = level_of(protocol)
    strength, retention, assumptions, trouble = _outcome_plans(protocol, number, alpha)
    lead = _lead(protocol, strength, retention)
    advice = refused(trouble) if lead is None or trouble else _advice(protocol, lead, number)
    can, cannot = _sentences(protocol, strength, retention, lead)
    plans = tuple(sorted(_known(strength, retention), key=lambda item: item is not lead))
    kept = dilution(assumptions, declared=protocol.planning.effect_declared)
    moved = what_if(protocol, clients=number, alpha=alpha, used=assumptions.used)
    chances = tuple(plan_chances(assumptions, item, kept=kept) for item in plans)
    costs = plan_costs(protocol, assumptions, clients=number, counts=_counts(number))
    sharper = improvements(
        protocol, assumptions, strength, retention, months=costs.planned.months_of_recruitment
    )
    tested = number if strength is None else strength.tested_clients
    looks = plan_looks(protocol, tested=tested)
    asked = pilot or advice.action == "run as a pilot"
    trial_run = plan_pilot(protocol, assumptions) if asked else None
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
        strength=strength,
        retention=retention,
        can_tell=can,
        cannot_tell=(*cannot, *((trouble,) if trouble else ())),
        scope=_scope(protocol),
        not_planned=tuple(outcome.code for outcome in _left_out(protocol)),
        recommendation=advice,
        what_if=moved,
        assumptions=assumptions.used,
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


def _left_out(protocol: Protocol) -> tuple[ContinuousOutcome, ...]:
    """Measured outcomes but the first: they are not planned yet."""
    return protocol.continuous_outcomes[1:]


def _scope(protocol: Protocol) -> str:
    """Which outcomes are planned and which are not, where some are not."""
    left = _left_out(protocol)
    if not left:
        return ""
    planned = " and ".join(outcome.name for outcome in protocol.outcomes if outcome not in left)
    others = ", ".join(outcome.name for outcome in left)
    return (
        f"This plan is about {planned} only. It says nothing on {others}: whether so many clients are enough "
        "there is not known. To plan one of these, make it the only primary outcome in a copy of the "
        "protocol, with assumptions of its own."
    )


def _known(*plans: StrengthPlan | RetentionPlan | None) -> list[StrengthPlan | RetentionPlan]:
    return [plan for plan in plans if plan is not None]


def _counts(clients: int) -> tuple[int, ...]:
    return tuple(sorted({*LADDER, clients}))


def _outcome_plans(
    protocol: Protocol, clients: int, alpha: float
) -> tuple[StrengthPlan | None, RetentionPlan | None, Assumptions, str]:
    """Both plans, the assumptions, and the reason why one of the plans could not be made."""
    counts = _counts(clients)
    outcome = next(iter(protocol.continuous_outcomes), None)
    assumptions = Assumptions(protocol, scale="log" if outcome is None else outcome.scale)
    strength: StrengthPlan | None = None
    retention: RetentionPlan | None = None
    trouble: list[str] = []
    if outcome is not None:
        if outcome.scale != "log" and protocol.planning.sd_score is None:
            assumptions.value("sd_score")  # refused: no default fits an unknown unit
        try:
            strength = plan_strength(
                protocol, outcome, assumptions, clients=clients, counts=counts, alpha=alpha
            )
        except DesignError as error:
            trouble.append(f"{outcome.name}: {error.todo} ({error.got})")
    kept = protocol.retention_outcome
    if kept is not None:
        try:
            retention = plan_retention(
                protocol, kept, assumptions, clients=clients, counts=counts, alpha=alpha
            )
        except DesignError as error:
            trouble.append(f"{kept.name}: {error.todo or error.expected} ({error.got})")
    return strength, retention, assumptions, " ".join(trouble)


def _lead(
    protocol: Protocol, strength: StrengthPlan | None, retention: RetentionPlan | None
) -> StrengthPlan | RetentionPlan | None:
    """The plan that the recommendation is about: that of the first primary outcome, else what there is."""
    primary = next(
        (outcome for outcome in protocol.outcomes if outcome.role == "primary"), protocol.outcomes[0]
    )
    if isinstance(primary, ContinuousOutcome):
        return strength or retention
    return retention or strength


def _advice(protocol: Protocol, lead: StrengthPlan | RetentionPlan, clients: int) -> Recommendation:
    if isinstance(lead, StrengthPlan):
        largest = on_scale(lead.largest_plausible, lead.model.scale)
        needed = None if largest == 0.0 else clients_for_strength_power(lead.model, effect=largest)
    else:
        needed = _clients_for_plausible_retention(lead)
    return recommend(
        lead, clients=clients, pilot=protocol.study.framework == "pilot", needed_for_plausible=needed
    )


def _clients_for_plausible_retention(lead: RetentionPlan) -> int | None:
    compared = lead.model.reference + lead.largest_plausible / 100.0
    if not lead.model.reference < compared < 1.0:
        return None
    return clients_for_retention_power(replace(lead.model, compared=compared))


def _sentences(
    protocol: Protocol,
    strength: StrengthPlan | None,
    retention: RetentionPlan | None,
    lead: StrengthPlan | RetentionPlan | None,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    level, power = protocol.analysis.confidence_level, protocol.planning.power
    pairs: list[tuple[str, str]] = []
    if strength is not None:
        pairs.append(strength_sentences(strength, confidence_level=level, power=power))
    if retention is not None:
        pairs.append(retention_sentences(retention, confidence_level=level, power=power))
    if lead is retention:
        pairs.reverse()
    cannot = [sentence for _, sentence in pairs]
    if strength is not None:
        cannot += _limits_of_trainers(protocol, strength)
    return tuple(sentence for sentence, _ in pairs), tuple(cannot)


def _limits_of_trainers(protocol: Protocol, plan: StrengthPlan) -> list[str]:
    """What the design cannot give: to whom the answer speaks, what cannot be told apart."""
    if protocol.is_external:
        return []
    if plan.model.nested:
        by_model = plan.tested_clients >= protocol.analysis.composite_below_clients
        return [*_limits_of_clusters(protocol, plan), *([CAUTIOUS_CLUSTERS] if by_model else [])]
    words = protocol.plan.words
    limits = [sentence for sentence in (words.remark, words.join) if sentence]
    if protocol.planning.trainers == 1:
        return [*limits, "With one trainer, what is found holds for this trainer only."]
    unit = " %" if plan.unit == "%" else f" {plan.unit}"
    trainers, width = protocol.planning.trainers, plan.planned.width_other_trainers
    holds = (
        f"The answer holds for these {trainers} trainers; for others the interval is {width:.1f}{unit} wide."
    )
    return [*limits, holds]


def _limits_of_clusters(protocol: Protocol, plan: StrengthPlan) -> list[str]:
    """Whether so few trainers can ever do what clients drawn one by one would (Hemming and others 2011)."""
    model = plan.model
    outcome = protocol.continuous_outcomes[0]
    alone = clients_for_strength_power(model_of(in_design(protocol, outcome, "parallel")))
    if alone is None or model.trainer_icc == 0.0:
        return []
    fewest = fewest_trainers(alone * min(model.shares), model.trainer_icc)
    if model.trainers >= 2 * fewest:
        return []
    unit = " %" if plan.unit == "%" else f" {plan.unit}"
    too_few = (
        f"With {model.trainers} trainers no number of clients finds the assumed difference of "
        f"{abs(plan.effect_after_dilution):.1f}{unit} {100 * model.power:g} times in 100: that takes at "
        f"least {2 * fewest} trainers. With clients drawn one by one it takes about {about(alone)} clients."
    )
    return [too_few]


def _headline(
    lead: StrengthPlan | RetentionPlan | None, advice: Recommendation, confidence_level: float
) -> str:
    if lead is None:
        return f"Recommendation: {advice.action}. {advice.reason}"
    if isinstance(lead, StrengthPlan):
        width = f"{lead.planned.width:.1f} {lead.unit}"
    else:
        width = f"{lead.planned.width:.0f} percentage points"
    if not math.isfinite(lead.planned.width):
        width = "endlessly"
    return (
        f"With {lead.planned.clients} clients the {100 * confidence_level:g} % interval for {lead.outcome} "
        "will be "
        f"about {width} wide; recommendation: {advice.action}."
    )
