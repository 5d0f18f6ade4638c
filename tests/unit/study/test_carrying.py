"""Entries of the desk reach the tables once and in order, whatever is cut off, open or saved meanwhile."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest

from studykit.errors import FolderError
from studykit.protocol.types import Protocol
from studykit.study import Study, carrying
from studykit.study.carrying import Carrier, changed_by_hand
from studykit.study.journal import Journal, KeyReusedError, Row
from tests.support.desk import entry

A = Row("sessions", {"client": "C001", "date": "2026-03-02", "status": "attended", "partner_reps": "6"})
B = Row("sessions", {"client": "C001", "date": "2026-03-04", "status": "no show"})
ATTEMPT = {"client": "C001", "visit": "week_12", "date": "2026-03-02", "exercise": "leg_press", "unit": "kg"}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return Study.demo(tmp_path_factory.mktemp("carried") / "demo")[0]


@pytest.fixture(scope="module")
def protocol(demo: Study) -> Protocol:
    return demo.protocol


@pytest.fixture
def folder(demo: Study, tmp_path: Path) -> Path:
    shutil.copytree(demo.folder, tmp_path / "study")
    keep = {"sessions.csv": 3, "strength.csv": 3}
    for name, lines in keep.items():  # short tables: what is asked here does not depend on their length
        path = tmp_path / "study" / "records" / name
        path.write_text("".join(path.read_text().splitlines(keepends=True)[:lines]))
    return tmp_path / "study"


def rows(folder: Path, name: str = "sessions", delimiter: str = ",") -> list[dict[str, str]]:
    with (folder / "records" / f"{name}.csv").open(newline="") as stream:
        return [
            {key: text for key, text in row.items() if text}
            for row in csv.DictReader(stream, delimiter=delimiter)
        ]


def test_an_entry_stands_once_in_journal_and_table(folder: Path, protocol: Protocol) -> None:
    journal = Journal(folder)
    assert journal.put(entry("a", A)) == (1, True)
    assert journal.put(entry("a", A)) == (1, False)
    with pytest.raises(KeyReusedError):
        journal.put(entry("a", B))
    journal.put(entry("b", B))
    for _ in range(2):
        assert Carrier(folder, journal).carry(protocol) == {}
    assert rows(folder)[2:] == [dict(A.cells), dict(B.cells)]
    assert len(rows(folder)) == 4


@pytest.mark.parametrize(
    "cut", ["before the file", "after the file", "after the file, which is then saved elsewhere"]
)
def test_killed_while_carrying(
    cut: str, folder: Path, protocol: Protocol, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = Journal(folder)
    journal.put(entry("a", A, Row("strength", ATTEMPT | {"load": "80", "repetitions": "9"})))

    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as cutting:
        if cut == "before the file":
            cutting.setattr(carrying, "write_whole", killed)
        else:
            cutting.setattr(Journal, "has_carried", killed)
        with pytest.raises(KeyboardInterrupt):
            Carrier(folder, journal).carry(protocol)
    if cut.endswith("elsewhere"):
        path = folder / "records" / "sessions.csv"
        path.write_text(path.read_text() + "C002,2026-03-03,T1,attended,,,,,,,,,,,,,,\n")
    for _ in range(2):
        assert Carrier(folder, journal).carry(protocol) == {}
    assert rows(folder).count(dict(A.cells)) == 1
    assert len(rows(folder)) == 3 + cut.endswith("elsewhere")
    assert len(rows(folder, "strength")) == 3


def test_a_table_that_was_saved_from_an_older_state_gets_its_rows_back(
    folder: Path, protocol: Protocol
) -> None:
    path, journal = folder / "records" / "sessions.csv", Journal(folder)
    old = path.read_text()
    journal.put(entry("a", A))
    carrier = Carrier(folder, journal)
    carrier.carry(protocol)
    path.write_text(old + "C002,2026-03-03,T1,attended,,,,,,,,,,,,,,\r\n")
    journal.put(entry("b", B))
    assert carrier.carry(protocol) == {}
    assert rows(folder)[2]["client"] == "C002"  # what was typed there stays
    assert rows(folder)[3:] == [dict(A.cells), dict(B.cells)]


def test_attempts_that_are_alike_are_put_back_once_each(folder: Path, protocol: Protocol) -> None:
    path, journal = folder / "records" / "strength.csv", Journal(folder)
    old = path.read_text()
    twice = Row("strength", ATTEMPT | {"load": "80", "repetitions": "9"})
    journal.put(entry("a", twice, twice))
    carrier = Carrier(folder, journal)
    carrier.carry(protocol)
    assert rows(folder, "strength").count(dict(twice.cells)) == 2
    path.write_text(old)
    journal.put(entry("b", Row("strength", ATTEMPT | {"load": "85", "repetitions": "8"})))
    carrier.carry(protocol)
    assert rows(folder, "strength").count(dict(twice.cells)) == 2
    assert len(rows(folder, "strength")) == 5


def test_what_is_changed_by_hand_stays_and_is_told(folder: Path, protocol: Protocol) -> None:
    path, journal = folder / "records" / "sessions.csv", Journal(folder)
    journal.put(entry("a", A))
    Carrier(folder, journal).carry(protocol)
    assert list(changed_by_hand(folder, protocol)) == []
    path.write_text(path.read_text().replace("2026-03-02,,attended,,,6", "2026-03-02,,attended,,,7"))
    journal.put(entry("b", B))
    Carrier(folder, journal).carry(protocol)
    assert [row.get("partner_reps") for row in rows(folder)[2:]] == ["7", None]
    told = [str(finding) for finding in changed_by_hand(folder, protocol)]
    assert len(told) == 1
    assert "partner_reps 6" in told[0]
    assert any("entered at the desk" in str(finding) for finding in Study.open(folder).check().findings)
    assert any("entered at the desk" in str(finding) for finding in Study.open(folder).audit().findings)


def test_corrections_and_removals_hold_against_an_older_copy(folder: Path, protocol: Protocol) -> None:
    path, journal = folder / "records" / "sessions.csv", Journal(folder)
    journal.put(entry("a", A, B))
    carrier = Carrier(folder, journal)
    carrier.carry(protocol)
    older = path.read_text()
    better = Row("sessions", dict(A.cells) | {"partner_reps": "4"})
    journal.put(entry("b", better, kind="correction", old=A, reason="misread"))
    journal.put(entry("c", kind="removal", old=B, reason="another client"))
    assert carrier.carry(protocol) == {}
    assert rows(folder)[2:] == [dict(better.cells)]
    path.write_text(older)
    journal.put(entry("d", Row("sessions", dict(B.cells) | {"date": "2026-03-06"})))
    carrier.carry(protocol)
    assert [row["date"] for row in rows(folder)[2:]] == ["2026-03-02", "2026-03-06"]
    assert rows(folder)[2] == dict(better.cells)
    assert journal.entries()[1].old == A  # the old value stays in the journal


@pytest.mark.parametrize("kind", ["row again", "corrected twice", "open elsewhere", "workbook", "ragged"])
def test_what_cannot_be_carried_waits_and_says_for_what(kind: str, folder: Path, protocol: Protocol) -> None:
    records, journal = folder / "records", Journal(folder)
    path, carrier = records / "sessions.csv", Carrier(folder, journal)
    first = dict(rows(folder)[0])
    journal.put(entry("a", Row("sessions", first | {"effort": "1"}) if kind == "row again" else A))
    if kind == "corrected twice":
        journal.put(entry("b", B, kind="correction", old=Row("sessions", {"client": "C009"}), reason="x"))
    before = path.read_bytes()
    in_the_way = {"open elsewhere": ".~lock.sessions.csv#", "workbook": "records.xlsx"}.get(kind)
    if in_the_way:
        (records / in_the_way).write_bytes(b"")
    if kind == "ragged":
        path.write_bytes(before + b"C002,2026\n")
    waits = carrier.carry(protocol)
    words = {"row again": "has a row for client", "corrected twice": "no longer as it was",
             "open elsewhere": "sessions.csv is open elsewhere", "workbook": "one workbook",
             "ragged": "has to be put right first"}  # fmt: skip
    assert [words[kind] in why for why in waits.values()] == [True]
    if in_the_way:
        assert path.read_bytes() == before
        (records / in_the_way).unlink()
        assert carrier.carry(protocol) == {}
        assert rows(folder)[-1] == dict(A.cells)


def test_semicolons_and_decimal_commas_stay_readable(folder: Path, protocol: Protocol) -> None:
    path, journal = folder / "records" / "strength.csv", Journal(folder)
    path.write_text(path.read_text().replace(",", ";").replace(";60;", ";60,5;"))
    journal.put(entry("a", Row("strength", ATTEMPT | {"load": "37.5", "repetitions": "9"})))
    assert Carrier(folder, journal).carry(protocol) == {}
    assert [row["load"] for row in rows(folder, "strength")] == ["60.5", "65", "37.5"]
    assert not [
        f for f in Study.open(folder).records().findings if f.severity == "stop" and "strength" in f.where
    ]


def test_no_cell_becomes_a_formula_and_missing_columns_are_added(folder: Path, protocol: Protocol) -> None:
    path, journal = folder / "records" / "sessions.csv", Journal(folder)
    lines = [line.rsplit(",", 2)[0] for line in path.read_text().splitlines()]
    path.write_text("\n".join(lines) + "\n")
    cells = {"client": "C001", "first_day": "2026-03-02", "last_day": "2026-03-05", "reason": "=2+3"}
    journal.put(entry("a", Row("pauses", cells), Row("sessions", dict(A.cells) | {"take_home": "yes"})))
    assert Carrier(folder, journal).carry(protocol) == {}
    assert rows(folder, "pauses")[-1]["reason"] == "'=2+3"
    assert rows(folder)[-1]["take_home"] == "yes"


def test_another_database_is_no_journal(tmp_path: Path, folder: Path) -> None:
    shutil.copy(folder / "ledger.db", tmp_path / "journal.db")
    with pytest.raises(FolderError, match="another database"):
        Journal(tmp_path)
    shutil.copy(folder / "ledger.db", folder / "journal.db")  # a second ledger does not hide under its name
    assert any("journal.db" in str(finding) for finding in Study.open(folder).check().findings)


def test_the_journal_is_no_second_ledger_and_only_grows(folder: Path, protocol: Protocol) -> None:
    before = len(Study.open(folder).check().findings)
    journal = Journal(folder)
    journal.put(entry("a", A))
    assert len(Study.open(folder).check().findings) == before
    import sqlite3

    with sqlite3.connect(journal.path) as base:
        for statement in ("DELETE FROM entry", "UPDATE entry SET who = 'X'"):
            with pytest.raises(sqlite3.IntegrityError, match="only grows"):
                base.execute(statement)
    base.close()
