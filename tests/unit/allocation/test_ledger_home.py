"""Folders that look as if another program copied them about."""

from pathlib import Path

import pytest

from studykit.allocation import ledger_home
from studykit.allocation.ledger_home import machine_code, synchronised_folder


@pytest.mark.parametrize(
    "name", ["Cloud Storage", "MyDrive", "My Drive", "sync", "Synced files", "studiocloud"]
)
def test_names_that_suggest_it(name):
    assert "has a name that synchronised folders have" in synchronised_folder(
        Path("/home/owner") / name / "study"
    )


@pytest.mark.parametrize("name", ["studies", "clouds", "driven", "asynchronous work", "Documents"])
def test_names_that_do_not(name):
    assert synchronised_folder(Path("/home/owner") / name / "study") == ""


@pytest.mark.parametrize(
    "marker", [".syncing", ".mysync.db", ".shared", ".shared.cache", "_sync_log"], ids="abcde"
)
def test_hidden_markers(tmp_path, marker):
    folder = tmp_path / "shared" / "study"
    folder.mkdir(parents=True)
    assert synchronised_folder(folder) == ""
    (tmp_path / "shared" / marker).touch()
    assert f'holds "{marker}"' in synchronised_folder(folder)


def test_marks_of_files_fetched_from_elsewhere(tmp_path, monkeypatch):
    monkeypatch.setattr(ledger_home, "_file_attributes", lambda _: 0x400000)
    assert "is marked as fetched from elsewhere" in synchronised_folder(tmp_path)


def test_the_machine_has_one_code(monkeypatch):
    assert machine_code() == machine_code()
    here = machine_code()
    monkeypatch.setattr(ledger_home, "_first_line", lambda _: "another machine")
    assert machine_code() != here
    monkeypatch.setattr(ledger_home, "_first_line", lambda _: "")
    assert len(machine_code()) == 12
