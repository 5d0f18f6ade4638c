"""A pilot study's own answer: what was found against the rules fixed in advance; in words, not in colours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.outcomes.results import LEFT_BEFORE
from studykit.planning.pilot import MEASURES, rate_interval, verdict
from studykit.protocol.types import ProgressionRule, Protocol
from studykit.report.document import Section, tables
from studykit.report.numbers import Scale, level
from studykit.report.report_context import Reading, capital
from studykit.report.tables import Cell, Table, cells, words_column
from studykit.retention.proportions import share_interval

_DAYS_OF_MONTH = 365.25 / 12.0
_SHARE, _RATE = Scale("%", 0, 100.0), Scale("a month", 1)
_ORDER = ("stop", "change first", "go on")


@dataclass(frozen=True, slots=True)
class Watched:
    """What a pilot found about one thing that it watched.

    Parameters
    ----------
    found, counted : int
        Such as 15 of 20 clients; for recruitment, clients and 0.
    months : float
        Of recruitment; 0 elsewhere.
    """

    found: int
    counted: int
    months: float = 0.0

    @property
    def value(self) -> float:
        """A share, or clients a month."""
        return self.found / self.months if self.months else self.found / self.counted

    def interval(self, confidence_level: float) -> tuple[float, float]:
        """Exact interval of the value."""
        if self.months:
            return rate_interval(self.found, self.months, confidence_level=confidence_level)
        return share_interval(self.found, self.counted, confidence_level=confidence_level, method="exact")


def feasibility_section(reading: Reading) -> Section:
    """What a pilot found against its rules; empty for a study that is no pilot."""
    protocol = reading.protocol
    title = "Can the large study be done?"
    if protocol is None or protocol.study.framework != "pilot":
        return Section("feasibility", title, ())
    rules = protocol.pilot.rules
    shown = tables(_table(reading, [(rule, watched(reading, protocol, rule)) for rule in rules]))
    return Section("feasibility", title, shown if rules else (), folded=False)


def feasibility_lead(reading: Reading) -> str:
    """What the rules of a pilot say together, in one sentence; empty for a study that is no pilot."""
    protocol = reading.protocol
    if protocol is None or protocol.study.framework != "pilot":
        return ""
    rules = protocol.pilot.rules
    if not rules:
        return "The protocol fixed no progression rules in advance, so none is applied now."
    seen = [(rule, watched(reading, protocol, rule)) for rule in rules]
    words = [verdict(rule, found.value) for rule, found in seen if found is not None]
    if not words:
        return "None of the rules fixed in advance can be applied, for want of records."
    whole = min(words, key=_ORDER.index)
    unknown = len(rules) - len(words)
    without = f" {unknown} cannot be applied, for want of records." if unknown else ""
    return f"By the rules fixed in advance: {whole}. The gravest rule counts.{without}"


def _table(reading: Reading, found: list[tuple[ProgressionRule, Watched | None]]) -> Table:
    rows = tuple(_row(reading, rule, seen) for rule, seen in found)
    columns = (
        words_column("what was watched"),
        words_column("found"),
        words_column(f"{level(reading.results.confidence_level)} interval"),
        words_column("go on from"),
        words_column("stop below"),
        words_column("by the rule"),
    )
    note = (
        "Exact intervals of counts. Sets of one client are alike, so that the interval of delivery is too "
        "narrow. A pilot does not compare the arms."
    )
    return Table("feasibility", "Found against the rules fixed in advance", columns, rows, (note,))


def _row(reading: Reading, rule: ProgressionRule, seen: Watched | None) -> tuple[Cell, ...]:
    scale = _RATE if rule.measure == "recruitment" else _SHARE
    what, limits = capital(MEASURES[rule.measure]), (scale.text(rule.go_on), scale.text(rule.stop))
    if rule.measure == "delivery":
        what = "Sets with partner reps done as planned"
    if seen is None:
        return cells(what, "no records", "", *limits, "cannot be said")
    low, high = seen.interval(reading.results.confidence_level)
    counted = f"{seen.found} clients" if seen.months else f"{seen.found} of {seen.counted}"
    found = f"{counted}, {scale.text(seen.value)}"
    return cells(what, found, f"{scale.text(low)} to {scale.text(high)}", *limits, verdict(rule, seen.value))


def watched(reading: Reading, protocol: Protocol, rule: ProgressionRule) -> Watched | None:
    """What the results hold about a rule's measure; ``None`` where nothing was recorded."""
    results, flow = reading.results, reading.results.flow
    if rule.measure == "recruitment":
        days = float((flow.last_allocation - flow.first_allocation) / np.timedelta64(1, "D"))
        return Watched(flow.allocated, 0, max(days / _DAYS_OF_MONTH, 1.0))
    if rule.measure == "consent":
        declined = dict(flow.excluded).get("declined", 0)
        return None if flow.assessed is None else Watched(flow.allocated, flow.allocated + declined)
    if rule.measure == "delivery":
        arms = () if results.delivery is None else results.delivery.arms
        sets = sum(arm.partner_sets for arm in arms)
        return Watched(sum(arm.partner_sets_as_planned for arm in arms), sets) if sets else None
    return _at_last_visit(reading, protocol, stayed=rule.measure == "retention")


def _at_last_visit(reading: Reading, protocol: Protocol, *, stayed: bool) -> Watched | None:
    """Clients who still come at the last visit, or of them those tested, of the first outcome with visits."""
    missing = next((outcome.missing for outcome in reading.results.outcomes if outcome.missing), ())
    if not missing or not protocol.follow_up_visits:
        return None
    last = protocol.follow_up_visits[-1].code
    cell = [item for item in missing if item.visit == last]
    allocated = sum(item.allocated for item in cell)
    there = allocated - sum(dict(item.reasons).get(LEFT_BEFORE, 0) for item in cell)
    counted = Watched(there, allocated) if stayed else Watched(sum(item.observed for item in cell), there)
    return counted if counted.counted else None
