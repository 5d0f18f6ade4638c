"""One read of a study's folder: what is asked of it comes from the same moment, whatever comes meanwhile.

Who acts on a study is given a `Snapshot`; who writes is given the ledger too, which reads what came since
and decides inside its own transaction.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.errors import DataError, DesignError, Finding, LedgerError
from studykit.results import Result
from studykit.study.receipts import RESULTS as RESULTS
from studykit.study.receipts import keep_receipts

if TYPE_CHECKING:
    from studykit.allocation.acts import Allocation, Handovers, Locked
    from studykit.allocation.entries import Entry
    from studykit.allocation.ledger import Ledger
    from studykit.protocol.protocol_file import ReadProtocol
    from studykit.protocol.types import Protocol
    from studykit.records.record_tables import Allocated, Records
    from studykit.records.rows import StudyRows

PROTOCOL, RECORDS, LEDGER = "protocol.toml", "records", "ledger.db"
SHOWED_NOTHING = "look that showed nothing"


def open_ledger(folder: Path) -> Ledger | None:
    """The ledger of a folder, its chain verified; ``None`` where none has been begun.

    Raises
    ------
    LedgerError
        If the file is no ledger, or its chain is broken.
    """
    from studykit.allocation.ledger import Ledger
    from studykit.allocation.storage import is_begun

    path = folder / LEDGER
    return Ledger.open(path, after=partial(keep_receipts, folder)) if is_begun(path) else None


def read_study(folder: Path) -> tuple[Snapshot, Ledger | None]:
    """The folder as it stands now, and its ledger for who writes; ``None`` where none has been begun.

    Raises
    ------
    LedgerError
        As `open_ledger`.
    """
    ledger = open_ledger(folder)
    return Snapshot(folder) if ledger is None else Snapshot(folder, *ledger.read()), ledger


def read_locked(folder: Path) -> tuple[Snapshot, Ledger]:
    """The same of a study whose protocol is locked; refused before the lock.

    It is for who writes: a receipt that was cut off behind its entry is written here.

    Raises
    ------
    LedgerError
        If nothing is locked, and as `open_ledger`.
    """
    now, ledger = read_study(folder)
    now.need_lock()
    assert ledger is not None
    keep_receipts(folder, now.entries)
    return now, ledger


@dataclass(frozen=True)
class Snapshot(Result):
    """A study's folder at one moment; made by `read_study`. Each table is read once, when first asked for.

    Parameters
    ----------
    folder : Path
    entries : tuple of Entry
        Of the ledger, verified; none before the lock.
    ledger_findings : tuple of Finding
        What is wrong with the ledger's file beside its chain.
    """

    folder: Path
    entries: tuple[Entry, ...] = ()
    ledger_findings: tuple[Finding, ...] = ()

    # --- protocol -----------------------------------------------------------------------------

    @cached_property
    def locked(self) -> Locked | None:
        """The locked protocol with its amendments; ``None`` before the lock."""
        from studykit.allocation.acts import locked_from

        return locked_from(self.entries)

    def need_lock(self) -> Locked:
        """The lock; refused before it."""
        if self.locked is None:
            raise LedgerError(
                where=str(self.folder), expected="a locked protocol", got="none",
                todo="Lock it first: studykit lock STUDY --by CODE.",
            )  # fmt: skip
        return self.locked

    @cached_property
    def file(self) -> ReadProtocol:
        """The protocol as it stands in the file."""
        from studykit.protocol.protocol_file import read_protocol

        return read_protocol(self.folder / PROTOCOL)

    @cached_property
    def read(self) -> ReadProtocol:
        """The protocol in force: the locked one with its amendments, before the lock the file's."""
        from studykit.protocol.protocol_file import parse_protocol

        if self.locked is None:
            return self.file
        return parse_protocol(self.locked.current_protocol, where="the locked protocol", locked=True)

    @property
    def protocol(self) -> Protocol:
        """The protocol in force."""
        return self.read.protocol

    @cached_property
    def today(self) -> dt.date:
        """The day it is now at the studio."""
        from studykit.protocol.local_time import studio_day

        return studio_day(self.protocol.study.time_zone)

    # --- clients and rows ---------------------------------------------------------------------

    @cached_property
    def records(self) -> Records:
        """The record tables, typed, with everything noticed on reading."""
        from studykit.records.reading import read_records

        return read_records(self.folder / RECORDS, protocol=self.protocol)

    @cached_property
    def allocations(self) -> tuple[Allocation, ...]:
        """Every draw of the ledger in order, with later corrections."""
        from studykit.allocation.acts import allocations_from

        return allocations_from(self.entries)

    @cached_property
    def handovers(self) -> Handovers:
        """Who took clients over from trainers who left."""
        from studykit.allocation.acts import handovers_from

        return handovers_from(self.entries)

    @property
    def trainers_now(self) -> Mapping[str, str]:
        """Who trains each client who was handed over; the others keep the trainer of the draw."""
        return self.handovers.trainer_of

    def trainer_now(self, client: Allocated) -> str:
        """Who trains a client now."""
        return self.trainers_now.get(client.client, client.trainer)

    @property
    def trainer_codes(self) -> tuple[str, ...]:
        """Every trainer of the records or of a draw, each once."""
        listed = map(str, self.records["trainers"].columns["trainer"])
        drawn = (client.trainer for client in self.allocated)
        return tuple(dict.fromkeys(filter(None, (*listed, *drawn, *self.trainers_now.values()))))

    @cached_property
    def allocated(self) -> tuple[Allocated, ...]:
        """The allocated clients, in order; from the ledger, or from the records of an external trial."""
        from studykit.allocation.acts import withdrawals_from
        from studykit.records.client_rows import allocated_from_records
        from studykit.records.record_tables import Allocated

        if self.protocol.is_external:
            return allocated_from_records(self.records, self.protocol)
        withdrawn = withdrawals_from(self.entries)
        return tuple(
            Allocated(
                client=made.client,
                arm=made.arm,
                allocated_on=made.day,
                trainer=str(made.true_facts.get("trainer") or ""),
                factors=dict(made.true_stratum),
                withdrawn=withdrawn.get(made.client, {}),
            )
            for made in self.allocations
        )

    @cached_property
    def derived(self) -> tuple[StudyRows, tuple[Finding, ...]]:
        """Rows of the allocated clients whatever was noticed, and what was noticed on the way."""
        from studykit.records.derive import derive_rows

        return derive_rows(self.records, self.protocol, self.allocated)

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """What was noticed in the records and between them."""
        from studykit.records.consistency import check_consistency

        found = check_consistency(self.records, self.protocol, self.allocated)
        return (*self.records.findings, *found, *self.derived[1], *self.draw_findings)

    @cached_property
    def draw_findings(self) -> tuple[Finding, ...]:
        """What records and draws disagree on: tables and columns that are gone, facts that were changed."""
        from studykit.study.draw_facts import changed_findings, lost_record_findings

        lost = tuple(lost_record_findings(self.entries, self.records))
        return (*lost, *changed_findings(self.records, self.protocol, self.allocations))

    @property
    def rows(self) -> StudyRows:
        """Frozen rows for the outcomes.

        Raises
        ------
        DesignError
            If nobody is allocated.
        DataError
            If a finding stops the work: no answer is computed from rows that were not understood.
        """
        if not self.allocated:
            raise DesignError(
                where=str(self.folder), expected="allocated clients", got="none",
                todo="Lock the protocol and enrol clients first.",
            )  # fmt: skip
        stops = [finding for finding in self.findings if finding.severity == "stop"]
        if stops:
            raise DataError(stops)
        return self.derived[0]

    # --- how far the study is -----------------------------------------------------------------

    @property
    def enrolment_is_open(self) -> bool:
        """Whether more clients are planned and may still join: a data lock closes it before."""
        if self.protocol.is_external or self.protocol.plan.words.join:
            return False
        kinds = [entry.kind for entry in self.entries if entry.kind in ("data lock", "reopening")]
        return len(self.allocated) < self.protocol.planning.clients and kinds[-1:] != ["data lock"]

    @property
    def is_complete(self) -> bool:
        """Whether all have joined and the records cover the last visit and the horizon of every client."""
        import numpy as np

        rows, last = self.rows, self.protocol.last_day
        known = rows.clients.allocated_on[~np.isnat(rows.clients.allocated_on)]
        if not last or known.size == 0 or np.isnat(rows.data_through):
            return True
        followed = rows.data_through >= known.max() + np.timedelta64(last, "D")
        return bool(followed) and not self.enrolment_is_open

    @cached_property
    def looks(self) -> tuple[Entry, ...]:
        """Early looks at results by arm, as logged; without those that came to no answer."""
        nothing = {
            entry.body["look"]
            for entry in self.entries
            if entry.kind == "note" and entry.body.get("what") == SHOWED_NOTHING
        }
        return tuple(
            entry for entry in self.entries if entry.kind == "look" and entry.position not in nothing
        )

    @cached_property
    def pause_reasons(self) -> tuple[str, ...]:
        """Why the pause rule on harms has struck; empty when it has not."""
        from studykit.outcomes.client_periods import by_client_period
        from studykit.outcomes.harms import pause_rule

        if not self.allocated:
            return ()
        return tuple(pause_rule(self.protocol, by_client_period(self.protocol, self.derived[0])))
