"""The ledger of a study: locked protocol, allocations, amendments, looks and corrections.

It holds the past only. Each allocation is drawn just in time from operating-system entropy, and
read, drawn and written in one transaction; what the draw followed from is recorded, so that
everybody can repeat the past and nobody, the owner included, can read the future.
"""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from studykit.allocation import storage
from studykit.allocation.acts import (
    Allocation,
    Locked,
    Receipt,
    allocation_from,
    allocations_from,
    locked_from,
)
from studykit.allocation.bits import RecordedBits, fresh_entropy
from studykit.allocation.entries import FORMAT, Entry, canonical, moment_text, next_entry
from studykit.allocation.memory import Memory
from studykit.allocation.method import AllocationMethod, Described, check_stratum, draw, written_probabilities
from studykit.allocation.refusals import (
    REQUIRED_FACTS,
    check_client_code,
    check_clock,
    check_may_allocate,
    need_text,
)
from studykit.allocation.surroundings import Surroundings
from studykit.errors import ArgumentError, Finding, LedgerError
from studykit.protocol.local_time import in_zone, time_zone_of

After = Callable[[Sequence[Entry]], object]
_FREE_KINDS = ("look", "unblinding", "data lock", "reopening", "role", "note", "handover", "withdrawal")


class Ledger:
    """A study's ledger; `create` or `open` one.

    Examples
    --------
    >>> import tempfile
    >>> from studykit.allocation.blocks import PermutedBlocks
    >>> method = PermutedBlocks(("conventional", "partner_reps"), factors=("trainer",))
    >>> folder = tempfile.TemporaryDirectory()
    >>> ledger = Ledger.create(Path(folder.name) / "ledger.db", by="OW")
    >>> protocol = {"protocol": "format = 1", "protocol_hash": "0" * 64, "versions": {}}
    >>> locked = ledger.lock(**protocol, method=method, by="OW")
    >>> facts = dict.fromkeys(REQUIRED_FACTS, True)
    >>> receipt = ledger.allocate("C014", stratum={"trainer": "T1"}, facts=facts, method=method, by="OW")
    >>> receipt.position, ledger.allocations()[0].probabilities
    (3, {'conventional': '1/2', 'partner_reps': '1/2'})
    >>> ledger.allocate("C014", stratum={"trainer": "T1"}, facts=facts, method=method, by="OW")
    Traceback (most recent call last):
    ...
    studykit.errors.AllocationRefused: client C014: expected a client without an arm; found one ...
    >>> folder.cleanup()
    """

    def __init__(
        self,
        path: Path,
        *,
        timeout: float = 30.0,
        surroundings: Surroundings | None = None,
        after: After | None = None,
    ) -> None:
        self._path = Path(path)
        self._after = after
        self._timeout = timeout
        self._surroundings = surroundings or Surroundings()
        self._guard = threading.RLock()
        self._memory = Memory(self._path)

    @property
    def path(self) -> Path:
        """The file."""
        return self._path

    # --- making and opening -------------------------------------------------------------------

    @classmethod
    def create(
        cls,
        path: Path,
        *,
        by: str,
        timeout: float = 30.0,
        surroundings: Surroundings | None = None,
        after: After | None = None,
    ) -> Ledger:
        """Make a new ledger.

        Parameters
        ----------
        path : Path
            No file may stand there yet.
        by : str
            Code of the person who makes it.
        timeout : float
            Seconds to wait while another process holds the ledger.
        surroundings : Surroundings, optional
            Of a simulated study.
        after : callable, optional
            Is handed every entry so far once another one is safely in the file.

        Raises
        ------
        LedgerError
            If a file is there already, or none can be written.
        """
        ledger = cls(path, timeout=timeout, surroundings=surroundings, after=after)
        now = moment_text(ledger._surroundings.clock())
        # The identity makes the chains of two studies differ from the first entry on.
        body = {"format": FORMAT, "identity": fresh_entropy()}
        if ledger._surroundings.simulated:
            body["identity"] = ledger._surroundings.entropy()
        opening = next_entry(None, kind="opening", by=by, entry_time=now, event_time=now, body=body)
        storage.make(ledger._path, opening, timeout=timeout)
        return ledger

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        timeout: float = 30.0,
        surroundings: Surroundings | None = None,
        after: After | None = None,
    ) -> Ledger:
        """Open a ledger and verify its chain.

        Raises
        ------
        LedgerError
            If there is none, or it is not a ledger, of a newer format, or its chain is broken.
        """
        ledger = cls(path, timeout=timeout, surroundings=surroundings, after=after)
        ledger.entries()
        return ledger

    # --- reading ------------------------------------------------------------------------------

    def entries(self) -> tuple[Entry, ...]:
        """Every entry, in order; the chain has been verified.

        Raises
        ------
        LedgerError
            If the chain is broken.
        """
        return self.read()[0]

    def read(self) -> tuple[tuple[Entry, ...], tuple[Finding, ...]]:
        """Every entry, its chain verified, and what is wrong with the file beside the chain.

        Raises
        ------
        LedgerError
            If the chain is broken.
        """
        with self._guard, storage.transaction(self._path, timeout=self._timeout, write=False) as connection:
            self._memory.refresh(connection)
            entries = tuple(self._memory.entries)
            return entries, storage.file_findings(connection, entries)

    def unverified(self) -> tuple[tuple[Entry, ...], tuple[Finding, ...]]:
        """The same as it stands in the file, whether the chain holds or not.

        For the audit: of a ledger whose chain is broken, `read` gives nothing.
        """
        with storage.transaction(self._path, timeout=self._timeout, write=False) as connection:
            entries = tuple(storage.entries_after(connection, 0))
            return entries, storage.file_findings(connection, entries)

    def allocations(self) -> tuple[Allocation, ...]:
        """Every allocation in the order in which they were made, with later corrections."""
        return allocations_from(self.entries())

    def locked(self) -> Locked | None:
        """The locked protocol and its amendments; nothing before the lock."""
        return locked_from(self.entries())

    def receipt(self, client: str) -> Receipt:
        """The receipt of a client again.

        Raises
        ------
        LedgerError
            If the client has no arm.
        """
        for allocation in self.allocations():
            if allocation.client.casefold() == client.casefold():
                return allocation.receipt()
        raise LedgerError(where=f"client {client}", expected="an allocated client", got="none of that code")

    # --- writing ------------------------------------------------------------------------------

    def lock(
        self,
        *,
        protocol: str,
        protocol_hash: str,
        versions: Mapping[str, str],
        by: str,
        method: Described | None = None,
        event_time: str | None = None,
        fixed: Mapping[str, Any] | None = None,
    ) -> Locked:
        """Lock the protocol; this machine becomes the home of the study.

        Parameters
        ----------
        protocol, protocol_hash : str
            The whole text, and the hash of its resolved content.
        versions : mapping of str to str
            Software in use.
        by : str
        method : AllocationMethod, SplitPlan or SealedList, optional
            ``allocate`` then takes no other until an amendment names one; none for a trial that
            was allocated elsewhere.
        event_time : str, optional
            When it was decided, if not now.
        fixed : mapping, optional
            Plain values that the entry keeps too.

        Raises
        ------
        LedgerError
            If a protocol is locked already.
        """

        def body(memory: Memory, surroundings: Surroundings) -> Mapping[str, Any]:
            if memory.locked is not None:
                raise LedgerError(
                    where=str(self._path),
                    expected="a study without a locked protocol",
                    got=f"a lock at entry {memory.locked.position}",
                    todo="Amend it instead; studykit audit STUDY prints the code to keep again.",
                )
            return {
                "protocol": protocol,
                "protocol_hash": protocol_hash,
                "home": surroundings.machine,
                "versions": dict(versions),
                "method": None if method is None else method.describe(),
                **(fixed or {}),
            }

        self.record("lock", body, by=by, event_time=event_time)
        return self._memory.need_lock()

    def amend(
        self,
        *,
        protocol: str,
        protocol_hash: str,
        reason: str,
        changed: Sequence[str],
        by: str,
        method: Described | None = None,
        event_time: str | None = None,
    ) -> Locked:
        """Amend the locked protocol; parameters as for `lock`, with the reason and the changed keys.

        Without a ``method`` the one in force stays.

        Raises
        ------
        LedgerError
            If nothing is locked, the reason is empty, or nothing has changed.
        """
        need_text("reason", reason)

        def body(memory: Memory, _: Surroundings) -> Mapping[str, Any]:
            locked = memory.need_lock()
            if protocol == locked.current_protocol:
                raise LedgerError(
                    where="amendment",
                    expected="a protocol that differs from the one in force",
                    got="the same text",
                )
            return {
                "protocol": protocol,
                "protocol_hash": protocol_hash,
                "reason": reason,
                "changed": list(changed),
                "method": locked.current_method if method is None else method.describe(),
                "clients_allocated": len(memory.positions),
            }

        self.record("amendment", body, by=by, event_time=event_time)
        return self._memory.need_lock()

    def append(self, kind: str, body: Mapping[str, Any], *, by: str, event_time: str | None = None) -> Entry:
        """Append a look, an unblinding, a data lock, a reopening, roles, a handover, a withdrawal or a note.

        Parameters
        ----------
        kind : str
            ``"look"``, ``"unblinding"``, ``"data lock"``, ``"reopening"``, ``"role"``, ``"note"``,
            ``"handover"`` or ``"withdrawal"``.
        body : mapping
            Plain values; ``"reopening"`` needs a ``"reason"``.
        by : str
        event_time : str, optional
            When it happened (ISO 8601), if not now.

        Raises
        ------
        ArgumentError
            If the kind has a method of its own, or the body is not plain.
        LedgerError
            If the ledger cannot be written.
        """
        if kind not in _FREE_KINDS:
            raise ArgumentError(
                where="kind",
                expected=f"one of {', '.join(_FREE_KINDS)}",
                got=repr(kind),
                todo="Other kinds have functions of their own.",
            )
        if kind == "reopening":
            need_text("reason", body.get("reason", ""))
        return self.record(kind, lambda _memory, _surroundings: body, by=by, event_time=event_time)

    def correct(
        self,
        *,
        client: str,
        what: str,
        old: Any,
        new: Any,
        reason: str,
        source: str,
        by: str,
        event_time: str | None = None,
        fixed: Mapping[str, Any] | None = None,
    ) -> Entry:
        """Correct a mistyped fact by a new entry; what was drawn stays; ``fixed`` as for `lock`.

        Raises
        ------
        LedgerError
            If the arm is to be changed, the client is unknown, or a reason or source is missing.
        """
        need_text("reason", reason)
        need_text("source", source)
        if what == "arm":
            raise LedgerError(
                where=f"correction, client {client}",
                expected="a fact about the client",
                got="the arm",
                todo="An allocation is never changed or drawn again; record what was given as a deviation.",
            )

        def body(memory: Memory, _: Surroundings) -> Mapping[str, Any]:
            if client.casefold() not in memory.positions:
                raise LedgerError(
                    where=f"client {client}", expected="an allocated client", got="none of that code"
                )
            return {
                "client": client,
                "what": what,
                "old": old,
                "new": new,
                "reason": reason,
                "source": source,
                **(fixed or {}),
            }

        return self.record("correction", body, by=by, event_time=event_time)

    def move_home(self, *, reason: str, by: str) -> Entry:
        """Make this machine the home of the study; copies elsewhere must no longer be used.

        Raises
        ------
        LedgerError
            If nothing is locked or the reason is empty.
        """
        need_text("reason", reason)

        def body(memory: Memory, surroundings: Surroundings) -> Mapping[str, Any]:
            before = memory.need_lock().home
            return {"home": surroundings.machine, "before": before, "reason": reason}

        return self.record("home", body, by=by)

    def accept_clock(self, *, reason: str, by: str) -> Entry:
        """Go on from the present time although the last entry is later, where that one was wrong.

        Raises
        ------
        LedgerError
            If the reason is empty.
        """
        need_text("reason", reason)

        def body(memory: Memory, _: Surroundings) -> Mapping[str, Any]:
            return {"reason": reason, "last_entry_time": memory.entries[-1].entry_time}

        return self.record("clock", body, by=by)

    def allocate(
        self,
        client: str,
        *,
        stratum: Mapping[str, str],
        facts: Mapping[str, Any],
        method: AllocationMethod[Any],
        by: str,
        required: Sequence[str] = REQUIRED_FACTS,
        fixed: Mapping[str, Any] | None = None,
    ) -> Receipt:
        """Draw one client's arm, and record it with all it followed from, in one transaction.

        Parameters
        ----------
        client : str
            Code of the client.
        stratum : mapping of str to str
            The client's value for each of the method's factors.
        facts : mapping
            Plain values confirmed beforehand; each name in ``required`` must be there and neither
            false nor empty.
        method : AllocationMethod
            The one that the lock, or the last amendment, names.
        by : str
            Code of the person who enrols.
        required : sequence of str
            Facts without which nobody is allocated.
        fixed : mapping, optional
            Plain values that the entry keeps beside the facts, such as their hash.

        Returns
        -------
        Receipt

        Raises
        ------
        AllocationRefused
            If the protocol is not locked, the client has an arm, a fact is missing, the data are
            locked, this is not the home machine, or the method is another.
        LedgerError
            If the ledger cannot be trusted or written.
        """
        check_stratum(method, stratum)
        check_client_code(client)

        def body(memory: Memory, surroundings: Surroundings) -> Mapping[str, Any]:
            check_may_allocate(
                memory,
                client,
                facts=facts,
                method=method.describe(),
                required=required,
                machine=surroundings.machine,
            )
            entropy = surroundings.entropy()
            state = memory.past.state(method, canonical(method.describe()))
            drawn = draw(method, state, stratum=stratum, bits=RecordedBits(entropy))
            return {
                "client": client,
                "arm": drawn.arm,
                "stratum": dict(stratum),
                "facts": dict(facts),
                "method": method.describe(),
                "probabilities": written_probabilities(method.arms, drawn),
                "entropy": entropy,
                "entropy_source": surroundings.entropy_source,
                "machine": surroundings.machine,
                "protocol_hash": memory.need_lock().current_hash,
                **(fixed or {}),
            }

        entry = self.record("allocation", body, by=by, client=client)
        return allocation_from(entry).receipt()

    def ready(self, check: Callable[[Memory, Surroundings], object]) -> None:
        """Refuse what `record` would refuse, before anybody is asked; nothing is drawn or written."""
        with self._guard, storage.transaction(self._path, timeout=self._timeout, write=False) as connection:
            self._memory.refresh(connection)
            check_clock(self._memory, self._surroundings.clock())
            check(self._memory, self._surroundings)

    def ready_to_allocate(
        self,
        client: str,
        *,
        stratum: Mapping[str, str],
        facts: Mapping[str, Any],
        method: AllocationMethod[Any],
    ) -> None:
        """Refuse a client whom `allocate` would refuse."""
        check_stratum(method, stratum)
        check_client_code(client)

        def check(memory: Memory, surroundings: Surroundings) -> None:
            check_may_allocate(
                memory, client, facts=facts, method=method.describe(), required=REQUIRED_FACTS,
                machine=surroundings.machine,
            )  # fmt: skip

        self.ready(check)

    def record(
        self,
        kind: str,
        body: Callable[[Memory, Surroundings], Mapping[str, Any]],
        *,
        by: str,
        event_time: str | None = None,
        client: str | None = None,
    ) -> Entry:
        """Read what is new, let ``body`` check and decide, and append: one transaction.

        The acts of this room are made of it; other rooms use the acts.
        """
        with self._guard:
            with storage.transaction(self._path, timeout=self._timeout, write=True) as connection:
                self._memory.refresh(connection)
                now = self._surroundings.clock()
                if kind != "clock":
                    check_clock(self._memory, now)
                said = body(self._memory, self._surroundings)
                zone = self._time_zone(said)
                time = moment_text(in_zone(now, zone))
                entry = next_entry(
                    self._memory.entries[-1] if self._memory.entries else None,
                    kind=kind,
                    by=by,
                    entry_time=time,
                    event_time=_checked_event_time(event_time) or time,
                    body={**said, "time_zone": zone} if zone else said,
                )
                storage.insert(connection, entry, client=client)
            # Only what is safely in the file is remembered.
            self._memory.learn(entry)
            if self._after is not None:
                self._after(self._memory.entries)
            return entry

    def _time_zone(self, body: Mapping[str, Any]) -> str:
        """Of the protocol that an entry decides, or else of the one in force."""
        locked = self._memory.locked
        return time_zone_of(str(body.get("protocol") or ("" if locked is None else locked.current_protocol)))


def _checked_event_time(event_time: str | None) -> str | None:
    """An event's time must be ISO 8601."""
    if event_time is None:
        return None
    try:
        dt.datetime.fromisoformat(event_time)
    except ValueError:
        raise ArgumentError(
            where="event_time", expected="a date or time such as 2026-03-09", got=repr(event_time)
        ) from None
    return event_time
