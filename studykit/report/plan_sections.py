"""Parts of the planning page: costs, what would be sharper, looks before the end, a pilot, drawing."""

from __future__ import annotations

import math

from studykit.planning.interim import InterimPlan, looks_sentences
from studykit.planning.outcome_plan import Improvement
from studykit.planning.pilot import PilotPlan, RuleOutlook, pilot_sentences
from studykit.planning.plan import Plan
from studykit.planning.plan_text import SHOWN_COUNTS
from studykit.planning.together import MOST, SPREADS, together_sentences
from studykit.report.document import Section, paragraphs, tables
from studykit.report.numbers import Scale, level, number
from studykit.report.report_context import capital, spaced
from studykit.report.tables import (
    NOTHING,
    Cell,
    Quantity,
    Table,
    Words,
    cells,
    column,
    words_column,
)

_MONTHS, _HOURS, _MONEY = Scale("", 0), Scale("", 0), Scale("", 0)
_SHARE, _LEVEL, _PLAIN = Scale("%", 0, 100.0), Scale("%", 2, 100.0), Scale("", 2)
_RATE = Scale("a month", 1)
_CLIENTS = Scale("clients", 1)
_SHARE = Scale("%", 0, 100.0)


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
        f"{point.clients} clients mean {point.asking}, {joining} months until all have joined and {whole} "
        f"months until the last has been followed, {point.test_visits} test visits, and about {hours} hours: "
        f"{tests} for tests, {talks} to explain, ask and record, {added} that partner reps add to the "
        "sessions."
    )
    return Section("cost", "What it costs", (*paragraphs(lead), *tables(_cost_table(plan))))


def _cost_table(plan: Plan) -> Table:
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
        "What helps most comes first. Each line changes one thing and leaves the rest of the plan as it is: "
        "how far the interval then "
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


def together_section(plan: Plan) -> Section:
    """Studios like this one that a question takes, where other studios are to be joined."""
    together = plan.together
    if together is None:
        return Section("together", "Joining other studios", ())
    first, *rest = together_sentences(together)
    notes = [line for line in rest if not line.startswith("Strength")]
    like = tuple(
        column(f"like these, differing by {100.0 * spread:g} %", f"like {100.0 * spread:g}")
        for spread in SPREADS
    )
    columns = (column("difference", "difference"), column("these studios", "these"), *like)
    rows = tuple(
        cells(
            Quantity(item.difference, Scale("%", 1)),
            *map(_studios, (item.these, *item.like), (False, *item.simulated)),
        )
        for item in together.strength
    )
    table = Table("plan_together", "Strength: studios needed; a star: simulated", columns, rows)
    return Section(
        "together", "Joining other studios", (*paragraphs(first), *tables(table), *paragraphs(*notes))
    )


def _studios(number: int | None, simulated: bool) -> str:
    return f"over {MOST}" if number is None else f"{number}{'*' if simulated else ''}"


def looks_section(plan: Plan) -> Section:
    """Planned looks with their boundaries, and what unplanned ones would cost."""
    looks = plan.looks
    if looks is None:
        return Section("looks", "Looks before the end", ())
    found = (_boundaries(plan, looks) if looks.boundaries else None, _unplanned(looks))
    return Section("looks", "Looks before the end", (*paragraphs(*looks_sentences(looks)), *tables(*found)))


def _boundaries(plan: Plan, looks: InterimPlan) -> Table:
    last = len(looks.boundaries) - 1
    rows = tuple(
        cells(
            "the end" if place == last else f"look {place + 1}",
            looks.tested[place],
            Quantity(look.fraction, _SHARE),
            Quantity(look.level, _LEVEL),
            _difference(plan, look.critical, look.fraction),
            Quantity(look.spent, _LEVEL),
        )
        for place, look in enumerate(looks.boundaries)
    )
    columns = (
        words_column("when"),
        column("clients tested"),
        column("of all that will be known", "information", "unit of information"),
        column("p at most", "level", "unit of the level"),
        column("difference seen at least", "difference", "unit of the difference"),
        column("error spent so far", "spent", "unit of the error"),
    )
    note = (
        "Boundaries by alpha spending (Lan & DeMets 1983), worked out by recursive integration (Armitage, "
        "McPherson & Rowe 1969), for the looks at these shares of the tests."
    )
    return Table("plan_looks", "What it takes at each look to decide", columns, rows, (note,))


def _difference(plan: Plan, critical: float, fraction: float) -> Cell:
    """The observed difference of the primary outcome that reaches a boundary, where it is worked out."""
    primary = next(iter(plan.outcomes), None)
    seen = None if primary is None else primary.seen_at(critical, fraction)
    if primary is None or seen is None:
        return NOTHING
    return (
        Words("none is enough") if math.isinf(seen) else Quantity(seen, Scale(primary.unit, primary.decimals))
    )


def _unplanned(looks: InterimPlan) -> Table:
    rows = tuple(
        cells(str(early), Quantity(error, Scale("of 100", 1, 100.0))) for early, error in looks.unplanned
    )
    shown = number(100.0 * looks.alpha, 1).removesuffix(".0")
    return Table(
        "plan_unplanned_looks",
        f"Two arms that are alike come out as different, each look judged at {shown} %",
        (words_column("early looks beside the end"), column("studies", "studies", "unit of studies")),
        (cells("none", Quantity(looks.alpha, Scale("of 100", 1, 100.0))), *rows),
    )


def pilot_section(plan: Plan) -> Section:
    """A pilot study with its progression rules; empty where none is planned."""
    pilot = plan.pilot
    if pilot is None:
        return Section("pilot", "A pilot study first", ())
    return Section(
        "pilot", "A pilot study first", (*paragraphs(*pilot_sentences(pilot)), *tables(_rules(plan, pilot)))
    )


def _rules(plan: Plan, pilot: PilotPlan) -> Table:
    rows = tuple(
        cells(
            capital(rule.meaning),
            *_thresholds(rule),
            Quantity(rule.assumed, _scale(rule)),
            Quantity(rule.chance_go_on, _SHARE),
            Quantity(rule.chance_change, _SHARE),
            Quantity(rule.chance_stop, _SHARE),
            f"{_scale(rule).text(rule.lower)} to {_scale(rule).text(rule.upper)}",
        )
        for rule in pilot.rules
    )
    columns = (
        words_column("what is watched"),
        words_column("go on"),
        words_column("stop"),
        column("assumed", "assumed", "unit of what is assumed"),
        column("chance: go on", "go_on", "unit of go on"),
        column("chance: change first", "change_first", "unit of change first"),
        column("chance: stop", "stop_chance", "unit of stop"),
        words_column(f"{level(plan.confidence_level)} interval, if as assumed"),
    )
    own = (
        "Rules of the protocol."
        if pilot.own_rules
        else "The protocol states no rules; these are judgement, no source: put in your own."
    )
    note = (
        f"{own} Between the two: change first. Recruitment is watched for {pilot.months} months. "
        "Partner reps are counted by clients, as if all sets of a client were alike. "
        "Exact binomial and Poisson chances."
    )
    return Table("plan_pilot", "Progression rules and what may come of them", columns, rows, (note,))


def _scale(rule: RuleOutlook) -> Scale:
    return _RATE if rule.measure == "recruitment" else _SHARE


def _thresholds(rule: RuleOutlook) -> tuple[str, str]:
    if rule.measure == "recruitment":
        over = f"in {rule.counted} months"
        return f"{rule.go_on_count} or more {over}", f"fewer than {rule.stop_count} {over}"
    return (
        f"{rule.go_on_count} of {rule.counted} or more",
        f"fewer than {rule.stop_count} of {rule.counted}",
    )


def drawing_section(plan: Plan) -> Section:
    """Balance and predictability of the protocol's way of drawing; empty where nothing is drawn here."""
    if plan.drawing is None:
        return Section("drawing", "How clients are drawn", ())
    listed = (
        "An outsider drew the list beforehand; its slips are sealed, and each is opened only after the "
        "ledger has given its number to a client. What can be guessed follows from the rule and the arms so "
        "far."
    )
    drawn = "No list exists that could be read; what can be guessed follows from the rule alone."
    lead = f"Clients are drawn one at a time by {plan.drawn_by}. {listed if plan.from_list else drawn}"
    return Section("drawing", "How clients are drawn", (*paragraphs(lead), *tables(_drawing_table(plan))))


def _drawing_table(plan: Plan) -> Table:
    seen = plan.drawing
    assert seen is not None
    rows = (
        cells("an arm's distance from its share, mean", Quantity(seen.mean_imbalance, _CLIENTS)),
        cells("the same, not exceeded in 95 of 100 studies", Quantity(seen.high_imbalance, _CLIENTS)),
        *(
            cells(f"the same at the worst value of {spaced(factor)}, mean", Quantity(value, _CLIENTS))
            for factor, value in seen.imbalance_by_factor
        ),
        cells("draws that can be foreseen for certain", Quantity(seen.certain_share, _SHARE)),
        cells("guesses that are right, by the best guesser", Quantity(seen.correct_guess_share, _SHARE)),
        cells("guesses that are right by luck", Quantity(seen.chance_share, _SHARE)),
    )
    note = (
        f"From {seen.trials} simulated studies of {seen.clients} clients, who come in random order with each "
        "trainer and each value as likely. The best guesser knows the rule and every arm so far."
    )
    return Table(
        "plan_drawing", "What the way of drawing promises", (words_column("what"), column("expected")), rows,
        (note,),
    )  # fmt: skip
