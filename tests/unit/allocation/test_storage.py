"""What the file refuses, and what it says when something is wrong with file, folder or disk."""

import sqlite3
from contextlib import closing

import pytest

from studykit.allocation import storage
from studykit.allocation.ledger import Ledger
from studykit.errors import LedgerError


def raw(ledger):
    return closing(sqlite3.connect(ledger.path, isolation_level=None))


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entry SET by = 'XX' WHERE position = 1",
        "DELETE FROM entry WHERE position = 2",
        "DELETE FROM entry",
        "INSERT INTO entry SELECT 9, kind, by, '', '', body, previous, 'x', NULL FROM entry LIMIT 1",
        "INSERT INTO entry SELECT 3, kind, by, '', '', body, 'y', 'x', NULL FROM entry LIMIT 1",
        "REPLACE INTO entry SELECT 2, kind, by, '', '', body, previous, code, NULL FROM entry LIMIT 1",
    ],
)
def test_the_file_itself_refuses_changes(ledger, statement):
    """E11: append-only holds for any program that opens the file, not only for this one."""
    before = ledger.entries()
    with raw(ledger) as connection, pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute(statement)
    assert ledger.entries() == before


def test_settings_of_the_file(ledger):
    with raw(ledger) as connection:
        assert connection.execute("PRAGMA application_id").fetchone() == (storage.APPLICATION_ID,)
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    with closing(storage._connect(ledger.path, 1.0)) as connection:
        assert connection.execute("PRAGMA synchronous").fetchone() == (3,), "EXTRA"
    assert [path.name for path in ledger.path.parent.iterdir()] == ["ledger.db"], "no side files"


def test_a_missing_ledger(tmp_path):
    with pytest.raises(LedgerError, match=r"ledger\.db: expected a ledger; found no such file"):
        Ledger.open(tmp_path / "ledger.db")
    assert not (tmp_path / "ledger.db").exists(), "asking for a ledger must not make one"


@pytest.mark.parametrize(
    ("content", "message"), [(b"", "an empty file"), (b"client,arm\n" * 100, "a file of another kind")]
)
def test_not_a_ledger(tmp_path, content, message):
    path = tmp_path / "ledger.db"
    path.write_bytes(content)
    with pytest.raises(LedgerError, match=f"expected a ledger; found {message}"):
        Ledger.open(path)
    assert path.read_bytes() == content


def test_a_database_of_another_program(tmp_path):
    path = tmp_path / "ledger.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE entry (position)")
    with pytest.raises(LedgerError, match="found a database of another program"):
        Ledger.open(path)


def test_a_newer_format_is_refused_unchanged(ledger):
    with raw(ledger) as connection:
        connection.execute("PRAGMA user_version = 2")
    before = ledger.path.read_bytes()
    with pytest.raises(LedgerError, match=r"format 1; found format 2.*newer studykit"):
        Ledger.open(ledger.path)
    with pytest.raises(LedgerError, match=r"format 1; found format 2.*newer studykit"):
        ledger.append("note", {}, by="OW")
    assert ledger.path.read_bytes() == before


def test_a_damaged_file(ledger):
    content = bytearray(ledger.path.read_bytes())
    content[4096 + 8 :] = b"\xff" * (len(content) - 4096 - 8)
    ledger.path.write_bytes(bytes(content))
    with pytest.raises(LedgerError, match=r"an undamaged ledger; found a damaged file\. Keep it"):
        Ledger.open(ledger.path)


def test_never_overwritten(ledger):
    before = ledger.path.read_bytes()
    with pytest.raises(
        LedgerError, match=r"no file yet; found one that exists\. A ledger is never overwritten"
    ):
        Ledger.create(ledger.path, by="OW")
    assert ledger.path.read_bytes() == before


def test_an_empty_file_left_by_a_crash_is_taken(tmp_path):
    (tmp_path / "ledger.db").touch()
    assert len(Ledger.create(tmp_path / "ledger.db", by="OW").entries()) == 1


def test_no_folder(tmp_path):
    with pytest.raises(LedgerError, match=r"none: expected a folder; found none\. Make the folder first"):
        Ledger.create(tmp_path / "none" / "ledger.db", by="OW")


def test_held_by_another_process(ledger):
    with raw(ledger) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(
            LedgerError, match=r"another process has held it for more than 0\.3 s.*Nothing was written"
        ):
            ledger.append("note", {}, by="OW")
        other.execute("ROLLBACK")
    assert ledger.append("note", {}, by="OW").position == 3


@pytest.mark.parametrize(
    ("pragma", "message"),
    [
        ("PRAGMA query_only = ON", r"a folder that can be written to; found a read-only file or folder"),
        ("PRAGMA max_page_count = 1", r"room on the disk; found a full disk.*Nothing was written"),
    ],
)
def test_read_only_and_full(ledger, monkeypatch, pragma, message):
    """SQLite gives the same codes as on a read-only folder and a full disk (tests run as any user)."""
    connect = storage._connect

    def hampered(path, timeout, *, create=False):
        connection = connect(path, timeout, create=create)
        connection.execute(pragma)
        return connection

    monkeypatch.setattr(storage, "_connect", hampered)
    with pytest.raises(LedgerError, match=message):
        ledger.append("note", {"long": "x" * 100_000}, by="OW")
    monkeypatch.undo()
    assert len(Ledger.open(ledger.path).entries()) == 2
