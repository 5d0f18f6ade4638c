"""What stands outside the ledger, held against it: receipts, heads printed on sheets, time-stamps.

What the ledger's file alone cannot show, an end cut off, an older copy put back, a ledger begun anew, is
shown by these, as long as somebody keeps them where the writer of the ledger cannot reach them.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.errors import ArgumentError, Finding
from studykit.study.receipts import RECEIPTS
from studykit.study.snapshot import LEDGER, RESULTS

if TYPE_CHECKING:
    from studykit.allocation.acts import Receipt
    from studykit.allocation.audit_result import Anchor
    from studykit.allocation.entries import Entry
    from studykit.study.snapshot import Snapshot

_NAME = re.compile(r"entry_([0-9]{4,})\.txt")
_MOST_BYTES = 10_000_000
# In the token of a time-stamp service (RFC 3161, 2.4.2) the time follows the digest; it ends in Z.
_STAMPED_AT = re.compile(rb"\x18.(\d{14})(?:\.\d+)?Z", re.DOTALL)


def day_head(now: Snapshot) -> str:
    """One line with the head of the ledger, for every page that leaves the computer; ``""`` before the lock.

    Printed, photographed or mailed it shows later, by ``audit --receipt FILE``, whether the ledger up to
    that entry is still the same.
    """
    from studykit.allocation.audit_result import Anchor
    from studykit.allocation.entries import short_code

    if not now.entries:
        return ""
    last = now.entries[-1]
    return (
        f"Ledger on {now.today}, last entry and code: {Anchor(last.position, short_code(last.code)).text()}"
    )


@dataclass(frozen=True, slots=True)
class Kept:
    """What a text, or several, tell of the ledger.

    Parameters
    ----------
    receipts : tuple of Receipt
        Of allocations.
    anchors : tuple of Anchor
        Other entries with their codes.
    unread : tuple of str
        Files in which there is neither.
    """

    receipts: tuple[Receipt, ...] = ()
    anchors: tuple[Anchor, ...] = ()
    unread: tuple[str, ...] = ()

    def and_also(self, other: Kept) -> Kept:
        """Both together, each thing once."""
        return Kept(
            tuple(dict.fromkeys((*self.receipts, *other.receipts))),
            tuple(dict.fromkeys((*self.anchors, *other.anchors))),
            (*self.unread, *other.unread),
        )


def kept_in(text: str) -> Kept:
    """Every receipt, and every entry with its code, in a text: a receipt, a mail, a page of a sheet.

    Raises
    ------
    ArgumentError
        If a receipt is begun and not whole.
    """
    from studykit.allocation.acts import Receipt
    from studykit.allocation.audit_result import Anchor

    receipts = Receipt.all_in(text)
    told = {(receipt.position, receipt.code) for receipt in receipts}
    anchors = (anchor for anchor in Anchor.all_in(text) if (anchor.position, anchor.code) not in told)
    return Kept(receipts, tuple(anchors))


def read_kept(path: Path) -> Kept:
    """What a file, or each file of a folder, tells of the ledger.

    Raises
    ------
    ArgumentError
        If a file cannot be read, or holds neither a receipt nor an entry with its code.
    """
    kept = Kept()
    for file in sorted(path.iterdir()) if path.is_dir() else [path]:
        kept = kept.and_also(_read_file(file))
    if not (kept.receipts or kept.anchors):
        kept = Kept(unread=(str(path),))
    if kept.unread:
        raise ArgumentError(
            where=kept.unread[0],
            expected="a text with a receipt, or with an entry and its code such as 17 4f2a-91c0-77be",
            got="none in it",
            todo="Type what the paper or picture shows into a text file, or give it with --kept.",
        )
    return kept


def _read_file(path: Path) -> Kept:
    try:
        with path.open("rb") as stream:
            kept = kept_in(stream.read(_MOST_BYTES).decode("utf-8-sig"))
    except (OSError, UnicodeDecodeError, ArgumentError):
        return Kept(unread=(str(path),))
    return kept if kept.receipts or kept.anchors else Kept(unread=(str(path),))


def kept_beside(study: Path) -> Kept:
    """What the receipts in the study's own folder tell; a file that tells nothing is named."""
    kept = Kept()
    for path in sorted((study / RESULTS / RECEIPTS).glob("entry_*.txt")):
        if _NAME.fullmatch(path.name):
            kept = kept.and_also(_read_file(path))
    return kept


def kept_findings(study: Path, entries: Sequence[Entry]) -> tuple[Finding, ...]:
    """Whether the ledger is the one of the receipts in its folder: neither older nor begun anew."""
    from studykit.allocation.audit import contradictions
    from studykit.allocation.ledger import Ledger

    kept = kept_beside(study)
    found = tuple(
        Finding("warn", path, "a receipt with the number and code of its entry", "none in it",
                "Remove it; the next act writes it anew from the ledger.")
        for path in kept.unread
    )  # fmt: skip
    positions = [*(told.position for told in kept.receipts), *(told.position for told in kept.anchors)]
    last = max(positions, default=0)
    if entries and last > len(entries):  # somebody may have enrolled since they were read
        entries = Ledger.open(study / LEDGER).entries()
    todo = (
        "Look for ledger.db in a copy you trust; never lock and draw again. Are the receipts of "
        "another study? Then move them out of this folder."
    )
    where = str(study / LEDGER)
    if last > len(entries):
        got = f"{len(entries)} entries" if entries else "no entry"
        expected = f"{last} entries at least, as the receipts in results/receipts tell"
        return (*found, Finding("stop", where, expected, got, todo))
    if differ := contradictions(entries, kept.receipts, kept.anchors):
        got = f"{len(differ)} that differ, first {differ[0].where.removeprefix('ledger, ')}"
        expected = "the entries of which receipts are kept in results/receipts"
        return (*found, Finding("stop", where, expected, got, f"It is another ledger. {todo}"))
    return found


# --- time-stamps -----------------------------------------------------------------------------------


def stamps_beside(study: Path, entries: Sequence[Entry]) -> tuple[tuple[str, ...], tuple[Finding, ...]]:
    """Time-stamps put beside receipts: what each tells, and those that do not fit.

    A studio that wants one lets a time-stamp service (RFC 3161) or a public calendar stamp
    ``entry_0017.txt`` and puts the answer beside it, as ``entry_0017.tsr`` or with any other ending. Whether
    the service signed it is told by the service's own tools; here it is held against receipt and ledger.
    """
    from studykit.allocation.entries import CLOCK_TOLERANCE, utc_moment

    told, findings = [], []
    for path in sorted((study / RESULTS / RECEIPTS).glob("entry_*")):
        match = re.match(r"entry_([0-9]{4,})\.", path.name)
        if match is None or path.suffix in (".part", ".tsq") or _NAME.fullmatch(path.name):
            continue
        stamp, receipt, number = _bytes(path), _bytes(path.parent / f"{match[0]}txt"), int(match[1])
        digest = hashlib.sha256(receipt).digest()
        place = max(stamp.find(digest), stamp.find(digest.hex().encode()))
        moment = _moment_in(stamp, place)
        entry = entries[number - 1] if 0 < number <= len(entries) else None
        if not receipt or place < 0:
            findings.append(
                _not_fitting(path, f"a time-stamp of the SHA-256 of {match[0]}txt", "another one")
            )
        elif moment and entry and moment < utc_moment(entry.entry_time) - CLOCK_TOLERANCE:
            findings.append(_not_fitting(path, f"a time after the entry's, {entry.entry_time}", str(moment)))
        else:
            told.append(
                f"Entry {number} {f'was stamped at {moment}' if moment else 'is stamped'} ({path.name})."
            )
    return tuple(told), tuple(findings)


def _moment_in(stamp: bytes, place: int) -> dt.datetime | None:
    """The time behind the digest; nothing where a stamp does not tell it in a way that is known here."""
    found = _STAMPED_AT.search(stamp, max(place, 0))
    try:
        return found and dt.datetime.strptime(f"{found[1].decode()}+0000", "%Y%m%d%H%M%S%z")
    except ValueError:
        return None


def _bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(_MOST_BYTES)
    except OSError:
        return b""


def _not_fitting(path: Path, expected: str, got: str) -> Finding:
    return Finding("stop", str(path), expected, got, "Keep it, and find out where it came from.")
