"""Whether a protocol can be used, and whether it can be locked."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.errors import Finding, ProtocolError

if TYPE_CHECKING:
    from studykit.protocol.reading import ReadProtocol


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


def file_findings(path: Path, locked: ReadProtocol) -> list[Finding]:
    """A warning where the file no longer says what was locked."""
    from studykit.protocol.reading import read_protocol

    try:
        same = read_protocol(path, locked=True).digest == locked.digest
    except ProtocolError as error:
        return list(error.findings)
    if same:
        return []
    return [
        Finding(
            "warn",
            str(path),
            "the locked protocol",
            "a file that says something else",
            "The locked text holds. Amend the protocol, or restore the file.",
        )
    ]


def _refuse(findings: tuple[Finding, ...]) -> None:
    stops = [finding for finding in findings if finding.severity == "stop"]
    if stops:
        raise ProtocolError(stops)
