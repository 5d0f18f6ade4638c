"""Every analysis that the protocol plans, done or not done; every other one, labelled."""

from __future__ import annotations

from dataclasses import dataclass

from studykit.outcomes.results import RetentionResult, StrengthResult
from studykit.protocol.types import ContinuousOutcome, Protocol, RetentionOutcome
from studykit.report.numbers import plural
from studykit.report.reading import Reading


@dataclass(frozen=True, slots=True)
class PlannedAnalysis:
    """One line: what, its role, and what became of it."""

    what: str
    role: str
    done: str


def planned_analyses(reading: Reading) -> tuple[PlannedAnalysis, ...]:
    """Planned analyses in the order of the protocol, then what was added."""
    protocol = reading.protocol
    if protocol is None:
        return ()
    lines: list[PlannedAnalysis] = []
    for outcome in protocol.outcomes:
        lines += (
            _retention(reading, outcome)
            if isinstance(outcome, RetentionOutcome)
            else _continuous(reading, outcome)
        )
    lines += _rest(reading, protocol)
    return tuple(lines)


def _retention(reading: Reading, planned: RetentionOutcome) -> list[PlannedAnalysis]:
    found = reading.results.retention
    name = f"{planned.name}, day {planned.horizon_day}"
    if found is None:
        return [PlannedAnalysis(name, planned.role, "not done: there are no records for it")]
    return [
        PlannedAnalysis(
            f"{name}: difference in the share retained", planned.role, _done(found.primary.method)
        ),
        PlannedAnalysis(
            f"{name}: mean days retained", "supporting", "done" if found.restricted_mean else "not done"
        ),
        PlannedAnalysis(
            f"{name}: hazard ratio", "supporting", _optional(found, found.hazard_ratio is not None)
        ),
        PlannedAnalysis(
            f"{name}: absence of {planned.sensitivity_absence_days} days",
            "sensitivity",
            "done" if found.sensitivity else "not done",
        ),
    ]


def _optional(found: RetentionResult, done: bool) -> str:
    if done:
        return "done"
    reasons = [remark for remark in found.remarks if "hazard" in remark.lower()]
    return f"not done: {reasons[0]}" if reasons else "not done: the data do not carry it"


def _continuous(reading: Reading, planned: ContinuousOutcome) -> list[PlannedAnalysis]:
    found = next((item for item in reading.results.continuous if item.code == planned.code), None)
    name = f"{planned.name}, {reading.visit(planned.primary_visit)}"
    if found is None:
        return [PlannedAnalysis(name, planned.role, "not done: there are no records for it")]
    done = (
        f"done by the fallback of the protocol: {found.fallback}"
        if found.fallback
        else _done(found.primary.method)
    )
    lines = [PlannedAnalysis(f"{name}: main contrast", planned.role, done)]
    lines.append(
        PlannedAnalysis(f"{name}: other assumptions on missing tests", "sensitivity", _sensitivity(found))
    )
    return lines


def _sensitivity(found: StrengthResult) -> str:
    if found.sensitivity:
        return f"done: {plural(len(found.sensitivity), 'row')} beside the main result"
    missing = sum(cell.allocated - cell.observed for cell in found.missing)
    return "not done" if missing else "not needed: nothing is missing"


def _done(method: str) -> str:
    return f"done: {method.rstrip('.')}"


def _rest(reading: Reading, protocol: Protocol) -> list[PlannedAnalysis]:
    results = reading.results
    looks = protocol.oversight.planned_looks
    harms = "done" if results.harms else "not done: there are no records of harms"
    delivery = "done" if results.delivery else "not done: there are no session records"
    size = "allocated elsewhere" if protocol.is_external else f"planned {protocol.planning.clients}"
    return [
        PlannedAnalysis("re-randomisation tests", "supporting", _drawn_again(reading, protocol)),
        PlannedAnalysis("harms by arm", "secondary", harms),
        PlannedAnalysis("delivery by arm", "secondary", delivery),
        PlannedAnalysis("subgroups", "none named in advance", "not done"),
        PlannedAnalysis(
            "looks by arm before the end",
            f"{looks} planned" if looks else "none planned",
            f"{len(reading.looks)} made",
        ),
        PlannedAnalysis("clients", size, f"{results.flow.allocated} allocated"),
    ]


def _drawn_again(reading: Reading, protocol: Protocol) -> str:
    if reading.results.rerandomisation:
        return "done"
    elsewhere = "it was allocated elsewhere and cannot be drawn again"
    return f"not done: {elsewhere if protocol.is_external else 'there is no ledger'}"


def number_of_comparisons(reading: Reading) -> int:
    """All contrasts between arms in the report, so that a reader can judge a single small p-value."""
    results = reading.results
    total = 0
    if results.retention is not None:
        found = results.retention
        total += (
            1
            + len(found.restricted_mean)
            + len(found.sensitivity)
            + bool(found.ratio)
            + bool(found.hazard_ratio)
        )
    for outcome in results.continuous:
        visits = [item for item in outcome.by_visit if item.name != outcome.primary.name]
        total += (
            1 + len(visits) + len(outcome.by_exercise) + len(outcome.other_arms) + len(outcome.sensitivity)
        )
    return total + bool(results.harms and results.harms.difference)
