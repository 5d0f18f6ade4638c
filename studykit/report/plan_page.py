"""The planning page: width first, then what can be learned, cost, power, doubts, one recommendation."""

from __future__ import annotations

from studykit.planning.plan import Plan
from studykit.planning.retention import RetentionPlan
from studykit.planning.strength import StrengthPlan
from studykit.protocol.cautions import cautions_for
from studykit.protocol.types import Protocol
from studykit.report.document import (
    Block,
    Document,
    Section,
    paragraphs,
    pictures,
    render_document,
    tables,
)
from studykit.report.gallery import WIDE, Picture
from studykit.report.numbers import GAP, Scale, level
from studykit.report.plan_drawing import drawing_section
from studykit.report.plan_figures import draw_what_if, draw_widths, what_if_height, what_if_rows
from studykit.report.reading import capital
from studykit.report.style import drawing_style, new_figure
from studykit.report.tables import NOTHING, Cell, Quantity, Table, cells, column, words_column

_POINTS = Scale("percentage points", 0)
_POWER = Scale("%", 0, 100.0)


def render_plan(plan: Plan, protocol: Protocol) -> str:
    """The plan as one HTML page that needs no network and no script."""
    return render_document(plan_document(plan, protocol))


def plan_document(plan: Plan, protocol: Protocol) -> Document:
    """The plan as values, in the order in which an owner needs it."""
    sections = (
        _width(plan),
        Section("learn", "What this study can and cannot tell", _learn(plan)),
        Section("cost", "What it costs", tables(_cost_table(plan, protocol))),
        _power(plan),
        _doubts(plan),
        _recommendation(plan),
        drawing_section(plan),
        Section("assumptions", "What is assumed", tables(_assumptions_table(plan))),
        _findings(plan),
        _cautions(protocol),
    )
    return Document(
        plan.title,
        f"Plan for {plan.clients} clients and {plan.trainers} trainers",
        (
            f"Protocol version {protocol.study.version}. Effects are taken {plan.effect_declared}.",
            plan.method,
        ),
        tuple(section for section in sections if section.blocks),
        "Written by studykit before the study; expectations, not results. No medical advice.",
    )


def _scale(found: StrengthPlan | RetentionPlan) -> Scale:
    return Scale(found.unit, 1) if isinstance(found, StrengthPlan) else _POINTS


def _plans(plan: Plan) -> tuple[StrengthPlan | RetentionPlan, ...]:
    found = [item for item in (plan.strength, plan.retention) if item is not None]
    return tuple(sorted(found, key=lambda item: item.outcome != plan.primary))


def _width(plan: Plan) -> Section:
    blocks: list[Block] = [Block("lead", plan.headline)]
    for found in _plans(plan):
        blocks += pictures(_width_picture(plan, found))
        blocks += tables(_width_table(plan, found))
    return Section("width", "How wide the interval will be", tuple(blocks))


def _width_picture(plan: Plan, found: StrengthPlan | RetentionPlan) -> Picture:
    with drawing_style():
        figure, ax = new_figure(WIDE, 2.9)
        draw_widths(
            [(point.clients, point.width) for point in found.curve],
            ax,
            planned=(found.planned.clients, found.planned.width),
            scale=_scale(found),
            smallest_worthwhile=found.smallest_worthwhile,
        )
    shown = level(plan.confidence_level)
    caption = f"{capital(found.name)}: expected width of the {shown} interval by number of clients."
    return Picture(f"plan_{found.outcome}_width", caption, figure)


def _width_table(plan: Plan, found: StrengthPlan | RetentionPlan) -> Table:
    scale, counts = _scale(found), {20, 40, 60, 80, 120, 160, 240, 320, plan.clients}
    rows = tuple(
        cells(
            f"{point.clients}{' (planned)' if point.clients == plan.clients else ''}",
            Quantity(point.width, scale),
            _detectable(point.detectable, scale),
            Quantity(point.power, _POWER),
        )
        for point in found.curve
        if point.clients in counts
    )
    wanted = f"{100 * plan.wanted_power:g}{GAP}%"
    columns = (
        words_column("clients in all arms"),
        column("width of the interval", "width", "unit"),
        column(f"difference found with {wanted} power", "difference", "unit "),
        column("power for the assumed difference"),
    )
    caption = f"{capital(found.name)}: what a number of clients can tell"
    return Table(f"plan_{found.outcome}", caption, columns, rows)


def _detectable(value: float | None, scale: Scale) -> Cell:
    return NOTHING if value is None else Quantity(value, scale)


def _learn(plan: Plan) -> tuple[Block, ...]:
    can = (Block("heading", "It can"), Block("list", plan.can_tell)) if plan.can_tell else ()
    cannot = (Block("heading", "It cannot"), Block("list", plan.cannot_tell)) if plan.cannot_tell else ()
    return (*can, *cannot)


def _cost_table(plan: Plan, protocol: Protocol) -> Table:
    visits = len(protocol.visits)
    exercises = max((len(outcome.exercises) for outcome in protocol.continuous_outcomes), default=0)
    days = max((visit.day for visit in protocol.visits), default=0)
    outcome = protocol.retention_outcome
    if outcome is not None:
        days = max(days, outcome.horizon_day + outcome.absence_days)
    rows = [
        cells("clients to recruit", plan.clients),
        cells("test visits a client", visits),
        cells("test visits in all", plan.clients * visits),
        cells("weeks that each client is followed", -(-days // 7)),
    ]
    if exercises:
        rows.insert(3, cells("single tests in all, one for each exercise", plan.clients * visits * exercises))
    note = (
        "Counted from the protocol, as if nobody left; the time and price of a visit are the owner's to add."
    )
    return Table(
        "plan_cost",
        "What the study asks of the studio",
        (words_column("what"), column("number")),
        tuple(rows),
        (note,),
    )


def _power(plan: Plan) -> Section:
    sentences = []
    for found in _plans(plan):
        scale = _scale(found)
        chance = Quantity(found.planned.power, _POWER).text()
        effect = scale.text(found.effect_after_dilution)
        sentences.append(
            f"{capital(found.name)}: if the true difference is {effect}, as assumed and after dilution, the "
            f"chance that the study finds it is {chance}."
        )
        if found.clients_for_effect is not None:
            wanted = f"{100 * plan.wanted_power:g}{GAP}%"
            sentences.append(
                f"For {wanted} power at that difference about {found.clients_for_effect} clients are needed."
            )
    return Section("power", "Power", paragraphs(*sentences))


def _doubts(plan: Plan) -> Section:
    blocks: list[Block] = []
    for found in _plans(plan):
        rows = what_if_rows(plan.what_if, found.outcome, found.planned.width)
        if not rows:
            continue
        with drawing_style():
            figure, ax = new_figure(WIDE, what_if_height(rows))
            draw_what_if(rows, ax, planned=found.planned.width, scale=_scale(found))
        caption = (
            f"{capital(found.name)}: width of the interval if one assumption lies at either end of its "
            "plausible range and the others hold."
        )
        blocks += pictures(Picture(f"plan_{found.outcome}_what_if", caption, figure))
    return Section("doubts", "What if the assumptions are wrong", tuple(blocks))


def _recommendation(plan: Plan) -> Section:
    advice = plan.recommendation
    needed = f"From {advice.clients_needed} clients on, the rule says run." if advice.clients_needed else ""
    blocks = (
        Block("lead", f"{capital(advice.action)}."),
        *paragraphs(advice.reason, needed, f"The rule: {advice.rule}"),
    )
    return Section("recommendation", "One recommendation", blocks)


def _assumptions_table(plan: Plan) -> Table:
    rows = tuple(
        cells(
            item.meaning,
            f"{item.value:g}",
            f"{item.low:g} to {item.high:g}",
            f"{item.evidence}{' (replace it by your own figure)' if item.is_weak else ''}",
            item.source,
        )
        for item in plan.assumptions
    )
    columns = (
        words_column("assumption"),
        column("value"),
        column("plausible"),
        words_column("evidence"),
        words_column("source"),
    )
    return Table("plan_assumptions", "Every number that was assumed, with its source", columns, rows)


def _findings(plan: Plan) -> Section:
    return Section(
        "findings", "To look at", (Block("list", tuple(map(str, plan.findings))),) if plan.findings else ()
    )


def _cautions(protocol: Protocol) -> Section:
    texts = tuple(f"{item.title}. {item.text}" for item in cautions_for("protocol", protocol=protocol))
    return Section("cautions", "Cautions", (Block("list", texts),))
