"""What is noticed in a study's protocol, ledger and records; whether its protocol can be used or locked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from studykit.errors import DataError, Finding, ProtocolError
from studykit.results import Result
from studykit.study.auditing import other_ledger_findings
from studykit.study.snapshot import LEDGER, PROTOCOL
from studykit.study.traces import kept_findings

if TYPE_CHECKING:
    import datetime as dt

    from studykit.protocol.protocol_file import ReadProtocol
    from studykit.protocol.types import Protocol
    from studykit.records.progress import Progress
    from studykit.study.snapshot import Snapshot


@dataclass(frozen=True, slots=True)
class Check(Result):
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
    def asks_date_order(self) -> bool:
        """Whether dates in the records can only be read once the study says what comes first in them."""
        from studykit.records.cells import SAY_ORDER

        return any(SAY_ORDER in finding.todo for finding in self.findings)

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


def check(now: Snapshot) -> Check:
    """Look for trouble; see `studykit.study.Study.check`."""
    from studykit.records.away import left_without_notice
    from studykit.records.consistency import check_consistency
    from studykit.records.progress import progress
    from studykit.records.withdrawal import in_study
    from studykit.study.carrying import changed_by_hand

    study = str(now.folder)
    findings = ledger_findings(now)
    try:
        read = now.read
    except ProtocolError as error:
        return Check(study, (*findings, *error.findings), (), None)
    findings += protocol_findings(read)
    findings += before_lock_findings(read) if now.locked is None else claimed_findings(read)
    findings += file_findings(now)
    findings += kept_too_long(read.protocol, now.today, where=study)
    allocated = now.allocated
    findings += now.records.findings
    if now.records.unread:
        return Check(study, tuple(dict.fromkeys(findings)), (), None)
    findings += lost_ledger_findings(now)
    findings += check_consistency(now.records, read.protocol, allocated, today=now.today)
    findings += left_without_notice(
        now.records, read.protocol, in_study(allocated, now.today), today=now.today
    )
    # What would stop the analysis: a check that passes must not be followed by a refusal.
    findings += now.derived[1] if allocated else ()
    findings += now.draw_findings
    findings += tuple(changed_by_hand(now.folder, read.protocol))
    shown = progress(now.records, read.protocol, allocated, today=now.today)
    return Check(study, tuple(dict.fromkeys(findings)), now.pause_reasons, shown)


def kept_too_long(protocol: Protocol, today: dt.date, *, where: str) -> tuple[Finding, ...]:
    """A stop once the day has passed until which the records were to be kept: clients were told so."""
    until = protocol.ethics.keep_until
    if until is None or today <= until:
        return ()
    return (
        Finding(
            "stop", where, f"records kept until {until} and no longer", f"records on {today}",
            "Delete the list of names and the records; a copy without them may stay: studykit anonymise. "
            "Or tell the clients, and amend keep_until.",
        ),
    )  # fmt: skip


def protocol_findings(read: ReadProtocol) -> tuple[Finding, ...]:
    """What does not fit together or is unwise, in the protocol and in its design."""
    from studykit.allocation.asked import findings_on_design
    from studykit.protocol.rules import check_protocol

    found = check_protocol(read.protocol, where=read.where, text=read.text)
    if any(finding.severity == "stop" for finding in found):
        return found
    return (*found, *findings_on_design(read.protocol))


def before_lock_findings(read: ReadProtocol) -> tuple[Finding, ...]:
    """What would keep the protocol from being locked, as warnings: it can be planned without."""
    from studykit.protocol.completion import completion_findings
    from studykit.protocol.places import Places

    at = Places.of(read.protocol, where=read.where, text=read.text)
    return tuple(
        replace(finding, severity="warn", todo=f"{finding.todo} Needed before the lock.".strip())
        if finding.severity == "stop"
        else finding
        for finding in completion_findings(read.protocol, at)
    )


def claimed_findings(read: ReadProtocol) -> tuple[Finding, ...]:
    """Strategies of a locked protocol that are not carried out, as warnings: the locked text holds."""
    from studykit.protocol.places import Places
    from studykit.protocol.strategies import strategy_findings

    at = Places.of(read.protocol, where=read.where, text=read.text)
    return tuple(strategy_findings(read.protocol, at, severity="warn"))


def stop_on(read: ReadProtocol) -> None:
    """Refuse a protocol that cannot be used.

    Raises
    ------
    ProtocolError
        With every finding that stops the work.
    """
    _refuse(protocol_findings(read))


def stop_before_lock(read: ReadProtocol) -> None:
    """Refuse a protocol that cannot be used, or is not complete enough to be locked.

    Raises
    ------
    ProtocolError
        With every finding that stops the lock.
    """
    from studykit.protocol.rules import lock_findings

    stop_on(read)
    _refuse(lock_findings(read.protocol, where=read.where, text=read.text))


def file_findings(now: Snapshot) -> tuple[Finding, ...]:
    """A warning where the file no longer says what was locked."""
    from studykit.protocol.protocol_file import read_protocol
    from studykit.protocol.ready import typed_as

    path = now.folder / PROTOCOL
    if now.locked is None:
        return ()
    if path.is_file() and typed_as(now.read.text, path.read_bytes().decode("utf-8", "replace")):
        return ()
    try:
        same = read_protocol(path, locked=True).digest == now.read.digest
    except ProtocolError as error:
        return error.findings
    if same:
        return ()
    return (
        Finding(
            "warn", str(path), "the locked protocol", "a file that says something else",
            "The locked text holds. Amend the protocol, or restore the file.",
        ),
    )  # fmt: skip


def _refuse(findings: tuple[Finding, ...]) -> None:
    stops = [finding for finding in findings if finding.severity == "stop"]
    if stops:
        raise ProtocolError(stops)


def ledger_findings(now: Snapshot) -> list[Finding]:
    """What is wrong with the ledger beside its chain, with other ledgers, and with kept receipts."""
    others = other_ledger_findings(now.folder, now.entries)
    return [*now.ledger_findings, *others, *kept_findings(now.folder, now.entries)]


def stop_on_ledger(now: Snapshot) -> None:
    """Refuse to write into a ledger that may not be the study's, or not the last one.

    Raises
    ------
    DataError
        With every finding that stops.
    """
    found = (*ledger_findings(now), *lost_ledger_findings(now))
    if stops := [finding for finding in found if finding.severity == "stop"]:
        raise DataError(stops)


def lost_ledger_findings(now: Snapshot) -> tuple[Finding, ...]:
    """A stop where records tell of clients and the ledger of none.

    Without it a lost ledger would look like a study that has not begun, and clients would be drawn anew.
    """
    import numpy as np

    protocol = now.protocol
    where = str(now.folder / LEDGER)
    if protocol.is_external or now.allocated:
        return ()
    records = now.records
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
