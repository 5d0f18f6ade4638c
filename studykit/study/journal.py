"""The journal of the desk: every entry made there, with who, when, what before and why; it only grows.

One SQLite file beside the ledger, with the ledger's care (rollback journal, ``synchronous=EXTRA``). An entry
comes with a key of its own: the same key again is the same entry, and is answered so. Which paired phones
there are stands here too, their secrets as digests only.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from studykit.errors import FolderError, StudykitError

JOURNAL, LOCK = "journal.db", "journal.lock"
APPLICATION_ID = 0x736B6A6E
Kind = Literal["row", "correction", "removal"]

_SCHEMA = """
CREATE TABLE entry (
    position INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE, digest TEXT NOT NULL, who TEXT NOT NULL,
    device TEXT NOT NULL, made_at TEXT NOT NULL, received_at TEXT NOT NULL, body TEXT NOT NULL
);
CREATE TABLE carried (
    position INTEGER NOT NULL, place INTEGER NOT NULL, at TEXT NOT NULL, PRIMARY KEY (position, place)
);
CREATE TABLE written (name TEXT PRIMARY KEY, before TEXT NOT NULL, after TEXT NOT NULL, places TEXT NOT NULL);
CREATE TABLE device (
    number INTEGER PRIMARY KEY, who TEXT NOT NULL, secret TEXT NOT NULL UNIQUE, phone INTEGER NOT NULL,
    since TEXT NOT NULL, until TEXT NOT NULL, ended INTEGER NOT NULL DEFAULT 0
);
CREATE TRIGGER entry_kept BEFORE UPDATE ON entry BEGIN SELECT RAISE(ABORT, 'the journal only grows'); END;
CREATE TRIGGER entry_stays BEFORE DELETE ON entry BEGIN SELECT RAISE(ABORT, 'the journal only grows'); END;
CREATE TRIGGER carried_stays BEFORE DELETE ON carried BEGIN SELECT RAISE(ABORT, 'it only grows'); END;
"""


def is_journal(path: Path) -> bool:
    """Whether a file is the desk's journal, by name and by the number that SQLite keeps in its header."""
    if path.name not in (JOURNAL, LOCK) or not path.is_file():
        return False
    with path.open("rb") as stream:
        head = stream.read(72)
    return not head or head[68:72] == APPLICATION_ID.to_bytes(4, "big")


class KeyReusedError(StudykitError):
    """A key came again with another entry."""


@dataclass(frozen=True, slots=True)
class Row:
    """A row of a record table: texts by column, empty ones left out."""

    table: str
    cells: Mapping[str, str]

    @property
    def mark(self) -> frozenset[tuple[str, str]]:
        """What tells rows apart, whatever the order of columns."""
        return frozenset(self.cells.items())


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry.

    Parameters
    ----------
    kind : {"row", "correction", "removal"}
    who, device : str
        Code of the person, and the number of the phone or ``laptop``.
    made_at, received_at : str
        By the clock of the device on which it was made, and by this computer's; ISO texts in UTC.
    rows : tuple of Row
        New rows; at a correction the row as it is to be.
    old : Row or None
        At a correction or removal, the row as it was.
    reason : str
    position : int
        In the journal; 0 before it is there.
    key : str
    """

    kind: Kind
    who: str
    device: str
    made_at: str
    received_at: str
    rows: tuple[Row, ...]
    key: str
    old: Row | None = None
    reason: str = ""
    position: int = 0

    @property
    def body(self) -> str:
        """What was entered, as it is kept."""
        told: dict[str, Any] = {
            "kind": self.kind, "rows": [asdict(row) for row in self.rows],
            "old": None if self.old is None else asdict(self.old), "reason": self.reason,
        }  # fmt: skip
        return json.dumps(told, sort_keys=True, ensure_ascii=False, separators=(",", ":"))

    @property
    def changed(self) -> tuple[Row, ...]:
        """Its changes to tables, one for each place; a removal has the row that goes."""
        return self.rows if self.old is None or self.rows else (self.old,)


@dataclass(frozen=True, slots=True)
class Device:
    """A browser that may use the desk."""

    number: int
    who: str
    phone: bool
    since: str
    until: str
    ended: bool


def utc_now() -> str:
    """The time by this computer's clock."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")


class Journal:
    """The journal of one study's folder."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / JOURNAL
        if is_journal(self.path) and self.path.stat().st_size:
            return
        with self._transaction(write=True) as base:
            if base.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID:
                return
            if base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                raise FolderError(where=str(self.path), expected="the desk's journal", got="another database",
                                  todo="Move it away.")  # fmt: skip
            for statement in _SCHEMA.split(";\nCREATE"):
                text = statement.strip().removesuffix(";")
                base.execute(text if text.startswith("CREATE") else f"CREATE{statement}")
            base.execute(f"PRAGMA application_id = {APPLICATION_ID}")

    @contextmanager
    def _transaction(self, *, write: bool) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(self.path, timeout=20.0, isolation_level=None)) as base:
                base.execute("PRAGMA synchronous = EXTRA")
                base.execute("BEGIN IMMEDIATE" if write else "BEGIN")
                try:
                    yield base
                    base.execute("COMMIT")
                except BaseException:
                    if base.in_transaction:
                        base.execute("ROLLBACK")
                    raise
        except sqlite3.Error as error:
            raise FolderError(
                where=str(self.path), expected="the desk's journal, with space to write", got=str(error),
                todo="Nothing was written. Check the disk and the folder's rights, then try again.",
            ) from None  # fmt: skip

    # --- entries ------------------------------------------------------------------------------

    def put(self, entry: Entry) -> tuple[int, bool]:
        """Keep an entry; gives its position, and whether it is new.

        Raises
        ------
        KeyReusedError
            If the key stands for another entry.
        """
        digest = hashlib.sha256(f"{entry.who}\n{entry.body}".encode()).hexdigest()
        with self._transaction(write=True) as base:
            found = base.execute("SELECT position, digest FROM entry WHERE key = ?", [entry.key]).fetchone()
            if found is not None:
                if found[1] != digest:
                    raise KeyReusedError(
                        where="entry", expected="a new key for a new entry", got="a key that was used before",
                        todo="Nothing was written. Open the form anew, and enter it again.",
                    )  # fmt: skip
                return int(found[0]), False
            made = base.execute(
                "INSERT INTO entry (key, digest, who, device, made_at, received_at, body) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                [entry.key, digest, entry.who, entry.device, entry.made_at, entry.received_at, entry.body],
            )
            return int(made.lastrowid or 0), True

    def entries(self, *, after: int = 0) -> tuple[Entry, ...]:
        """Entries in the order in which they came."""
        with self._transaction(write=False) as base:
            rows = base.execute(
                "SELECT position, key, who, device, made_at, received_at, body FROM entry "
                "WHERE position > ? ORDER BY position",
                [after],
            ).fetchall()
        return tuple(_entry(row) for row in rows)

    def carried(self) -> frozenset[tuple[int, int]]:
        """What stands in the tables: position of the entry, and which of its rows."""
        with self._transaction(write=False) as base:
            return frozenset(base.execute("SELECT position, place FROM carried").fetchall())

    def written(self, name: str) -> tuple[str, str, tuple[tuple[int, int], ...]] | None:
        """The last writing of a table: digest before, digest after, what it carries."""
        with self._transaction(write=False) as base:
            row = base.execute("SELECT before, after, places FROM written WHERE name = ?", [name]).fetchone()
        return None if row is None else (row[0], row[1], tuple((a, b) for a, b in json.loads(row[2])))

    def will_write(self, name: str, before: str, after: str, places: Sequence[tuple[int, int]]) -> None:
        """Say what is about to be written, so that a crash in between is understood afterwards."""
        with self._transaction(write=True) as base:
            base.execute("INSERT OR REPLACE INTO written VALUES (?, ?, ?, ?)",
                         [name, before, after, json.dumps(list(places))])  # fmt: skip

    def has_carried(self, places: Sequence[tuple[int, int]]) -> None:
        """Say that rows stand in the tables."""
        with self._transaction(write=True) as base:
            base.executemany("INSERT OR IGNORE INTO carried VALUES (?, ?, ?)",
                             [(position, place, utc_now()) for position, place in places])  # fmt: skip

    # --- devices ------------------------------------------------------------------------------

    def admit(self, who: str, secret: str, *, phone: bool, until: str) -> int:
        """A browser that may use the desk from now on."""
        with self._transaction(write=True) as base:
            made = base.execute(
                "INSERT INTO device (who, secret, phone, since, until) VALUES (?, ?, ?, ?, ?)",
                [who, _digest(secret), int(phone), utc_now(), until],
            )
            return int(made.lastrowid or 0)

    def device(self, secret: str) -> Device | None:
        """The browser with this secret, while it may use the desk."""
        found = [one for one in self._devices("secret = ?", _digest(secret)) if not one.ended]
        return found[0] if found and found[0].until > utc_now() else None

    def devices(self) -> tuple[Device, ...]:
        """Every browser that was ever admitted."""
        return self._devices("? = ''", "")

    def _devices(self, which: str, value: str) -> tuple[Device, ...]:
        with self._transaction(write=False) as base:
            rows = base.execute(
                f"SELECT number, who, phone, since, until, ended FROM device WHERE {which}",  # noqa: S608 — ours
                [value],
            ).fetchall()
        return tuple(
            Device(n, who, bool(phone), since, until, bool(ended))
            for n, who, phone, since, until, ended in rows
        )

    def change_device(self, number: int, *, who: str | None = None, ended: bool = False) -> None:
        """Give a browser another person's code, or end it."""
        with self._transaction(write=True) as base:
            if who is not None:
                base.execute("UPDATE device SET who = ? WHERE number = ?", [who, number])
            if ended:
                base.execute("UPDATE device SET ended = 1 WHERE number = ?", [number])


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _entry(row: Sequence[Any]) -> Entry:
    position, key, who, device, made_at, received_at, body = row
    told = json.loads(body)
    old = None if told["old"] is None else Row(**told["old"])
    rows = tuple(Row(**one) for one in told["rows"])
    return Entry(told["kind"], who, device, made_at, received_at, rows, key, old, told["reason"], position)
