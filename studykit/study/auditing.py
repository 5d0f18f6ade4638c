"""The audit of a study's folder: its ledger, the protocol locked in it, and other ledgers beside it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.errors import DataError, Finding, LedgerError, ProtocolError, Severity, StudykitError
from studykit.study.journal import is_journal
from studykit.study.rights import is_kept_blind, refuse_unknown
from studykit.study.snapshot import LEDGER, PROTOCOL, RECORDS
from studykit.study.traces import Kept, kept_beside, kept_findings, stamps_beside

if TYPE_CHECKING:
    from studykit.allocation.acts import Receipt
    from studykit.allocation.audit_result import Anchor, AuditResult
    from studykit.allocation.entries import Entry
    from studykit.protocol.protocol_file import ReadProtocol

_MAGIC = b"SQLite format 3\0"  # the first bytes of such a file, https://www.sqlite.org/fileformat.html


def audit_folder(
    folder: Path,
    *,
    receipts: Sequence[Receipt] = (),
    anchors: Sequence[Anchor] = (),
    list_entropy: str = "",
    by: str = "",
) -> AuditResult:
    """Audit a study's folder; see `studykit.study.Study.audit`."""
    from studykit.allocation.audit import audit
    from studykit.allocation.ledger import Ledger
    from studykit.allocation.storage import is_begun
    from studykit.protocol.protocol_file import read_protocol
    from studykit.study.carrying import changed_by_hand

    if not is_begun(folder / LEDGER):
        if lost := kept_findings(folder, ()):
            raise DataError(lost)
        raise LedgerError(
            where=str(folder), expected="a ledger", got="none",
            todo="There is one from the lock on: studykit lock STUDY --by CODE.",
        )  # fmt: skip
    entries, beside = Ledger(folder / LEDGER).unverified()
    kept = kept_beside(folder).and_also(Kept(tuple(receipts), tuple(anchors)))
    result = audit(entries, beside, receipts=kept.receipts, anchors=kept.anchors, list_entropy=list_entropy)
    stamps, wrong = stamps_beside(folder, entries)
    texts = [(entry, _locked_text(entry)) for entry in entries if entry.kind in ("lock", "amendment")]
    known = next((read for _, read in reversed(texts) if read), None)
    told = _record_findings(folder, entries, known) if result.passed and known else ()
    told = (*told, *(changed_by_hand(folder, known.protocol) if known else ()))
    more = (*_locked_text_findings(texts), *other_ledger_findings(folder, entries), *wrong, *told)
    result = replace(result, findings=(*result.findings, *more), stamps=stamps)
    if not by:
        return result
    protocol = (known or read_protocol(folder / PROTOCOL)).protocol
    facts = (entry.body.get("facts") for entry in entries if entry.kind == "allocation")
    trainers = [str(one["trainer"]) for one in facts if isinstance(one, Mapping) and one.get("trainer")]
    refuse_unknown(by, protocol, trainers=trainers)
    return result.without_arms() if is_kept_blind(by, protocol) else result


def _record_findings(folder: Path, entries: Sequence[Entry], read: ReadProtocol) -> tuple[Finding, ...]:
    """What the records tell otherwise than the draws: to know, since the ledger itself is right."""
    from studykit.allocation.acts import allocations_from
    from studykit.records.reading import read_records
    from studykit.study.draw_facts import changed_findings, lost_record_findings

    try:
        records = read_records(folder / RECORDS, protocol=read.protocol)
        lost = tuple(lost_record_findings(entries, records))
        found = (*lost, *changed_findings(records, read.protocol, allocations_from(entries)))
    except StudykitError as error:
        return (Finding("warn", str(folder / RECORDS), "records to compare with the draws", str(error)),)
    return tuple(replace(finding, severity="warn") for finding in found)


def _locked_text(entry: Entry) -> ReadProtocol | None:
    """The protocol that an entry locked; ``None`` where it cannot be read."""
    from studykit.protocol.protocol_file import parse_protocol

    try:
        return parse_protocol(entry.body["protocol"], where="the locked protocol", locked=True)
    except (ProtocolError, KeyError, TypeError, ValueError):
        return None


def _locked_text_findings(texts: Sequence[tuple[Entry, ReadProtocol | None]]) -> Iterator[Finding]:
    """Locked texts that do not have the hash that was locked with them."""
    for entry, read in texts:
        locked = "" if read is None else f", {entry.body.get('protocol_hash')}"
        digest = "a text that cannot be read" if read is None else read.digest
        if locked != f", {digest}":
            yield Finding(
                "stop", f"ledger, entry {entry.position}", f"the protocol whose hash was locked{locked}",
                digest, "The text was edited after the lock. Go back to a copy you trust.",
            )  # fmt: skip


def other_ledger_findings(folder: Path, entries: Sequence[Entry]) -> Iterator[Finding]:
    """Databases beside the ledger: a second ledger can mean a second history of draws.

    Every one in the study's folder is named. In folders beside it, where a copy is a good thing to have,
    only a ledger of this study that has gone on by itself.

    Parameters
    ----------
    folder : Path
        Of the study.
    entries : sequence of Entry
        Of the ledger in use.
    """
    own = [entry.code for entry in entries]
    for path in sorted(folder.rglob("*")):
        if path == folder / LEDGER or not path.is_file() or is_journal(path):
            continue
        is_database = _begins_like_one(path)
        if is_database or path.suffix.lower() == ".db":
            yield _other_ledger(path, own, _codes(path) if is_database else [])
    for path in sorted(folder.absolute().parent.glob(f"*/{LEDGER}")):
        if own and _holds(path, own[0]) and not path.samefile(folder / LEDGER):
            codes = _codes(path)
            if codes[:1] == own[:1] and codes != own[: len(codes)]:
                yield _other_ledger(path, own, codes)


def _other_ledger(path: Path, own: Sequence[str], codes: Sequence[str]) -> Finding:
    """What another database is to the ledger in use: nothing, an older copy, a newer one, another history."""
    alike = next((place for place, pair in enumerate(zip(own, codes, strict=False)) if pair[0] != pair[1]),
                 min(len(own), len(codes)))  # fmt: skip
    todo = "Never enrol from a copy. Find out where it came from, and move it out of this folder."
    if not codes:
        got = "a database, or a file that calls itself one"
    elif alike == len(codes):
        got = f"a copy of it up to entry {len(codes)}"
    elif alike == len(own) > 0:
        got = f"a newer one: it goes on after entry {alike} to entry {len(codes)}"
        todo = (
            "The ledger in use is the older copy. Put the newer one in its place before anybody is enrolled."
        )
    elif alike:
        got = f"another history: it differs after entry {alike}"
        todo = (
            "Clients were drawn from two ledgers. Keep both files, and enrol nobody before it is known why."
        )
    else:
        got = "another one, with other entries"
    severity: Severity = "warn" if alike == len(codes) else "stop"
    return Finding(severity, str(path), f"{LEDGER} as the only ledger of the study", got, todo)


def _begins_like_one(path: Path) -> bool:
    try:
        with path.open("rb") as stream:
            return stream.read(len(_MAGIC)) == _MAGIC
    except OSError:
        return False


def _holds(path: Path, code: str) -> bool:
    try:
        return code.encode() in path.read_bytes()
    except OSError:
        return False


def _codes(path: Path) -> list[str]:
    """Codes of the entries of another ledger; none where it is another database, or cannot be read."""
    from studykit.allocation.ledger import Ledger

    try:
        return [entry.code for entry in Ledger(path, timeout=1.0).unverified()[0]]
    except LedgerError:
        return []
