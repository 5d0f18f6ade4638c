"""The parts of the planning page about looks before the end, and about a pilot study."""

from __future__ import annotations

import math

from studykit.planning.interim import InterimPlan, looks_sentences
from studykit.planning.pilot import PilotPlan, RuleOutlook, pilot_sentences
from studykit.planning.plan import Plan
from studykit.report.document import Section, paragraphs, tables
from studykit.report.numbers import Scale, level, number
from studykit.report.reading import capital
from studykit.report.tables import NOTHING, Cell, Quantity, Table, Words, cells, column, words_column

_SHARE, _LEVEL, _PLAIN = Scale("%", 0, 100.0), Scale("%", 2, 100.0), Scale("", 2)
_RATE = Scale("a month", 1)


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
