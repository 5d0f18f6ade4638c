"""Result of a check of a study, and whether its follow-up is complete."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from studykit.errors import Finding
from studykit.study.receipts import last_kept
from studykit.study.snapshot import LEDGER

if TYPE_CHECKING:
    from studykit.protocol.types import Protocol
    from studykit.records.progress import Progress
    from studykit.records.rows import StudyRows
    from studykit.study.study import Study


@dataclass(frozen=True, slots=True)
class Check:
    """What `Study.check` found; never a result by arm.

    Parameters
    ----------
    findings : tuple of Finding
        On the protocol, the records and what they say of each other.
    pause_reasons : tuple of str
        Why the protocol's pause rule on harms has struck; empty when it has not.
    progress : Progress or None
        How far the study is; ``None`` while the protocol or the records cannot be read.
    """

    study: str
    findings: tuple[Finding, ...]
    pause_reasons: tuple[str, ...]
    progress: Progress | None

    @property
    def needs_attention(self) -> bool:
        """Whether somebody has to act: a finding that stops the work, or the pause rule."""
        return bool(self.pause_reasons) or any(finding.severity == "stop" for finding in self.findings)

    @property
    def headline(self) -> str:
        """One line."""
        counts = {
            level: sum(finding.severity == level for finding in self.findings)
            for level in ("stop", "warn", "note")
        }
        word = "need attention" if self.needs_attention else "in order"
        return f"{word} ({counts['stop']} that stop, {counts['warn']} to look at, {counts['note']} notes)"

    def text(self) -> str:
        """Everything but the findings, to be read by a person."""
        parts = [f"{self.study}: {self.headline}"]
        if self.pause_reasons:
            parts.append("STOP PARTNER REPS: the pause rule on harms has struck.")
            parts += [f"  {reason}" for reason in self.pause_reasons]
            parts.append(
                "  No partner reps until the reviewer outside the studio has decided. Local rules come first."
            )
        if self.progress is not None:
            parts.append(self.progress.text())
        return "\n".join(parts)


def follow_up_complete(rows: StudyRows, protocol: Protocol) -> bool:
    """Whether the records cover the last visit and the horizon of every allocated client."""
    known = rows.clients.allocated_on[~np.isnat(rows.clients.allocated_on)]
    if not protocol.last_day or known.size == 0 or np.isnat(rows.data_through):
        return True
    return bool(rows.data_through >= known.max() + np.timedelta64(protocol.last_day, "D"))


def said_to_be_randomised(protocol: Protocol) -> bool:
    """Whether the protocol of a trial allocated elsewhere says that chance decided."""
    told = str(getattr(protocol.allocation, "description", ""))
    return re.search(r"\brandom", told, re.IGNORECASE) is not None and "not random" not in told.casefold()


def lost_ledger_findings(study: Study) -> tuple[Finding, ...]:
    """A stop where records or kept receipts tell of more than the ledger holds.

    Without it a lost ledger would look like a study that has not begun, and clients would be drawn anew.

    Parameters
    ----------
    study : Study
        At one moment.
    """
    protocol, entries = study.protocol, study.entries()
    where = str(study.folder / LEDGER)
    last = last_kept(study.folder / "results")
    if last > len(entries):
        got = f"{len(entries)} entries" if entries else "no entry"
        return (
            Finding(
                "stop", where, f"{last} entries at least, as the receipts in results/receipts tell", got,
                "Look for ledger.db in a copy you trust; never lock and draw again. Are the receipts of "
                "another study? Then move them out of this folder.",
            ),
        )  # fmt: skip
    if protocol.is_external or study.allocated():
        return ()
    records = study.records()
    later = {visit.code for visit in protocol.follow_up_visits}
    tests = sum(
        int(np.isin(records[name].columns["visit"].astype(str), sorted(later)).sum())
        for name in ("strength", "measurements")
        if records[name].number
    )
    if not tests:
        return ()
    return (
        Finding(
            "stop",
            where,
            "a ledger with the clients whose tests after allocation are recorded",
            f"{tests} such tests and no allocated client",
            "Look for ledger.db in a copy you trust; never lock and draw again.",
        ),
    )
