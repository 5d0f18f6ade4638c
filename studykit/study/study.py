"""A study as one object: one folder with its protocol, ledger, records and results.

A `Study` is a frozen handle. Reading and analysing write nothing, except that an early look at
results by arm is entered in the ledger; saving is a step of its own. Rooms are imported inside the
methods, so that a command loads only what it uses.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from studykit.errors import (
    DataError,
    DesignError,
    Finding,
    FolderError,
    LedgerError,
    ProtocolError,
)
from studykit.study import enrolling, locking, planning_ahead
from studykit.study.auditing import audit_folder, other_ledger_findings
from studykit.study.checking import (
    Check,
    follow_up_complete,
    lost_ledger_findings,
    said_to_be_randomised,
)
from studykit.study.conduct import write_sheet
from studykit.study.correcting import write_correction
from studykit.study.deciding import (
    before_lock_findings,
    claimed_findings,
    file_findings,
    protocol_findings,
    stop_on,
)
from studykit.study.drawing import drawn_again
from studykit.study.early_looks import logged_look, looks_of
from studykit.study.folder import versions
from studykit.study.making import PROTOCOL as PROTOCOL
from studykit.study.making import RECORDS as RECORDS
from studykit.study.making import copy_demo, make_study
from studykit.study.receipts import keep_receipts
from studykit.study.rights import is_kept_blind
from studykit.study.snapshot import LEDGER as LEDGER
from studykit.study.snapshot import Snapshot, open_ledger

if TYPE_CHECKING:
    from studykit.allocation.acts import Locked, Receipt
    from studykit.allocation.audit_result import Anchor, AuditResult
    from studykit.allocation.entries import Entry
    from studykit.allocation.ledger import Ledger
    from studykit.allocation.slips import CalledSlip
    from studykit.allocation.splits import Split
    from studykit.outcomes.results import Provenance, StudyResults
    from studykit.planning.plan import Plan
    from studykit.planning.simulated_plan import Stage
    from studykit.planning.simulation_work import Workers
    from studykit.protocol.reading import ReadProtocol
    from studykit.protocol.types import Protocol
    from studykit.records.enrolment import EnrolmentFacts
    from studykit.records.rows import StudyRows
    from studykit.records.tables import Allocated, Records

HandedOut = TypeVar("HandedOut")
SEED = 1  # of re-randomisation tests; any will do, and it is printed
RESULTS = "results"


@dataclass(frozen=True, slots=True)
class Study:
    """A study's folder.

    Parameters
    ----------
    folder : Path
        Holds ``protocol.toml``, ``records/``, and after the lock ``ledger.db``.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.TemporaryDirectory()
    >>> study = Study.create(Path(folder.name) / "mine", design="parallel")
    >>> study.protocol.design
    'parallel'
    >>> folder.cleanup()
    """

    folder: Path
    _seen: Snapshot | None = field(default=None, repr=False, compare=False)

    # --- making and opening -------------------------------------------------------------------

    @classmethod
    def create(
        cls, folder: str | Path, *, design: str = "parallel", answers: Mapping[str, str] | None = None
    ) -> Study:
        """Make a study from a ready protocol; see `start`."""
        return cls.start(folder, design=design, answers=answers)[0]

    @classmethod
    def start(
        cls, folder: str | Path, *, design: str = "parallel", answers: Mapping[str, str] | None = None
    ) -> tuple[Study, tuple[Finding, ...]]:
        """Make a study from a ready protocol, with empty record tables, and say what to look at.

        Raises
        ------
        FolderError
            If something is in the way.
        ArgumentError
            If there is no such ready protocol, or an answer cannot be used.
        """
        findings = make_study(Path(folder), design=design, answers=answers)
        return cls(Path(folder)), findings

    @classmethod
    def open(cls, folder: str | Path) -> Study:
        """Open a study's folder.

        Raises
        ------
        FolderError
            If it is not there or holds no protocol.
        """
        path = Path(folder)
        if not path.is_dir():
            got = "a file" if path.exists() else "nothing of that name"
            raise FolderError(
                where=str(path),
                expected="a study's folder",
                got=got,
                todo="Check the spelling, or make one: studykit new FOLDER.",
            )
        if not (path / PROTOCOL).is_file():
            raise FolderError(
                where=str(path),
                expected=f"a file {PROTOCOL} in it",
                got="none",
                todo="Is this the study's folder? Make a study with: studykit new FOLDER.",
            )
        return cls(path)

    @classmethod
    def demo(cls, folder: str | Path = "demo_study") -> tuple[Study, bool]:
        """Copy the demo study; the second value is whether anything was copied.

        Raises
        ------
        FolderError
            If another thing is in the way.
        """
        return cls(Path(folder)), copy_demo(Path(folder))

    # --- reading ------------------------------------------------------------------------------

    @property
    def ledger(self) -> Ledger | None:
        """The study's ledger, its chain verified; ``None`` before the lock."""
        return open_ledger(self.folder)

    def entries(self) -> tuple[Entry, ...]:
        """Every entry of the ledger, verified; none before the lock."""
        return self._snapshot().entries

    def at_one_moment(self) -> Study:
        """The same study, read once: what is asked of it does not see what is written meanwhile."""
        return replace(self, _seen=Snapshot(self.folder))

    def _snapshot(self) -> Snapshot:
        return self._seen or Snapshot(self.folder)

    @property
    def locked(self) -> Locked | None:
        """The locked protocol with its amendments; ``None`` before the lock."""
        return self._snapshot().locked

    @property
    def protocol(self) -> Protocol:
        """The protocol in force: the locked one with its amendments, before the lock the file's."""
        return self._in_force().protocol

    def _in_force(self) -> ReadProtocol:
        return self._snapshot().read

    def records(self) -> Records:
        """The record tables, typed, with everything noticed on reading."""
        return self._snapshot().records

    def allocated(self, records: Records | None = None) -> tuple[Allocated, ...]:
        """The allocated clients, in order; from the ledger, or from the records of an external trial."""
        from studykit.allocation.acts import allocations_from
        from studykit.records.client_rows import allocated_from_records
        from studykit.records.tables import Allocated

        if self.protocol.is_external:
            return tuple(allocated_from_records(records or self.records(), self.protocol))
        return tuple(
            Allocated(
                client=entry.client,
                arm=entry.arm,
                allocated_on=entry.day,
                trainer=str(entry.true_stratum.get("trainer") or entry.facts.get("trainer") or ""),
                factors=dict(entry.true_stratum),
            )
            for entry in allocations_from(self.entries())
        )

    def rows(self) -> tuple[StudyRows, tuple[Finding, ...]]:
        """Frozen rows for the outcomes, and what was noticed.

        Raises
        ------
        DataError
            If a finding stops the work: no answer is computed from rows that were not understood.
        """
        from studykit.records.consistency import check_consistency
        from studykit.records.derive import derive_rows

        records, protocol = self.records(), self.protocol
        allocated = self.allocated(records)
        if not allocated:
            raise DesignError(
                where=str(self.folder),
                expected="allocated clients",
                got="none",
                todo="Lock the protocol and enrol clients first.",
            )
        findings = [*records.findings, *check_consistency(records, protocol, allocated)]
        rows, derived = derive_rows(records, protocol, allocated)
        findings += derived
        stops = [finding for finding in findings if finding.severity == "stop"]
        if stops:
            raise DataError(stops)
        return rows, tuple(findings)

    # --- planning and the lock ----------------------------------------------------------------

    def plan(
        self, *, clients: int | None = None, pilot: bool = False, from_records: str | Path | None = None
    ) -> Plan:
        """What the study can and cannot tell; see `study.planning_ahead`.

        Raises
        ------
        ProtocolError
            If the protocol has findings that stop the work.
        """
        read = self._in_force()
        stop_on(read)
        return planning_ahead.plan(read.protocol, clients=clients, pilot=pilot, from_records=from_records)

    def simulate(
        self,
        plan: Plan,
        *,
        trials: int = 500,
        seed: int = 1,
        workers: Workers = 1,
        stage: Stage | None = None,
    ) -> Plan:
        """The same plan with what simulated studies say of it; see `study.planning_ahead`."""
        return planning_ahead.simulate(
            self.protocol, plan, trials=trials, seed=seed, workers=workers, stage=stage
        )

    def lock(self, *, by: str, folder_is_local: bool = False) -> Locked:
        """Decide the protocol: its text goes into the ledger, and every later change is an amendment.

        A folder that looks synchronised is refused, unless somebody says that it is on this machine only.

        Raises
        ------
        FolderError
            If the folder looks as if another program copied it about.
        ProtocolError
            If something is missing or cannot stand.
        LedgerError
            If the study is locked already.
        """
        return self._kept(locking.lock(self, by=by, folder_is_local=folder_is_local))

    def amend(self, *, reason: str, by: str) -> tuple[Locked, tuple[str, ...]]:
        """Take ``protocol.toml`` as it stands now as an amendment; gives the changed keys too.

        Raises
        ------
        ProtocolError
            If the new text cannot stand.
        LedgerError
            If nothing is locked or nothing has changed.
        """
        return self._kept(locking.amend(self, reason=reason, by=by))

    def need_ledger(self) -> tuple[Ledger, Locked]:
        """The ledger and what is locked in it; refused before the lock."""
        ledger = self.ledger
        locked = None if ledger is None else ledger.locked()
        if ledger is None or locked is None:
            raise LedgerError(
                where=str(self.folder),
                expected="a locked protocol",
                got="none",
                todo="Lock it first: studykit lock STUDY --by CODE.",
            )
        return ledger, locked

    # --- allocation ---------------------------------------------------------------------------

    def enrolment(self, client: str) -> EnrolmentFacts:
        """Facts of a client who is to be allocated, from the records."""
        return enrolling.enrolment(self, client)

    def enrol(self, client: str, *, by: str) -> Receipt:
        """Draw the client's arm and record it; there is no preview and no second draw.

        Raises
        ------
        AllocationRefused
            If the records do not show that the client is ready, or an arm was drawn before.
        """
        return self._kept(enrolling.enrol(self, client, by=by))

    def allocate_trainers(self, *, by: str) -> Split:
        """Draw the arms of all trainers in one recorded act; their clients then go with them.

        Raises
        ------
        AllocationRefused
            If they have been drawn, something is not recorded, or clients are to be listed first.
        DesignError
            If the protocol draws clients, or there are fewer than two trainers for each arm.
        """
        return self._kept(enrolling.allocate_trainers(self, by=by))

    def call_slip(self, client: str, *, by: str) -> CalledSlip:
        """Tie the next slip of the sealed list to a client; only then may its envelope be opened.

        Raises
        ------
        AllocationRefused
            As `enrol`; or if an earlier slip of the stratum is not recorded yet, or none is left.
        """
        return enrolling.call_slip(self, client, by=by)

    def open_slip(self, client: str, *, word: str, by: str) -> Receipt:
        """Record the arm of the client's opened slip by its secret word.

        Raises
        ------
        AllocationRefused
            If no slip was called for the client, or the word does not fit its published seal.
        """
        return self._kept(enrolling.open_slip(self, client, word=word, by=by))

    def keep_receipts(self) -> str:
        """Write what was handed out after each act to ``results/receipts``, where a file is missing.

        Returns
        -------
        str
            Why a file could not be written; ``""`` where all are there.
        """
        return keep_receipts(self.folder / RESULTS, self.entries())

    def _kept(self, handed_out: HandedOut) -> HandedOut:
        """What an act hands out; it stands in the ledger, and nothing in the folder may take it away."""
        self.keep_receipts()
        return handed_out

    def correct(
        self, client: str, *, fact: str, value: str, reason: str, by: str, source: str = "records"
    ) -> Entry:
        """Correct a mistyped fact of an allocated client; the arm stays as it was drawn.

        Raises
        ------
        ArgumentError
            If there is no such fact, it cannot have this value, or nobody of this code has a role.
        LedgerError
            If the client is not allocated, or the fact is the arm.
        """
        ledger, _ = self.need_ledger()
        return write_correction(
            ledger, self.protocol, self.records(), client, fact=fact, value=value, reason=reason, by=by,
            source=source,
        )  # fmt: skip

    # --- checking -----------------------------------------------------------------------------

    def check(self) -> Check:
        """Look for trouble in the protocol and the records; progress is shown without arms."""
        from studykit.protocol.local_time import studio_day
        from studykit.records.consistency import check_consistency
        from studykit.records.progress import progress

        if self._seen is None:
            return self.at_one_moment().check()
        findings: list[Finding] = [*other_ledger_findings(self.folder, self.entries())]
        try:
            read = self._in_force()
        except ProtocolError as error:
            return Check(str(self.folder), (*findings, *error.findings), (), None)
        findings += protocol_findings(read)
        findings += before_lock_findings(read) if self.locked is None else claimed_findings(read)
        findings += self.file_findings()
        records = self.records()
        allocated = self.allocated(records)
        findings += records.findings
        if records.unread:
            return Check(str(self.folder), tuple(dict.fromkeys(findings)), (), None)
        findings += lost_ledger_findings(self)
        today = studio_day(read.protocol.study.time_zone)
        findings += check_consistency(records, read.protocol, allocated, today=today)
        findings += self._derived_findings(records, allocated)
        shown = progress(records, read.protocol, allocated, today=today)
        found = tuple(dict.fromkeys(findings))
        return Check(str(self.folder), found, self.pause_reasons(records, allocated), shown)

    def _derived_findings(self, records: Records, allocated: tuple[Allocated, ...]) -> tuple[Finding, ...]:
        """What would stop the analysis: a check that passes must not be followed by a refusal."""
        from studykit.records.derive import derive_rows

        return derive_rows(records, self.protocol, allocated)[1] if allocated else ()

    def file_findings(self) -> list[Finding]:
        """A warning where the file no longer says what was locked."""
        return [] if self.locked is None else file_findings(self.folder / PROTOCOL, self._in_force())

    def pause_reasons(
        self, records: Records | None = None, allocated: tuple[Allocated, ...] | None = None
    ) -> tuple[str, ...]:
        """Why the pause rule on harms has struck; empty when it has not."""
        from studykit.outcomes.client_periods import by_client_period
        from studykit.outcomes.harms import pause_rule
        from studykit.records.derive import derive_rows

        records = records or self.records()
        allocated = self.allocated(records) if allocated is None else allocated
        if not allocated:
            return ()
        rows, _ = derive_rows(records, self.protocol, allocated)
        return tuple(pause_rule(self.protocol, by_client_period(self.protocol, rows)))

    def audit(
        self,
        *,
        receipts: Sequence[Receipt] = (),
        anchors: Sequence[Anchor] = (),
        list_entropy: str = "",
        by: str = "",
    ) -> AuditResult:
        """Verify the ledger's chain, repeat every draw, compare receipts, codes and lists kept elsewhere.

        Who tests strength (``by``) is shown no numbers by arm.

        Raises
        ------
        LedgerError
            If there is no ledger.
        """
        result = audit_folder(self.folder, receipts=receipts, anchors=anchors, list_entropy=list_entropy)
        return result.without_arms() if by and is_kept_blind(by, self.protocol) else result

    # --- results ------------------------------------------------------------------------------

    def is_complete(self) -> bool:
        """Whether every allocated client has reached the last visit and the retention horizon."""
        rows, _ = self.rows()
        return follow_up_complete(rows, self.protocol)

    def looks(self) -> tuple[Entry, ...]:
        """Early looks at results by arm, as logged; without those that came to no answer."""
        return looks_of(self.entries())

    def analyse(self, *, look_by: str = "", look_reason: str = "", seed: int = SEED) -> StudyResults:
        """Analyse as the protocol says.

        Parameters
        ----------
        look_by, look_reason : str
            Who looks before the end of follow-up, and why; the look is logged first. Not needed later.
        seed : int
            Of the draws of the re-randomisation tests.

        Raises
        ------
        DesignError
            Before the end of follow-up without both.
        DataError
            If records have findings that stop the work.
        """
        from studykit.outcomes.analyse import analyse_rows

        if self._seen is None:
            return self.at_one_moment().analyse(look_by=look_by, look_reason=look_reason, seed=seed)
        rows, findings = self.rows()
        early = not follow_up_complete(rows, self.protocol)
        looking = logged_look(self, rows, by=look_by, reason=look_reason) if early else nullcontext()
        with looking as look:
            return analyse_rows(
                self.protocol,
                rows,
                provenance=self._provenance(rows, seed),
                randomised=self._randomised(),
                findings=(*findings, *claimed_findings(self._in_force())),
                drawn=drawn_again(self.entries(), rows.clients, seed=seed),
                look=look,
            )

    def _randomised(self) -> bool:
        """Whether the draws exist and can be repeated; an external trial's description answers for it."""
        from studykit.allocation.audit import audit
        from studykit.allocation.ledger import Ledger

        if self.protocol.is_external:
            return said_to_be_randomised(self.protocol)
        return audit(Ledger(self.folder / LEDGER), first=len(self.entries())).passed

    def _provenance(self, rows: StudyRows, seed: int) -> Provenance:
        from studykit.outcomes.results import Provenance

        read, entries = self._in_force(), self.entries()
        return Provenance(
            protocol_hash=read.digest,
            protocol_version=read.protocol.study.version,
            ledger_code=entries[-1].code if entries else "",
            table_hashes=rows.table_hashes,
            versions=tuple(versions().items()),
            seed=seed,
            made_at=dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        )

    def save(self, results: StudyResults) -> Path:
        """Write report, figures, tables and ``results.json``; gives the report's path."""
        from studykit.report.saving import save_report
        from studykit.study.looking_back import told_of_records

        now = self.at_one_moment()
        return save_report(
            results,
            now.protocol,
            self.folder / RESULTS,
            amendments=() if now.locked is None else now.locked.amendments,
            looks=now.looks(),
            earlier_records=told_of_records(now.entries()),
        )

    def save_plan(self, plan: Plan) -> Path:
        """Write the planning page; gives its path."""
        from studykit.report.saving import save_plan

        return save_plan(plan, self.protocol, self.folder / RESULTS)

    def sheet(self, client: str, *, today: dt.date | None = None, trainer: str = "") -> Path:
        """Write the client's session sheet and the page to take home; gives the sheet's path."""
        return write_sheet(self, client, today=today, trainer=trainer).path
