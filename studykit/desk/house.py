"""The desk's one study: its state as last read, its journal, and the thread that carries entries."""

from __future__ import annotations

import secrets
import sqlite3
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.errors import Finding, FolderError, StudykitError
from studykit.records.schema import table
from studykit.study.carrying import Carrier, Place, read_file
from studykit.study.journal import LOCK, Entry, Journal
from studykit.study.snapshot import LEDGER, PROTOCOL, RECORDS, read_study
from studykit.study.todays import whole_day

if TYPE_CHECKING:
    from studykit.outcomes.day_list import DayList
    from studykit.protocol.types import Protocol
    from studykit.study.snapshot import Snapshot

ADDRESS = "desk_address.txt"
AGAIN = 5.0  # seconds after which what waits is tried again


@dataclass(frozen=True, slots=True)
class State:
    """The study as read: the snapshot, the day, and what it was read from."""

    now: Snapshot
    day: DayList | None
    trouble: str
    mark: tuple[tuple[str, int, int], ...]


@dataclass(slots=True)
class House:
    """One study at the desk.

    Parameters
    ----------
    folder : Path
    journal : Journal
    waits : mapping
        Rows that could not be carried into the tables, and what for.
    """

    folder: Path
    journal: Journal
    waits: Mapping[Place, str] = field(default_factory=dict)
    _held: sqlite3.Connection | None = None
    _state: State | None = None
    _reading: threading.Lock = field(default_factory=threading.Lock)
    _carrying: threading.Lock = field(default_factory=threading.Lock)
    _wake: threading.Event = field(default_factory=threading.Event)
    _stop: threading.Event = field(default_factory=threading.Event)
    _carrier: Carrier | None = None
    _rows: dict[str, tuple[tuple[int, int], list[dict[str, str]]]] = field(default_factory=dict)
    _thread: threading.Thread | None = None

    @classmethod
    def open(cls, folder: Path) -> House:
        """Open a study for the desk; one desk for a study.

        Raises
        ------
        FolderError
            If another desk runs on it.
        """
        held = sqlite3.connect(folder / LOCK, timeout=0.2, isolation_level=None, check_same_thread=False)
        try:
            held.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error:
            held.close()
            raise FolderError(
                where=str(folder), expected="one desk for a study", got="another one that runs already",
                todo="Use its page, or close it first.",
            ) from None  # fmt: skip
        house = cls(folder, Journal(folder), _held=held)
        house._carrier = Carrier(folder, house.journal)
        house._thread = threading.Thread(target=house._work, name="carrier", daemon=True)
        house._thread.start()
        return house

    def close(self) -> None:
        """Stop carrying; what waits is carried the next time."""
        self._stop.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout=30)
        if self._held is not None:
            self._held.close()

    # --- the study as it stands ---------------------------------------------------------------

    def state(self, *, fresh: bool = True) -> State:
        """The study as it stands; where not ``fresh``, as it stood a moment ago while it is read anew."""
        mark = self._mark()
        state = self._state
        if state is not None and state.mark == mark and state.now.today == _today(state):
            return state
        if state is not None and not fresh:
            self._wake.set()
            return state
        with self._reading:
            if (
                self._state is None
                or self._state.mark != mark
                or self._state.now.today != _today(self._state)
            ):
                self._state = self._read(mark)
            return self._state

    def _read(self, mark: tuple[tuple[str, int, int], ...]) -> State:
        now, _ = read_study(self.folder)
        day, trouble = None, ""
        try:
            day = whole_day(now)
        except StudykitError as error:
            trouble = str(error)
        return State(now, day, trouble, mark)

    def _mark(self) -> tuple[tuple[str, int, int], ...]:
        """What the study is read from, by time and size."""
        files = [self.folder / PROTOCOL, self.folder / LEDGER, *sorted((self.folder / RECORDS).glob("*"))]
        told = []
        for path in files:
            try:
                status = path.stat()
            except OSError:
                continue
            told.append((path.name, status.st_mtime_ns, status.st_size))
        return tuple(told)

    def rows(self, name: str, protocol: Protocol) -> list[dict[str, str]]:
        """The rows of a table as they stand; none where it cannot be read whole."""
        path = self.folder / RECORDS / f"{name}.csv"
        try:
            status = path.stat()
            mark = (status.st_mtime_ns, status.st_size)
            if self._rows.get(name, (None,))[0] != mark:
                read = read_file(table(name), path.read_bytes(), protocol)
                rows = [] if isinstance(read, Finding) else [dict(sorted(one)) for one in read.marks]
                self._rows[name] = (mark, rows)
        except OSError:
            return []
        return self._rows[name][1]

    def last_address(self) -> str:
        """The address at which phones reached this study's desk the last time."""
        try:
            return (self.folder / ADDRESS).read_text(encoding="utf-8").strip()[:60]
        except OSError:
            return ""

    def note_address(self, address: str) -> None:
        """Keep it: entries that wait on a phone belong to an address."""
        (self.folder / ADDRESS).write_text(f"{address}\n", encoding="utf-8")

    # --- entries ------------------------------------------------------------------------------

    def enter(self, entry: Entry) -> tuple[int, bool]:
        """Keep an entry, and carry it soon."""
        kept = self.journal.put(entry)
        self._wake.set()
        return kept

    def carry(self) -> Mapping[Place, str]:
        """Carry now what can be carried; gives what waits."""
        with self._carrying:
            assert self._carrier is not None
            try:
                self.waits = self._carrier.carry(read_study(self.folder)[0].protocol)
            except StudykitError as error:
                places = [(e.position, at) for e in self.journal.entries() for at, _ in enumerate(e.changed)]
                done = self.journal.carried()
                self.waits = {place: str(error) for place in places if place not in done}
            return self.waits

    def _work(self) -> None:
        while not self._stop.is_set():
            self._wake.wait(AGAIN)
            self._wake.clear()
            if self._stop.is_set():
                return
            try:
                self.carry()
                self.state()
            except (StudykitError, OSError):
                time.sleep(0.2)  # said on the page, by whoever reads the study next


def _today(state: State) -> object:
    from studykit.protocol.local_time import studio_day

    return studio_day(state.now.protocol.study.time_zone)


def new_key() -> str:
    """A key of 128 bits for an entry."""
    return secrets.token_hex(16)
