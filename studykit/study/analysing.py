"""The analysis of a study: early looks are logged first, the draws are repeated, results are stamped."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from threadpoolctl import threadpool_limits

from studykit.errors import DesignError, StudykitError
from studykit.randomness import stream
from studykit.study.checking import claimed_findings
from studykit.study.draw_facts import inventory
from studykit.study.folder import versions
from studykit.study.rights import require_right
from studykit.study.snapshot import SHOWED_NOTHING, Snapshot

if TYPE_CHECKING:
    from studykit.allocation.entries import Entry
    from studykit.allocation.ledger import Ledger
    from studykit.outcomes.rerandomisation import RedrawnArms
    from studykit.outcomes.results import Provenance, StudyResults
    from studykit.protocol.types import Protocol
    from studykit.records.progress import LookProgress
    from studykit.records.rows import Clients, StudyRows

DRAWS = 4_999  # with the one seen, p-values in steps of 1 / 5000
LISTED = 20_000  # so many possible sequences, or fewer, are listed instead of drawn


def analyse(
    now: Snapshot,
    ledger: Ledger | None,
    *,
    look_by: str = "",
    look_reason: str = "",
    seed: int = 1,
    redraw: bool = True,
) -> StudyResults:
    """Analyse as the protocol says, see `studykit.study.Study.analyse`; ``redraw`` draws the arms again."""
    from studykit.outcomes.analyse import analyse_rows

    rows = now.rows
    looking = nullcontext() if now.is_complete else logged_look(now, ledger, by=look_by, reason=look_reason)
    # The matrices of a study are small: more threads for one product cost more than they bring.
    with threadpool_limits(limits=1), looking as look:
        return analyse_rows(
            now.protocol,
            rows,
            provenance=_provenance(now, rows, seed),
            randomised=is_randomised(now),
            findings=(*now.findings, *claimed_findings(now.read)),
            drawn=drawn_again(now, rows.clients, seed=seed) if redraw else None,
            look=look,
        )


def _provenance(now: Snapshot, rows: StudyRows, seed: int) -> Provenance:
    from studykit.outcomes.results import Provenance

    return Provenance(
        protocol_hash=now.read.digest,
        protocol_version=now.protocol.study.version,
        ledger_code=now.entries[-1].code if now.entries else "",
        table_hashes=rows.table_hashes,
        versions=tuple(versions().items()),
        seed=seed,
        made_at=dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
    )


def is_randomised(now: Snapshot) -> bool:
    """Whether the draws exist and can be repeated; an external trial's description answers for it."""
    from studykit.allocation.audit import audit

    if now.protocol.is_external:
        return said_to_be_randomised(now.protocol)
    return audit(now.entries, now.ledger_findings).passed


def said_to_be_randomised(protocol: Protocol) -> bool:
    """Whether the protocol of a trial allocated elsewhere says that chance decided."""
    told = str(getattr(protocol.allocation, "description", ""))
    return re.search(r"\brandom", told, re.IGNORECASE) is not None and "not random" not in told.casefold()


def drawn_again(now: Snapshot, clients: Clients, *, seed: int, draws: int = DRAWS) -> RedrawnArms | None:
    """Arms that the method might have given to the same clients in the same order.

    ``None`` where nothing was drawn: a trial that was allocated elsewhere cannot be drawn again.
    """
    from studykit.allocation.replay import enumerate_replays, replay
    from studykit.allocation.together import replay_trainers
    from studykit.outcomes.rerandomisation import RedrawnArms

    allocations = now.allocations
    if not allocations:
        return None
    split = next((entry for entry in now.entries if entry.kind == "split"), None)
    replayed = (
        enumerate_replays(allocations, limit=LISTED) if split is None else replay_trainers(split, allocations)
    )
    if split is not None and replayed is not None and len(replayed.drawn) > LISTED:
        # More splits than can be compared in a reasonable time: so many of them, each as likely.
        chosen = stream(seed, "re-randomisation").integers(len(replayed.drawn), size=draws)
        replayed = replace(replayed, drawn=replayed.drawn[chosen], probability=None)
    if replayed is None:
        replayed = replay(allocations, replicates=draws, rng=stream(seed, "re-randomisation"))
    # The ledger's order of clients and arms, and the order of the rows, are brought together by label.
    arms = np.array([clients.arm_labels.index(arm) for arm in replayed.arms], dtype=np.int8)
    place = {client: index for index, client in enumerate(replayed.clients)}
    columns = [place[client] for client in clients.labels]
    return RedrawnArms(arms[replayed.drawn][:, columns], replayed.probability, split is not None)


# --- looks before the end ------------------------------------------------------------------------


@contextmanager
def logged_look(now: Snapshot, ledger: Ledger | None, *, by: str, reason: str) -> Iterator[int]:
    """Log a look before anything is computed; gives its number among the planned ones, 0 if it is none.

    The same person's look at the same records is the same look, and is logged once. A look that came to no
    answer showed nothing, which is logged too, and leaves the planned one untaken.

    Raises
    ------
    DesignError
        If it is not said who looks and why.
    LedgerError
        If nothing is locked.
    ArgumentError
        If this person may not look.
    """
    rows = now.rows
    if not (by.strip() and reason.strip()):
        raise DesignError(
            where="analyse", expected="complete follow-up, or who looks and why (look_by, look_reason)",
            got=f"records through {rows.data_through}",
            todo="Wait for the end. An early look is logged and printed in the report.",
        )  # fmt: skip
    now.need_lock()
    assert ledger is not None
    require_right("look", by, now.protocol)
    number, records = _number(now), _code_of(rows)
    if any(_is_same(look, number, records, by) for look in now.looks):
        yield number
        return
    entry = ledger.append(
        "look",
        {"reason": reason, "clients": rows.clients.number, "records_through": str(rows.data_through),
         "planned_look": number, "records": records, "tables": inventory(now.records)},
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


def look_question(now: Snapshot) -> str:
    """What to know before results by arm are seen early; empty at the planned end of the study."""
    if now.is_complete:
        return ""
    joined, planned = len(now.allocated), now.protocol.planning.clients
    early = "Some clients have not reached the end of follow-up."
    if now.enrolment_is_open:
        early = f"{joined} of {planned} planned clients have joined; only a data lock ends enrolment before."
    number, looks = _number(now), _planned_looks(now)
    if number:
        worth = (
            f"The protocol plans look {number} of {len(looks)} now: it is used up by this, whatever it shows."
        )
    elif looks:
        waits = next((look for look in looks if not look.is_due), looks[-1])
        worth = (
            "The protocol plans no look now: this one uses up none and decides nothing. Look "
            f"{waits.number} of {len(looks)} is planned from {waits.tests} {waits.what} on; "
            f"{waits.done} are done."
        )
    else:
        worth = "The protocol plans no look before the end: this one decides nothing."
    return (
        f"It is early. {early} {worth} Seeing results by arm now can change how the study is run and how its "
        "results are judged. Every look is written to the ledger and printed in the report."
    )


def _planned_looks(now: Snapshot) -> tuple[LookProgress, ...]:
    from studykit.records.progress import progress

    return progress(now.records, now.protocol, now.allocated, today=now.today).looks


def _number(now: Snapshot) -> int:
    """The planned look that is due and not taken, or was taken at these very records; else 0."""
    from studykit.protocol.looking import look_numbers

    due = max((look.number for look in _planned_looks(now) if look.is_due), default=0)
    numbers = look_numbers((look.body for look in now.looks), now.protocol.oversight.planned_looks)
    taken = [
        number
        for look, number in zip(now.looks, numbers, strict=True)
        if look.body.get("records") != _code_of(now.rows)
    ]
    return due if due > max(taken, default=0) else 0


def _code_of(rows: StudyRows) -> str:
    """One code for the records and the allocation that a look sees."""
    seen = (rows.table_hashes, rows.clients.labels, rows.clients.arm.tolist())
    return hashlib.sha256(repr(seen).encode()).hexdigest()
