"""The part of the planning page about what numbers of clients cost and bring, and what would be sharper."""

from __future__ import annotations

from studykit.planning.advice import about
from studykit.planning.improvements import Improvement
from studykit.planning.plan import Plan
from studykit.planning.plan_text import SHOWN_COUNTS
from studykit.report.document import Section, paragraphs, tables
from studykit.report.numbers import Scale, number
from studykit.report.reading import capital
from studykit.report.tables import (
    NOTHING,
    Cell,
    Quantity,
    Table,
    cells,
    column,
    words_column,
)

_MONTHS, _HOURS, _MONEY = Scale("", 0), Scale("", 0), Scale("", 0)


def costs_section(plan: Plan) -> Section:
    """What each number of clients asks of the studio, so that an owner can choose one."""
    costs = plan.costs
    if costs is None:
        return Section("cost", "What it costs", ())
    point = costs.planned
    joining, whole = number(point.months_of_recruitment, 0), number(point.months_in_all, 0)
    hours, tests = number(point.hours, 0), number(point.test_hours, 0)
    talks, added = number(point.talk_hours, 0), number(point.extra_hours, 0)
    lead = (
        f"{point.clients} clients mean about {about(point.people_asked)} people to ask, {joining} months "
        f"until all have joined and {whole} months until the last has been followed, {point.test_visits} "
        f"test visits, and about {hours} hours: {tests} for tests, {talks} to explain, ask and record, "
        f"{added} that partner reps add to the sessions."
    )
    return Section("cost", "What it costs", (*paragraphs(lead), *tables(_table(plan))))


def _table(plan: Plan) -> Table:
    costs = plan.costs
    assert costs is not None
    with_money = costs.planned.money is not None
    shown = {*SHOWN_COUNTS, plan.clients}
    rows = []
    for point in costs.curve:
        if point.clients not in shown:
            continue
        row: list[str | int | Cell] = [
            f"{point.clients}{' (planned)' if point.clients == plan.clients else ''}",
            point.people_asked,
            Quantity(point.months_in_all, _MONTHS),
            point.test_visits,
            Quantity(point.test_hours, _HOURS),
            Quantity(point.hours, _HOURS),
        ]
        if point.money is not None:
            row.append(Quantity(point.money, _MONEY))
        rows.append(cells(*row))
    columns = [
        words_column("clients in all arms"),
        column("people to ask"),
        column("months in all", "months_in_all", "unit of months"),
        column("test visits"),
        column("test hours", "test_hours", "unit of test hours"),
        column("all hours", "all_hours", "unit of all hours"),
    ]
    if with_money:
        columns.append(column("money", "money", "unit of money"))
    note = (
        f"As if nobody left. Each client: {costs.visits} test visits of {number(costs.test_minutes, 0)} "
        f"minutes, followed for {costs.follow_up_weeks} weeks; partner reps add "
        f"{number(costs.extra_minutes, 1)} minutes to a session. What these rest on stands under the "
        "assumptions; most of it is judgement."
    )
    if not with_money:
        note += " Add hour_cost under planning in the protocol to see it in money."
    return Table(
        "plan_cost", "What each number of clients asks of the studio", tuple(columns), tuple(rows), (note,)
    )


def sharper_section(plan: Plan) -> Section:
    """What would make the answer sharper, each change by itself."""
    lead = (
        "Each line changes one thing and leaves the rest of the plan as it is: how far the interval then "
        "reaches to either side, and from where on a difference is found with the wanted power."
    )
    found = [
        _sharper(of.outcome, of.name, [item for item in plan.improvements if item.outcome == of.outcome])
        for of in plan.outcomes
    ]
    blocks = tables(*(table for table in found if table.rows))
    return Section("sharper", "What would make it sharper", (*paragraphs(lead), *blocks) if blocks else ())


def _sharper(code: str, name: str, items: list[Improvement]) -> Table:
    columns = (
        words_column("what is done"),
        column("to either side", "half_width", "unit of the half width"),
        column("difference found", "difference", "unit of the difference"),
        words_column("what it takes"),
    )
    caption = f"{capital(name)}: what would make the answer sharper"
    return Table(f"plan_{code}_sharper", caption, columns, tuple(_row(item) for item in items))


def _row(item: Improvement) -> tuple[Cell, ...]:
    scale = Scale(item.unit, 0 if item.unit == "points" else 1)
    return cells(
        capital(item.change),
        NOTHING if item.half_width is None else Quantity(item.half_width, scale),
        NOTHING if item.detectable is None else Quantity(item.detectable, scale),
        f"{capital(item.price)}.",
    )
