"""The lock of a study's protocol, and its amendments."""

from __future__ import annotations

from typing import TYPE_CHECKING

from studykit.errors import DataError, DesignError, FolderError, LedgerError
from studykit.study.checking import lost_ledger_findings
from studykit.study.deciding import stop_before_lock, stop_on
from studykit.study.folder import versions
from studykit.study.rights import require_right
from studykit.study.snapshot import LEDGER

if TYPE_CHECKING:
    from studykit.allocation.acts import Locked
    from studykit.allocation.ledger import Ledger
    from studykit.allocation.method import Described
    from studykit.protocol.reading import ReadProtocol
    from studykit.protocol.types import Protocol
    from studykit.study.study import Study


def protocol_to_lock(study: Study, *, by: str, folder_is_local: bool = False) -> ReadProtocol:
    """The protocol as it stands in the file, with nothing that keeps it from being locked.

    Raises
    ------
    ProtocolError
        If something is missing or cannot stand.
    ArgumentError
        If nobody of this code has a role.
    FolderError
        If the folder looks synchronised and nobody says that it is on this machine only.
    """
    from studykit.allocation.places import synchronised_folder
    from studykit.protocol.reading import read_protocol
    from studykit.study.making import PROTOCOL

    read = read_protocol(study.folder / PROTOCOL)
    stop_before_lock(read)
    require_right("lock", by, read.protocol)
    why = "" if folder_is_local else synchronised_folder(study.folder)
    if why:
        raise FolderError(
            where=str(study.folder), expected="a folder on this machine only, before the ledger is begun",
            got=why,
            todo="Two machines could draw from two copies of the ledger. Move the study's folder; if it only "
            "looks so, add --folder-is-local.",
        )  # fmt: skip
    return read


def lock(study: Study, *, by: str, folder_is_local: bool = False) -> Locked:
    """Decide the protocol; see `studykit.study.Study.lock`."""
    from studykit.allocation.ledger import Ledger

    read = protocol_to_lock(study, by=by, folder_is_local=folder_is_local)
    if lost := lost_ledger_findings(study.at_one_moment()):
        raise DataError(lost)
    method = _described(study, read.protocol)
    ledger = study.ledger or Ledger.create(study.folder / LEDGER, by=by)
    if _publish(ledger, study, by=by):  # a lock that was cut off before the list was written
        return study.need_ledger()[1]
    locked = ledger.lock(
        protocol=read.text, protocol_hash=read.digest, versions=versions(), by=by, method=method
    )
    _publish(ledger, study, by=by)
    return locked


def amend(study: Study, *, reason: str, by: str) -> tuple[Locked, tuple[str, ...]]:
    """Amend the protocol; see `studykit.study.Study.amend`."""
    from studykit.protocol.reading import parse_protocol, read_protocol
    from studykit.protocol.resolved import changed_keys
    from studykit.study.making import PROTOCOL

    ledger, locked = study.need_ledger()
    read = read_protocol(study.folder / PROTOCOL)
    stop_on(read)
    before = parse_protocol(locked.current_protocol, where="the locked protocol", locked=True).protocol
    require_right("lock", by, before, read.protocol)
    changed = tuple(changed_keys(before, read.protocol))
    if not changed and _publish(ledger, study, by=by):
        return locked, ("allocation, sealed_list",)
    if not changed:
        raise LedgerError(
            where=str(study.folder / PROTOCOL), expected="a change of content", got="none",
            todo="Change protocol.toml first, then amend.",
        )  # fmt: skip
    _keep_what_was_drawn(ledger, read.protocol)
    amended = ledger.amend(
        protocol=read.text,
        protocol_hash=read.digest,
        reason=reason,
        changed=changed,
        by=by,
        method=_described(study, read.protocol),
    )
    _publish(ledger, study, by=by)
    return amended, changed


def _keep_what_was_drawn(ledger: Ledger, protocol: Protocol) -> None:
    """Refuse an amendment under which clients who have been allocated would have nothing."""
    lost = sorted({made.arm for made in ledger.allocations()} - set(protocol.allocated_codes))
    if lost:
        raise DesignError(
            where="amendment", expected="a design that keeps what clients have been allocated",
            got=f"one without {', '.join(lost)}",
            todo="Arms, orders, sides and steps that somebody has must stay in the protocol.",
        )  # fmt: skip


def _described(study: Study, protocol: Protocol) -> Described | None:
    """What the protocol is locked with: a method, or the list of an outsider."""
    from studykit.allocation.asked import method_for, split_plan_for
    from studykit.study.sealing import list_of

    if protocol.sealed_list:
        return list_of(study, protocol)
    return split_plan_for(protocol) or method_for(protocol)


def _publish(ledger: Ledger, study: Study, *, by: str) -> bool:
    """Write the list in force into the ledger where it is not yet; whether anything was written."""
    from studykit.allocation.slips import publish_list, published_list
    from studykit.protocol.reading import parse_protocol
    from studykit.study.sealing import list_of

    locked = ledger.locked()
    if locked is None:
        return False
    protocol = parse_protocol(locked.current_protocol, where="the locked protocol", locked=True).protocol
    if not protocol.sealed_list or published_list(ledger.entries(), protocol.sealed_list) is not None:
        return False
    publish_list(ledger, list_of(study, protocol), by=by)
    return True
