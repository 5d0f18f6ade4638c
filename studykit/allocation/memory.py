"""What a handle on the ledger remembers of it: the entries read and verified so far, and what follows.

Every transaction reads only what is new. If the last entry known is no longer in the file, another
copy was put in its place, and everything is read and verified again.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

from studykit.allocation import storage
from studykit.allocation.acts import Locked, locked_from
from studykit.allocation.entries import Entry, check_link, written_again
from studykit.allocation.past import Past
from studykit.errors import AllocationRefused, LedgerError


class Memory:
    """The verified entries of one ledger.

    Attributes
    ----------
    path : Path
    entries : list of Entry
    past : Past
        The allocations, folded.
    positions : dict of str to int
        Where each client (in lower case) was allocated.
    locked : Locked or None
    data_locked : int
        Position of the data lock in force, 0 when the records are open.
    """

    __slots__ = ("data_locked", "entries", "locked", "past", "path", "positions")

    def __init__(self, path: Path) -> None:
        self.path = path
        self.forget()

    def forget(self) -> None:
        """Nothing read yet."""
        self.entries: list[Entry] = []
        self.past = Past()
        self.positions: dict[str, int] = {}
        self.locked: Locked | None = None
        self.data_locked = 0

    def refresh(self, connection: sqlite3.Connection) -> None:
        """Read and verify the entries that are new since the last time."""
        if self.entries:
            last = self.entries[-1]
            if storage.code_at(connection, last.position) != last.code:
                self.forget()
        for entry in storage.entries_after(connection, len(self.entries)):
            finding = check_link(self.entries[-1] if self.entries else None, entry)
            if finding is not None:
                raise LedgerError(
                    where=f"{self.path}, entry {entry.position}",
                    expected=finding.expected,
                    got=finding.got,
                    todo=finding.todo,
                )
            self.learn(entry)

    def learn(self, entry: Entry) -> None:
        """Take one verified entry into the memory."""
        self.entries.append(entry)
        if entry.kind == "allocation":
            body = entry.body
            self.past.add(body["stratum"], body["arm"], written_again(body["method"]))
            self.positions[body["client"].casefold()] = entry.position
        elif entry.kind in ("lock", "amendment", "home", "split"):
            self.locked = locked_from(self.entries)
        elif entry.kind == "data lock":
            self.data_locked = entry.position
        elif entry.kind == "reopening":
            self.data_locked = 0

    def need_lock(self) -> Locked:
        """The lock.

        Raises
        ------
        AllocationRefused
            If nothing is locked.
        """
        if self.locked is None:
            raise AllocationRefused(
                where=str(self.path),
                expected="a locked protocol",
                got="none",
                todo="Lock the protocol first: what is decided must be decided before the first client.",
            )
        return self.locked
