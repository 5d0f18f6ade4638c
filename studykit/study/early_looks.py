"""Looks at results by arm before the end: which planned one it is, and its entry in the ledger."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from studykit.errors import DesignError, StudykitError
from studykit.study.rights import require_right

if TYPE_CHECKING:
    from studykit.allocation.entries import Entry
    from studykit.records.rows import StudyRows
    from studykit.study.study import Study

SHOWED_NOTHING = "look that showed nothing"


@contextmanager
def logged_look(study: Study, rows: StudyRows, *, by: str, reason: str) -> Iterator[int]:
    """Log a look before anything is computed; gives its number among the planned ones, 0 if it is none.

    The same person's look at the same records is the same look, and is logged once. A look that came to no
    answer showed nothing, which is logged too, and leaves the planned one untaken.

    Parameters
    ----------
    study : Study
        At one moment.
    rows : StudyRows
        What is to be looked at.
    by, reason : str

    Raises
    ------
    DesignError
        If it is not said who looks and why.
    ArgumentError
        If this person may not look.
    """
    if not (by.strip() and reason.strip()):
        raise DesignError(
            where="analyse", expected="complete follow-up, or who looks and why (look_by, look_reason)",
            got=f"records through {rows.data_through}",
            todo="Wait for the end. An early look is logged and printed in the report.",
        )  # fmt: skip
    ledger, _ = study.need_ledger()
    require_right("look", by, study.protocol)
    number, records = _number(study, rows), _code_of(rows)
    if any(_is_same(look, number, records, by) for look in study.looks()):
        yield number
        return
    entry = ledger.append(
        "look",
        {"reason": reason, "clients": rows.clients.number, "records_through": str(rows.data_through),
         "planned_look": number, "records": records},
        by=by,
    )  # fmt: skip
    try:
        yield number
    except StudykitError:
        body = {"what": SHOWED_NOTHING, "look": entry.position, "reason": "no answer could be computed"}
        ledger.append("note", body, by=by)
        raise


def _is_same(look: Entry, number: int, records: str, by: str) -> bool:
    body = look.body
    same_records = (body.get("planned_look"), body.get("records")) == (number, records)
    return same_records and look.by.casefold() == by.casefold()


def looks_of(entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """Early looks among entries, without those that came to no answer."""
    nothing = {
        entry.body["look"]
        for entry in entries
        if entry.kind == "note" and entry.body.get("what") == SHOWED_NOTHING
    }
    return tuple(entry for entry in entries if entry.kind == "look" and entry.position not in nothing)


def _number(study: Study, rows: StudyRows) -> int:
    """The planned look that is due and not taken, or was taken at these very records; else 0."""
    from studykit.protocol.local_time import studio_day
    from studykit.protocol.looking import look_numbers
    from studykit.records.progress import progress

    protocol = study.protocol
    today = studio_day(protocol.study.time_zone)
    shown = progress(study.records(), protocol, study.allocated(), today=today)
    due = max((look.number for look in shown.looks if look.is_due), default=0)
    looks = study.looks()
    numbers = look_numbers((look.body for look in looks), protocol.oversight.planned_looks)
    taken = [
        number
        for look, number in zip(looks, numbers, strict=True)
        if look.body.get("records") != _code_of(rows)
    ]
    return due if due > max(taken, default=0) else 0


def _code_of(rows: StudyRows) -> str:
    """One code for the records and the allocation that a look sees."""
    seen = (rows.table_hashes, rows.clients.labels, rows.clients.arm.tolist())
    return hashlib.sha256(repr(seen).encode()).hexdigest()
