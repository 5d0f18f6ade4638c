"""The lock of a study's protocol, and its amendments."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.errors import DesignError, Finding, FolderError, LedgerError, ProtocolError
from studykit.study.checking import stop_before_lock, stop_on, stop_on_ledger
from studykit.study.draw_facts import inventory
from studykit.study.folder import versions
from studykit.study.receipts import keep_receipts
from studykit.study.rights import require_right
from studykit.study.sealing import list_of
from studykit.study.snapshot import LEDGER, PROTOCOL

if TYPE_CHECKING:
    from studykit.allocation.acts import Locked
    from studykit.allocation.ledger import Ledger
    from studykit.allocation.method import Described
    from studykit.protocol.amending import AmendmentEffects
    from studykit.protocol.protocol_file import ReadProtocol
    from studykit.protocol.types import Protocol
    from studykit.study.snapshot import Snapshot


def protocol_to_lock(now: Snapshot, *, by: str, folder_is_local: bool = False) -> ReadProtocol:
    """The protocol as it stands in the file, with nothing that keeps it from being locked.

    Raises
    ------
    ProtocolError
        If something is missing or cannot stand.
    ArgumentError
        If nobody of this code has a role.
    FolderError
        If the folder looks synchronised and nobody says that it is on this machine only.
    DataError
        If there was a ledger before, or there is another beside it.
    """
    from studykit.allocation.ledger_home import synchronised_folder

    stop_before_lock(now.file)
    require_right("lock", by, now.file.protocol)
    why = "" if folder_is_local else synchronised_folder(now.folder)
    if why:
        raise FolderError(
            where=str(now.folder), expected="a folder on this machine only, before the ledger is begun",
            got=why,
            todo="Two machines could draw from two copies of the ledger. Move the study's folder; if it only "
            "looks so, add --folder-is-local.",
        )  # fmt: skip
    stop_on_ledger(now)
    return now.file


def read_back(now: Snapshot) -> tuple[tuple[str, ...], tuple[Finding, ...]]:
    """What the lock decides for good, and everything that is noticed before it."""
    from studykit.protocol.protocol_file import parse_protocol
    from studykit.protocol.reading_back import decided, still_ready_made
    from studykit.protocol.ready import names, ready_text
    from studykit.study.checking import check

    protocol, findings = now.file.protocol, check(now).findings
    if protocol.design in names():
        kept = still_ready_made(protocol, parse_protocol(ready_text(protocol.design)).protocol)
        if kept and not protocol.is_external:
            findings += (
                Finding(
                    "warn", now.file.where, "claims that are true of this studio",
                    f"the words of the ready protocol in {', '.join(kept)}",
                    "Read each of them before the lock: studykit whole STUDY prints them.",
                ),
            )  # fmt: skip
    return decided(protocol), findings


def lock(now: Snapshot, ledger: Ledger | None, *, by: str, folder_is_local: bool = False) -> Locked:
    """Decide the protocol; see `studykit.study.Study.lock`."""
    from studykit.allocation.ledger import Ledger

    read = protocol_to_lock(now, by=by, folder_is_local=folder_is_local)
    keep_receipts(now.folder, now.entries)  # of a lock that was cut off behind its entry
    method = _described(now.folder, read.protocol)
    ledger = ledger or Ledger.create(now.folder / LEDGER, by=by, after=partial(keep_receipts, now.folder))
    # A lock that was cut off before the list was written is finished by the next.
    finished = now.locked is not None and _publish(ledger, now.folder, now.protocol, by=by)
    if not finished:
        ledger.lock(
            protocol=read.whole, protocol_hash=read.digest, versions=versions(), by=by, method=method,
            fixed={"tables": inventory(now.records)},
        )  # fmt: skip
        _publish(ledger, now.folder, read.protocol, by=by)
    return _in_force(ledger)


def amendment_to_make(now: Snapshot, *, by: str) -> AmendmentEffects:
    """What the file would change if it were taken as an amendment now; nothing is written.

    Raises
    ------
    ProtocolError
        If the new text cannot stand, or changes what must stand once results by arm were seen.
    ArgumentError
        If nobody of this code may amend.
    """
    from studykit.protocol.amending import amendment_effects

    read = now.file
    stop_on(read)
    require_right("lock", by, now.protocol, read.protocol)
    stop_on_ledger(now)
    drawn, looks = len(now.allocations), len(now.looks)
    effects = amendment_effects(now.protocol, read.protocol, drawn=drawn, looks=looks)
    if stops := [finding for finding in effects.findings if finding.severity == "stop"]:
        raise ProtocolError(stops)
    _keep_what_was_drawn(now, read.protocol)
    return effects


def amend(now: Snapshot, ledger: Ledger, *, reason: str, by: str) -> tuple[Locked, tuple[str, ...]]:
    """Amend the protocol; see `studykit.study.Study.amend`."""
    read = now.file
    effects = amendment_to_make(now, by=by)
    changed = tuple(key for key, _, _ in effects.changed)
    if not changed:
        if _publish(ledger, now.folder, now.protocol, by=by):
            return _in_force(ledger), ("allocation, sealed_list",)
        raise LedgerError(
            where=str(now.folder / PROTOCOL), expected="a change of content", got="none",
            todo="Change protocol.toml first, then amend.",
        )  # fmt: skip
    ledger.amend(
        protocol=read.whole,
        protocol_hash=read.digest,
        reason=reason,
        changed=changed,
        by=by,
        method=_described(now.folder, read.protocol),
    )
    _publish(ledger, now.folder, read.protocol, by=by)
    return _in_force(ledger), changed


def _in_force(ledger: Ledger) -> Locked:
    """What is locked now."""
    locked = ledger.locked()
    assert locked is not None
    return locked


def _keep_what_was_drawn(now: Snapshot, protocol: Protocol) -> None:
    """Refuse an amendment under which clients who have been allocated would have nothing."""
    lost = sorted({made.arm for made in now.allocations} - set(protocol.allocated_codes))
    if lost:
        raise DesignError(
            where="amendment", expected="a design that keeps what clients have been allocated",
            got=f"one without {', '.join(lost)}",
            todo="Arms, orders, sides and steps that somebody has must stay in the protocol.",
        )  # fmt: skip


def _described(folder: Path, protocol: Protocol) -> Described | None:
    """What the protocol is locked with: a method, or the list of an outsider."""
    from studykit.allocation.asked import method_for, split_plan_for

    if protocol.sealed_list:
        return list_of(folder, protocol)
    return split_plan_for(protocol) or method_for(protocol)


def _publish(ledger: Ledger, folder: Path, protocol: Protocol, *, by: str) -> bool:
    """Write the list in force into the ledger where it is not yet; whether anything was written."""
    from studykit.allocation.slips import publish_list, published_list

    if not protocol.sealed_list or published_list(ledger.entries(), protocol.sealed_list) is not None:
        return False
    publish_list(ledger, list_of(folder, protocol), by=by)
    return True
