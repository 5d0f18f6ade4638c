"""Every analysis that the protocol plans, done or not done; every other one, labelled."""

from __future__ import annotations

from studykit.protocol.types import Protocol
from studykit.report.kind_report import PlannedAnalysis, report_of
from studykit.report.report_context import Reading


def planned_analyses(reading: Reading) -> tuple[PlannedAnalysis, ...]:
    """Planned analyses in the order of the protocol, then what was added."""
    protocol = reading.protocol
    if protocol is None:
        return ()
    lines: list[PlannedAnalysis] = []
    found = {item.code: item for item in reading.results.outcomes}
    for outcome in protocol.outcomes:
        lines += report_of(outcome).planned(reading, outcome, found.get(outcome.code))
    lines += _rest(reading, protocol)
    return tuple(lines)


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
    total = sum(len(outcome.contrasts) for outcome in results.outcomes)
    return total + bool(results.harms and results.harms.difference)
