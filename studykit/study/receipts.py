"""What is handed out after an act, as text and as a file: made from the ledger, so it can be had again."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from studykit.allocation.entries import Entry

RESULTS, RECEIPTS = "results", "receipts"


def told_of(entry: Entry) -> str:
    """What is told and kept after an entry; ``""`` after the first, which says nothing yet."""
    from studykit.allocation.acts import allocation_from
    from studykit.allocation.entries import short_code
    from studykit.allocation.together import split_of

    code = (
        f"Ledger entry {entry.position}, code {short_code(entry.code)}. Write number and code down outside "
        "this folder: they show later that nothing before them was changed."
    )
    if entry.kind == "allocation":
        return allocation_from(entry).receipt().text()
    if entry.kind == "lock":
        return f"The protocol is locked. {code}"
    if entry.kind == "amendment":
        return f"Amended; changed: {', '.join(entry.body['changed'])}. {code}"
    if entry.kind == "split":
        return f"{split_of(entry).text()}\n{code}"
    return "" if entry.kind == "opening" else f"An entry of the kind {entry.kind}, by {entry.by}. {code}"


def keep_receipts(study: Path, entries: Iterable[Entry]) -> str:
    """Write every receipt that is not a file yet; why it could not be written, ``""`` where all are there."""
    folder = study / RESULTS / RECEIPTS
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for entry in entries:
            path = folder / f"entry_{entry.position:04}.txt"
            if not path.exists() and (text := told_of(entry)):
                part = path.with_suffix(".part")
                with part.open("w", encoding="utf-8", newline="\n") as stream:
                    stream.write(f"{text}\n")
                    stream.flush()
                    os.fsync(stream.fileno())
                part.replace(path)
    except OSError as error:
        return f"The receipt is not kept as a file: {error.strerror} ({folder}). Write it down now."
    return ""
