"""A study as one object: one folder with its protocol, ledger, records and results.

A `Study` is a frozen handle; every call reads the folder once and hands what it read to the module that
does the work. Reading and analysing write nothing, except that an early look at results by arm is entered
in the ledger; saving is a step of its own. Rooms are imported inside the methods, so that a command loads
only what it uses.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.study import analysing, checking, enrolling, entering, locking, planning_ahead
from studykit.study.auditing import audit_folder
from studykit.study.folder import copy_demo, make_study, study_folder
from studykit.study.looking_back import told_of_records
from studykit.study.session_sheets import write_sheet
from studykit.study.snapshot import RESULTS, Snapshot, open_ledger, read_locked, read_study

if TYPE_CHECKING:
    from studykit.allocation.acts import Locked, Receipt
    from studykit.allocation.audit_result import Anchor, AuditResult
    from studykit.allocation.entries import Entry
    from studykit.allocation.ledger import Ledger
    from studykit.allocation.slips import CalledSlip
    from studykit.allocation.splits import Split
    from studykit.errors import Finding
    from studykit.outcomes.results import StudyResults
    from studykit.planning.plan import Plan
    from studykit.planning.simulated_plan import Stage
    from studykit.planning.simulation_work import Workers
    from studykit.protocol.types import Protocol
    from studykit.records.enrolment import EnrolmentFacts
    from studykit.records.record_tables import Allocated, Records
    from studykit.records.rows import StudyRows
    from studykit.study.checking import Check
    from studykit.study.todays import Today


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
        return cls(study_folder(folder))

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

    def read(self) -> Snapshot:
        """The study as it stands now: what is asked of it does not see what is written meanwhile.

        Raises
        ------
        LedgerError
            If the ledger is no ledger, or its chain is broken.
        """
        return read_study(self.folder)[0]

    @property
    def ledger(self) -> Ledger | None:
        """The study's ledger, its chain verified; ``None`` before the lock."""
        return open_ledger(self.folder)

    def entries(self) -> tuple[Entry, ...]:
        """Every entry of the ledger, verified; none before the lock."""
        return self.read().entries

    @property
    def protocol(self) -> Protocol:
        """The protocol in force: the locked one with its amendments, before the lock the file's."""
        return self.read().protocol

    def records(self) -> Records:
        """The record tables, typed, with everything noticed on reading."""
        return self.read().records

    def allocated(self) -> tuple[Allocated, ...]:
        """The allocated clients, in order; from the ledger, or from the records of an external trial."""
        return self.read().allocated

    def rows(self) -> tuple[StudyRows, tuple[Finding, ...]]:
        """Frozen rows for the outcomes, and what was noticed; refused as `Snapshot.rows` is."""
        now = self.read()
        return now.rows, now.findings

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
        return planning_ahead.plan(self.read(), clients=clients, pilot=pilot, from_records=from_records)

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
        return locking.lock(*read_study(self.folder), by=by, folder_is_local=folder_is_local)

    def amend(self, *, reason: str, by: str) -> tuple[Locked, tuple[str, ...]]:
        """Take ``protocol.toml`` as it stands now as an amendment; gives the changed keys too.

        Raises
        ------
        ProtocolError
            If the new text cannot stand.
        LedgerError
            If nothing is locked or nothing has changed.
        """
        return locking.amend(*read_locked(self.folder), reason=reason, by=by)

    # --- allocation ---------------------------------------------------------------------------

    def enrolment(self, client: str) -> EnrolmentFacts:
        """Facts of a client who is to be allocated, from the records."""
        return enrolling.enrolment(self.read(), client)

    def enrol(self, client: str, *, by: str) -> Receipt:
        """Draw the client's arm and record it; there is no preview and no second draw.

        Raises
        ------
        AllocationRefused
            If the records do not show that the client is ready, or an arm was drawn before.
        """
        return enrolling.enrol(*read_locked(self.folder), client, by=by)

    def allocate_trainers(self, *, by: str) -> Split:
        """Draw the arms of all trainers in one recorded act; their clients then go with them.

        Raises
        ------
        AllocationRefused
            If they have been drawn, something is not recorded, or clients are to be listed first.
        DesignError
            If the protocol draws clients, or there are fewer than two trainers for each arm.
        """
        return enrolling.allocate_trainers(*read_locked(self.folder), by=by)

    def call_slip(self, client: str, *, by: str) -> CalledSlip:
        """Tie the next slip of the sealed list to a client; only then may its envelope be opened.

        Raises
        ------
        AllocationRefused
            As `enrol`; or if an earlier slip of the stratum is not recorded yet, or none is left.
        """
        return enrolling.call_slip(*read_locked(self.folder), client, by=by)

    def open_slip(self, client: str, *, word: str, by: str) -> Receipt:
        """Record the arm of the client's opened slip by its secret word.

        Raises
        ------
        AllocationRefused
            If no slip was called for the client, or the word does not fit its published seal.
        """
        return enrolling.open_slip(*read_locked(self.folder), client, word=word, by=by)

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
        return entering.correct(
            *read_locked(self.folder), client, fact=fact, value=value, reason=reason, by=by, source=source
        )

    # --- checking -----------------------------------------------------------------------------

    def check(self) -> Check:
        """Look for trouble in the protocol and the records; progress is shown without arms."""
        return checking.check(self.read())

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
        return audit_folder(self.folder, receipts=receipts, anchors=anchors, list_entropy=list_entropy, by=by)

    # --- results ------------------------------------------------------------------------------

    def analyse(self, *, look_by: str = "", look_reason: str = "", seed: int = 1) -> StudyResults:
        """Analyse as the protocol says.

        Parameters
        ----------
        look_by, look_reason : str
            Who looks before the end of follow-up, and why; the look is logged first. Not needed later.
        seed : int
            Of the draws of the re-randomisation tests; any will do, and it is printed.

        Raises
        ------
        DesignError
            Before the end of follow-up without both.
        DataError
            If records have findings that stop the work.
        """
        return analysing.analyse(
            *read_study(self.folder), look_by=look_by, look_reason=look_reason, seed=seed
        )

    def save(self, results: StudyResults) -> Path:
        """Write report, figures, tables and ``results.json``; gives the report's path."""
        from studykit.report.saving import save_report

        now = self.read()
        return save_report(
            results,
            now.protocol,
            self.folder / RESULTS,
            amendments=() if now.locked is None else now.locked.amendments,
            looks=now.looks,
            earlier_records=told_of_records(now.entries),
        )

    def write_up(self, results: StudyResults) -> Path:
        """Write a Word document for a thesis, with its tables and figures; gives its path."""
        from studykit.writeup.write_up import write_up

        now = self.read()
        return write_up(
            results,
            self.folder / RESULTS / "write_up",
            protocol=now.protocol,
            amendments=() if now.locked is None else now.locked.amendments,
            looks=now.looks,
            earlier_records=told_of_records(now.entries),
        )

    def write_before_data(self) -> Path:
        """Write the text for a register and the analysis plan, as they stand now; gives the path."""
        from studykit.study.folder import versions
        from studykit.writeup.before_data import write_before_data

        now = self.read()
        return write_before_data(
            now.read, self.folder / RESULTS / "before_the_data", versions=versions(),
            locked=now.locked is not None, allocated=len(now.allocated),
        )  # fmt: skip

    def save_plan(self, plan: Plan) -> Path:
        """Write the planning page; gives its path."""
        from studykit.report.saving import save_plan

        return save_plan(plan, self.protocol, self.folder / RESULTS)

    def today(self, *, by: str = "", today: dt.date | None = None) -> Today:
        """Write the list of the day, and all its sheets for who may know the arms; see `study.todays`."""
        from studykit.study.todays import write_today

        return write_today(self.read(), by=by, today=today)

    def withdraw(
        self, client: str, *, what: str, by: str, reason: str = "", day: dt.date | None = None
    ) -> entering.Noted:
        """Write that a client takes back touch, consent or data; see `study.entering.withdraw`."""
        return entering.withdraw(*read_locked(self.folder), client, what=what, by=by, reason=reason, day=day)

    def handover(
        self, trainer: str, *, to: str, reason: str, by: str, clients: Sequence[str] = ()
    ) -> entering.Noted:
        """Write that a trainer leaves and who takes over; see `study.entering.handover`."""
        return entering.handover(
            *read_locked(self.folder), trainer, to=to, reason=reason, by=by, clients=clients
        )

    def sheet(self, client: str, *, today: dt.date | None = None, trainer: str = "") -> Path:
        """Write the client's session sheet and the page to take home; gives the sheet's path."""
        return write_sheet(self.read(), client, today=today, trainer=trainer).path
