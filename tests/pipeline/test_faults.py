"""Faults of disk, clock, machine and folder: one clear message each by command, and nothing lost."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from studykit.allocation import storage, surroundings
from studykit.study import Study
from tests.pipeline.test_methods import BLOCKS, CLIENTS, ready_study

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def locked(tmp_path: Path) -> Study:
    """A study with one client enrolled and another ready."""
    study = ready_study(tmp_path / "mine", BLOCKS)
    study.lock(by="OW")
    study.enrol(CLIENTS[0][0], by="OW")
    return study


def enrol_next(study: Study, run: Run) -> tuple[int, str]:
    code, _, err = run("enrol", study.folder, CLIENTS[1][0], "--by", "OW", "--yes")
    return code, err


def nothing_lost(study: Study, run: Run) -> None:
    """The ledger opens, the chain verifies, the client is not in it, and is enrolled at the next try."""
    assert [entry.client for entry in study.ledger.allocations()] == [CLIENTS[0][0]]
    assert study.audit().passed
    assert enrol_next(study, run) == (0, "")


@pytest.mark.parametrize(
    ("pragma", "said"),
    [
        ("PRAGMA max_page_count = 1", "expected room on the disk; found a full disk"),
        ("PRAGMA query_only = ON", "a folder that can be written to; found a read-only file or folder"),
    ],
)
def test_a_full_disk_and_a_read_only_folder(
    locked: Study, run: Run, monkeypatch: pytest.MonkeyPatch, pragma: str, said: str
) -> None:
    connect = storage._connect

    def hampered(path: Path, timeout: float, *, create: bool = False) -> object:
        connection = connect(path, timeout, create=create)
        connection.execute(pragma)
        return connection

    monkeypatch.setattr(storage, "_connect", hampered)
    code, err = enrol_next(locked, run)
    assert code == 2
    assert said in err
    assert err.count("\n") == 1, "one message"
    monkeypatch.undo()
    nothing_lost(locked, run)


def test_a_clock_that_goes_backwards(locked: Study, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    yesterday = dt.datetime.now(dt.UTC) - dt.timedelta(days=1)
    monkeypatch.setattr("studykit.allocation.ledger.Surroundings", lambda: backwards(yesterday))
    code, err = enrol_next(locked, run)
    assert code == 2
    assert "expected a time after the last entry" in err
    assert "Set the clock right" in err
    words = ("note", locked.folder, "--what", "clock", "--reason", "the clock was a day ahead", "--by", "OW")
    assert run(*words)[0] == 0
    assert run("enrol", locked.folder, CLIENTS[2][0], "--by", "OW", "--yes")[0] == 0
    found = [str(finding) for finding in locked.audit().findings]
    assert any("an entry of the kind clock: the clock was a day ahead" in text for text in found)


def backwards(moment: dt.datetime) -> surroundings.Surroundings:
    return surroundings.Surroundings(clock=lambda: moment)


def test_a_ledger_copied_to_another_machine(locked: Study, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two copies would give two histories: the copy can be read, not drawn from."""
    copy = locked.folder.parent / "copy"
    shutil.copytree(locked.folder, copy)
    elsewhere = surroundings.Surroundings(machine="ba9876543210")
    monkeypatch.setattr("studykit.allocation.ledger.Surroundings", lambda: elsewhere)
    code, _, err = run("enrol", copy, CLIENTS[1][0], "--by", "OW", "--yes")
    assert code == 2
    assert "the study's home machine" in err
    assert "two copies of one ledger would give two histories" in err
    assert run("audit", copy)[0] == 0
    words = ("note", copy, "--what", "moved", "--reason", "a new computer", "--by", "OW")
    assert run(*words)[0] == 0
    assert run("enrol", copy, CLIENTS[1][0], "--by", "OW", "--yes")[0] == 0
    monkeypatch.undo()
    code, err = enrol_next(locked, run)
    assert (code, "found a newer one: it goes on after entry 3 to entry 5" in err) == (2, True)
    shutil.rmtree(copy)
    nothing_lost(locked, run)


def test_a_synchronised_folder_is_refused_at_the_lock(tmp_path: Path, run: Run) -> None:
    """The guess can be wrong, so a person can say so; enrolling then says what to look at."""
    (tmp_path / "Cloud Files").mkdir()
    study = ready_study(tmp_path / "Cloud Files" / "mine", BLOCKS)
    code, _, err = run("lock", study.folder, "--by", "OW", "--yes")
    assert code == 2
    assert "expected a folder on this machine only, before the ledger is begun" in err
    assert "add --folder-is-local" in err
    assert study.ledger is None
    assert run("lock", study.folder, "--by", "OW", "--yes", "--folder-is-local")[0] == 0
    code, out, _ = run("enrol", study.folder, CLIENTS[0][0], "--by", "OW", "--yes")
    assert code == 0
    assert "LOOK AT: Two copies of the ledger may come about" in out


def test_what_a_person_writes_into_the_ledger(locked: Study, run: Run) -> None:
    """E15, E16: unblindings and data locks are entries with a reason; a data lock closes enrolment."""
    client = CLIENTS[0][0]
    arm = locked.ledger.allocations()[0].arm
    words = ("--reason", "taken ill", "--by", "TE")
    code, out, _ = run("note", locked.folder, "--what", "unblinding", "--client", client, *words)
    assert code == 0
    assert f"Client {client}: {arm}" in out
    code, _, err = run("note", locked.folder, "--what", "unblinding", *words)
    assert code == 2
    assert "expected an allocated client" in err
    code, _, err = run("note", locked.folder, "--what", "data_lock", *words)
    assert code == 2
    assert "the code of somebody who decides on the protocol: OW" in err
    assert run("note", locked.folder, "--what", "data_lock", "--reason", "last visit", "--by", "OW")[0] == 0
    code, err = enrol_next(locked, run)
    assert code == 2
    assert "expected open records; found a data lock" in err
    assert run("note", locked.folder, "--what", "reopening", "--reason", "a test", "--by", "OW")[0] == 0
    assert run("note", locked.folder, "--what", "remark", "--reason", "a stack broke", "--by", "RE")[0] == 0
    kinds = [entry.kind for entry in locked.ledger.entries()]
    assert kinds[-4:] == ["unblinding", "data lock", "reopening", "note"]
    assert enrol_next(locked, run)[0] == 0
