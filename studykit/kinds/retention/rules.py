"""Rules that tie retention to the rest of the protocol."""

from __future__ import annotations

from collections.abc import Iterator

from studykit.errors import Finding
from studykit.kinds.retention.section import RetentionOutcome
from studykit.protocol.lines import Path
from studykit.protocol.places import Places, summary_findings
from studykit.protocol.types import Protocol


def findings(protocol: Protocol, outcome: RetentionOutcome, path: Path, at: Places) -> Iterator[Finding]:
    """One such outcome, and days in their order."""
    if next(other for other in protocol.outcomes if other.kind == outcome.kind) != outcome:
        yield at.finding("stop", path, expected="one retention outcome", got="a second one")
    if outcome.horizon_day <= outcome.absence_days:
        yield at.finding(
            "stop", (*path, "horizon_day"), expected=f"more than absence_days, {outcome.absence_days}",
            got=str(outcome.horizon_day),
        )  # fmt: skip
    if outcome.pause_cap_days > outcome.pause_total_days:
        yield at.finding(
            "stop", (*path, "pause_cap_days"),
            expected=f"at most pause_total_days, {outcome.pause_total_days}", got=str(outcome.pause_cap_days),
        )  # fmt: skip
    if outcome.sensitivity_absence_days <= outcome.absence_days:
        yield at.finding(
            "warn", (*path, "sensitivity_absence_days"),
            expected=f"more than absence_days, {outcome.absence_days}",
            got=str(outcome.sensitivity_absence_days),
        )  # fmt: skip
    yield from summary_findings(outcome.estimand, "risk difference", "the outcome is retention", path, at)
