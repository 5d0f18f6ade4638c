"""The planning page: in short, then widths; folded: what can be learned, cost, power, doubts, advice."""

from __future__ import annotations

import math

from studykit.planning.advice import about
from studykit.planning.outcome_plan import OutcomePlan
from studykit.planning.plan import Plan
from studykit.planning.plan_text import SHOWN_COUNTS
from studykit.planning.sensitivity import ChancePlan
from studykit.protocol.cautions import cautions_for
from studykit.protocol.types import Protocol
from studykit.report.document import (
    Block,
    Document,
    Picture,
    Section,
    paragraphs,
    pictures,
    render_document,
    tables,
)
from studykit.report.numbers import GAP, Scale, level
from studykit.report.plan_figures import (
    draw_chances,
    draw_what_if,
    draw_widths,
    what_if_height,
    what_if_rows,
)
from studykit.report.plan_sections import (
    costs_section,
    drawing_section,
    looks_section,
    pilot_section,
    sharper_section,
    together_section,
)
from studykit.report.plan_simulated import simulated_section
from studykit.report.report_context import capital
from studykit.report.style import WIDE, drawing_style, new_figure
from studykit.report.tables import Cell, Quantity, Table, Words, cells, column, words_column

_POWER = Scale("%", 0, 100.0)


def render_plan(plan: Plan, protocol: Protocol) -> str:
    """The plan as one HTML page that needs no network and no script."""
    return render_document(plan_document(plan, protocol))


def plan_document(plan: Plan, protocol: Protocol) -> Document:
    """The plan as values, in the order in which an owner needs it."""
    sections = (
        _width(plan),
        Section("learn", "What this study can and cannot tell", _learn(plan)),
        costs_section(plan),
        _power(plan),
        _doubts(plan),
        simulated_section(plan, protocol),
        _recommendation(plan),
        sharper_section(plan),
        together_section(plan),
        pilot_section(plan),
        Section(
            "assumptions",
            "What is assumed",
            (*paragraphs(plan.method), *tables(_assumptions_table(plan))),
        ),
        _findings(plan),
        looks_section(plan),
        drawing_section(plan),
        _cautions(protocol),
    )
    return Document(
        plan.title,
        f"Plan for {plan.clients} clients and {plan.trainers} trainers",
        (f"Protocol version {protocol.study.version}. Effects are taken {plan.effect_declared}.",),
        tuple(section for section in sections if section.blocks),
        "Written by studykit before the study; expectations, not results. No medical advice.",
        plan.in_short,
    )


def _scale(found: OutcomePlan) -> Scale:
    return Scale(found.unit_in_full, found.decimals)


def _width(plan: Plan) -> Section:
    blocks: list[Block] = [*paragraphs(plan.scope)]
    for found in plan.outcomes:
        blocks += pictures(_width_picture(plan, found))
        blocks += tables(_width_table(plan, found))
    return Section("width", "How wide the interval will be", tuple(blocks), folded=False)


def _width_picture(plan: Plan, found: OutcomePlan) -> Picture:
    spread = next((item for item in plan.spreads if item.outcome == found.outcome), None)
    with drawing_style():
        figure, ax = new_figure(WIDE, 2.9)
        draw_widths(
            [(point.clients, point.width) for point in found.curve],
            ax,
            planned=(found.planned.clients, found.planned.width),
            scale=_scale(found),
            smallest_worthwhile=found.smallest_worthwhile,
            spread=None if spread is None else (spread.low, spread.high),
        )
    shown = level(plan.confidence_level)
    caption = f"{capital(found.name)}: expected width of the {shown} interval by number of clients."
    if spread is not None:
        scale = _scale(found)
        caption += (
            f" By the luck of the sample it lies between {scale.text(spread.low)} and "
            f"{scale.text(spread.high)} in 80 of 100 studies (upright line)."
        )
    return Picture(f"plan_{found.outcome}_width", caption, figure)


def _width_table(plan: Plan, found: OutcomePlan) -> Table:
    scale, counts = Scale(found.unit, found.decimals), {*SHOWN_COUNTS, plan.clients}
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
    return Words("out of reach") if value is None or math.isinf(value) else Quantity(value, scale)


def _learn(plan: Plan) -> tuple[Block, ...]:
    can = (Block("heading", "It can"), Block("list", plan.can_tell)) if plan.can_tell else ()
    cannot = (Block("heading", "It cannot"), Block("list", plan.cannot_tell)) if plan.cannot_tell else ()
    return (*can, *cannot)


def _power(plan: Plan) -> Section:
    blocks: list[Block] = []
    chances = {found.outcome: found for found in plan.chances}
    for found in plan.outcomes:
        blocks += paragraphs(*_power_sentences(plan, found, chances.get(found.outcome)))
        if found.outcome in chances and chances[found.outcome].largest != 0.0:
            blocks += pictures(_chances_picture(plan, found, chances[found.outcome]))
    return Section("power", "Power", tuple(blocks))


def _power_sentences(plan: Plan, found: OutcomePlan, chances: ChancePlan | None) -> tuple[str, ...]:
    scale, wanted = _scale(found), f"{100 * plan.wanted_power:g}{GAP}%"
    effect = scale.text(found.effect_after_dilution)
    chance = Quantity(found.planned.power, _POWER).text()
    first = f"{capital(found.name)}: no difference is assumed, so that there is none to be found."
    if found.effect_after_dilution != 0.0:
        first = (
            f"{capital(found.name)}: if the true difference is {effect}, as assumed and after dilution, the "
            f"chance that the study finds it is {chance}."
        )
    needed = found.clients_for_effect
    second = (
        "" if needed is None else f"For {wanted} power at {effect} it takes about {about(needed)} clients."
    )
    if chances is None or chances.prior_low == chances.prior_high:
        return first, second
    low, high = scale.text(chances.prior_low), scale.text(chances.prior_high)
    third = (
        f"Nobody knows the true difference. Averaged over what is plausible, {low} to {high}, the study "
        f"finds a difference in the expected direction {100 * chances.planned.averaged:.0f} times in 100. "
        f"No number of clients makes it more than {100 * chances.at_most:.0f}: so likely is that direction."
    )
    return first, second, third


def _chances_picture(plan: Plan, found: OutcomePlan, chances: ChancePlan) -> Picture:
    with drawing_style():
        figure, ax = new_figure(WIDE, 2.9)
        draw_chances(chances, ax, scale=_scale(found), wanted_power=plan.wanted_power)
    caption = (
        f"{capital(found.name)}: how often a study finds a difference, by number of clients. "
        f"Upright line: the plan; dashed level: {100 * plan.wanted_power:g} of 100."
    )
    return Picture(f"plan_{found.outcome}_chances", caption, figure)


def _doubts(plan: Plan) -> Section:
    blocks: list[Block] = []
    for found in plan.outcomes:
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
    needed = (
        f"From about {about(advice.clients_needed)} clients on, the rule says run: so many are needed "
        f"{advice.needed_for}."
        if advice.clients_needed
        else ""
    )
    blocks = (
        Block("lead", f"{capital(advice.action)}."),
        *paragraphs(advice.reason, advice.otherwise, needed, f"The rule: {advice.rule}"),
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
        "findings",
        "Refusals and warnings",
        (Block("list", tuple(map(str, plan.findings))),) if plan.findings else (),
    )


def _cautions(protocol: Protocol) -> Section:
    texts = tuple(item.words for item in cautions_for("protocol", protocol=protocol))
    return Section("cautions", "Cautions", (Block("list", texts),))
