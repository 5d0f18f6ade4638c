"""The ledger's file: an SQLite database that only grows.

Rollback journal and ``synchronous=EXTRA``: after a crash or a power cut an entry is wholly there or
wholly absent, and no side file is left that a synchronised folder could lose. Triggers refuse every
change and removal, and every entry that does not follow the last one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path

from studykit.allocation.entries import FORMAT, NO_CODE, Entry
from studykit.errors import Finding, LedgerError

APPLICATION_ID = 0x736B6C64
COLUMNS = "position, kind, by, entry_time, event_time, body, previous, code"

_SCHEMA = f"""
CREATE TABLE entry (
    position INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    by TEXT NOT NULL,
    entry_time TEXT NOT NULL,
    event_time TEXT NOT NULL,
    body TEXT NOT NULL,
    previous TEXT NOT NULL,
    code TEXT NOT NULL UNIQUE,
    client TEXT COLLATE NOCASE
);
CREATE UNIQUE INDEX one_arm_per_client ON entry (client) WHERE client IS NOT NULL;
CREATE TRIGGER never_changed BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER never_removed BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER only_at_the_end BEFORE INSERT ON entry
WHEN NEW.position IS NOT (SELECT COALESCE(MAX(position), 0) + 1 FROM entry)
  OR NEW.previous IS NOT COALESCE((SELECT code FROM entry ORDER BY position DESC LIMIT 1), '{NO_CODE}')
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
"""  # noqa: S608 — a constant


def _connect(path: Path, timeout: float, *, create: bool = False) -> sqlite3.Connection:
    """A connection in which every transaction is begun by hand."""
    address = f"{path.resolve().as_uri()}?mode={'rwc' if create else 'rw'}"
    connection = sqlite3.connect(address, uri=True, timeout=timeout, isolation_level=None)
    connection.execute("PRAGMA synchronous = EXTRA")
    connection.execute("PRAGMA recursive_triggers = ON")
    connection.execute("PRAGMA trusted_schema = OFF")
    return connection


@contextmanager
def transaction(path: Path, *, timeout: float, write: bool) -> Iterator[sqlite3.Connection]:
    """One transaction: kept whole when the block ends well, undone whole when it does not.

    Raises
    ------
    LedgerError
        With one message for each thing that can be wrong with the file, the folder or the disk.
    """
    if not path.is_file():
        raise LedgerError(
            where=str(path),
            expected="a ledger",
            got="no such file",
            todo="Make one with the study, or look for it.",
        )
    with _explained(path, timeout), closing(_connect(path, timeout)) as connection:
        connection.execute("BEGIN IMMEDIATE" if write else "BEGIN")
        try:
            check_format(connection, path)
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


def is_begun(path: Path, *, timeout: float = 30.0) -> bool:
    """Whether anything has been written: what is left where making a ledger was cut off is none yet.

    Raises
    ------
    LedgerError
        If the file is of another kind, or cannot be read.
    """
    if not path.is_file():
        return path.exists()
    # SQLite itself takes back what was half written; the size of the file alone would not tell.
    with _explained(path, timeout), closing(_connect(path, timeout)) as connection:
        return _holds_anything(connection)


def _holds_anything(connection: sqlite3.Connection) -> bool:
    return bool(connection.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()[0])


def make(path: Path, opening: Entry, *, timeout: float) -> None:
    """Write a new ledger with its opening entry, in one transaction: killed on the way, it is none.

    It is made in its place and not renamed into it, so that of two who make it at once one is refused.

    Raises
    ------
    LedgerError
        If there is a file already (an empty one, left by a crash, is taken), or none can be written.
    """
    if not path.parent.is_dir():
        raise LedgerError(
            where=str(path.parent), expected="a folder", got="none", todo="Make the folder first."
        )
    with _explained(path, timeout), closing(_connect(path, timeout, create=True)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        try:
            if _holds_anything(connection):
                raise LedgerError(
                    where=str(path),
                    expected="no file yet",
                    got="one that exists",
                    todo="A ledger is never overwritten.",
                )
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {FORMAT}")
            for statement in _statements(_SCHEMA):
                connection.execute(statement)
            insert(connection, opening)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


def _statements(script: str) -> Iterator[str]:
    """The statements of a script (`executescript` would commit the transaction under way)."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def insert(connection: sqlite3.Connection, entry: Entry, *, client: str | None = None) -> None:
    """Add an entry at the end."""
    connection.execute(
        f"INSERT INTO entry ({COLUMNS}, client) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608 — constants
        (
            entry.position,
            entry.kind,
            entry.by,
            entry.entry_time,
            entry.event_time,
            entry.text,
            entry.previous,
            entry.code,
            client,
        ),
    )


def entries_after(connection: sqlite3.Connection, position: int) -> list[Entry]:
    """Entries later than ``position``, in order."""
    rows = connection.execute(
        f"SELECT {COLUMNS} FROM entry WHERE position > ? ORDER BY position",  # noqa: S608 — constants
        (position,),
    )
    return [Entry(row[0], *map(_as_text, row[1:])) for row in rows]


def _as_text(value: object) -> str:
    """A column as stored; of another type than text it cannot fit the chain, and must not end the audit."""
    return value if isinstance(value, str) else repr(value)


def file_findings(connection: sqlite3.Connection, entries: Sequence[Entry]) -> tuple[Finding, ...]:
    """What the file holds beside the chain, compared with what it must be: triggers, tables, clients.

    Parameters
    ----------
    connection : sqlite3.Connection
    entries : sequence of Entry
        As read in the same transaction.
    """
    found, wanted = _structure(connection), _structure_of_a_new_one()
    wrong = [
        (f"ledger, {name}", "as a new ledger has it" if name in wanted else "nothing of that name",
         "changed" if found.get(name) and name in wanted else "removed" if name in wanted else "added")
        for name in sorted(found | wanted)
        if found.get(name) != wanted.get(name)
    ]  # fmt: skip
    clients = connection.execute("SELECT position, client FROM entry ORDER BY position").fetchall()
    for entry, (position, client) in zip(entries, clients, strict=True):
        own = _client_of(entry)
        if client != own:
            wrong.append((f"ledger, entry {position}, column client", repr(own), repr(client)))
    todo = "The file was changed by another program. Keep it, and ask whoever keeps copies and receipts."
    return tuple(Finding("stop", where, expected, got, todo) for where, expected, got in wrong)


def _client_of(entry: Entry) -> str | None:
    """The client whom the chained content allocates."""
    try:
        return str(entry.body["client"]) if entry.kind == "allocation" else None
    except (KeyError, TypeError, ValueError):
        return None


def _structure(connection: sqlite3.Connection) -> dict[str, str]:
    """What every table, index and trigger was made by; blanks do not count."""
    rows = connection.execute("SELECT type, name, sql FROM sqlite_master")
    return {f"{kind} {name}": " ".join((sql or "its own").split()) for kind, name, sql in rows}


@cache
def _structure_of_a_new_one() -> dict[str, str]:
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.executescript(_SCHEMA)
        return _structure(connection)


def code_at(connection: sqlite3.Connection, position: int) -> str | None:
    """The code of the entry at ``position``, if there is one."""
    row = connection.execute("SELECT code FROM entry WHERE position = ?", (position,)).fetchone()
    return None if row is None else str(row[0])


def check_format(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a database that is not a ledger, or one of a newer format."""
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if application != APPLICATION_ID:
        empty = path.stat().st_size == 0
        raise LedgerError(
            where=str(path),
            expected="a ledger",
            got="an empty file" if empty else "a database of another program",
            todo="Restore the ledger from a copy you trust.",
        )
    if version > FORMAT:
        raise LedgerError(
            where=str(path),
            expected=f"a ledger of format {FORMAT}",
            got=f"format {version}",
            todo="It was written by a newer studykit: install that one. Nothing was changed.",
        )


@contextmanager
def _explained(path: Path, timeout: float) -> Iterator[None]:
    """Say in one message what SQLite says in a code."""
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        raise _explanation(path, code, timeout, error) from error
    except OSError as error:
        raise LedgerError(
            where=str(path), expected="a file that can be read and written", got=str(error)
        ) from error


def _explanation(path: Path, code: int, timeout: float, error: sqlite3.Error) -> LedgerError:
    nothing = "Nothing was written."
    known = {
        sqlite3.SQLITE_BUSY: (
            "the ledger to be free",
            f"another process has held it for more than {timeout:g} s",
            f"Close the other program and try again. {nothing}",
        ),
        sqlite3.SQLITE_READONLY: (
            "a folder that can be written to",
            "a read-only file or folder",
            f"Give yourself the right to write, or move the study. {nothing}",
        ),
        sqlite3.SQLITE_FULL: ("room on the disk", "a full disk", f"Free some space and try again. {nothing}"),
        sqlite3.SQLITE_IOERR: (
            "a disk that can be written",
            f"a disk error ({error})",
            f"Check that the disk is connected and has room. {nothing}",
        ),
        sqlite3.SQLITE_CANTOPEN: (
            "a file that can be opened in a folder that can be written to",
            "one that cannot",
            "Check that the folder exists and that you may write in it.",
        ),
        sqlite3.SQLITE_NOTADB: (
            "a ledger",
            "a file of another kind",
            "Restore the ledger from a copy you trust.",
        ),
        sqlite3.SQLITE_CORRUPT: (
            "an undamaged ledger",
            "a damaged file",
            "Keep it, and go back to a copy you trust.",
        ),
        sqlite3.SQLITE_CONSTRAINT: ("an entry that may be added at the end", str(error), nothing),
    }
    known[sqlite3.SQLITE_LOCKED] = known[sqlite3.SQLITE_BUSY]
    expected, got, todo = known.get(code, ("a ledger that can be used", str(error), nothing))
    return LedgerError(where=str(path), expected=expected, got=got, todo=todo)
