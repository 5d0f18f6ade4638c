"""What is handed out after an act, as text and as a file: made from the ledger, so it can be had again."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.study.snapshot import RESULTS

if TYPE_CHECKING:
    from studykit.allocation.entries import Entry

RECEIPTS = "receipts"


def told_of(entry: Entry) -> str:
    """What is told and kept after an entry; ``""`` after one of which nothing is handed out."""
    from studykit.allocation.acts import allocation_from
    from studykit.allocation.entries import short_code
    from studykit.allocation.together import split_of

    code = (
        f"Ledger entry {entry.position}, code {short_code(entry.code)}: "
        "write it down somewhere outside this folder."
    )
    if entry.kind == "allocation":
        return allocation_from(entry).receipt().text()
    if entry.kind == "lock":
        return f"The protocol is locked. {code}"
    if entry.kind == "amendment":
        return f"Amended; changed: {', '.join(entry.body['changed'])}. {code}"
    return f"{split_of(entry).text()}\n{code}" if entry.kind == "split" else ""


def keep_receipts(study: Path, entries: Iterable[Entry]) -> str:
    """Write every receipt that is not a file yet; why it could not be written, ``""`` where all are there."""
    folder = study / RESULTS / RECEIPTS
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for entry in entries:
            path = folder / f"entry_{entry.position:04}.txt"
            if not path.exists() and (text := told_of(entry)):
                part = path.with_suffix(".part")
                part.write_text(f"{text}\n", encoding="utf-8")
                part.replace(path)
    except OSError as error:
        return f"The receipt is not kept as a file: {error.strerror} ({folder}). Write it down now."
    return ""


def last_kept(study: Path) -> int:
    """Position of the last entry of which a receipt is kept; 0 where none is."""
    names = [path.name for path in (study / RESULTS / RECEIPTS).glob("entry_*.txt")]
    found = (re.fullmatch(r"entry_([0-9]{4,})\.txt", name) for name in names)
    return max((int(match[1]) for match in found if match), default=0)
