"""What the ledger's own file cannot prove, found by what stands elsewhere: receipts, sheets, ledgers."""

from __future__ import annotations

import hashlib
import re
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from studykit.study import Study
from studykit.study.traces import day_head, kept_findings, kept_in
from tests.pipeline.test_methods import BLOCKS, edit, ready_study

Run = Callable[..., tuple[int, str, str]]
PLACE = "results/receipts"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study with three clients and a remark, with every state of its ledger beside it."""
    folder = tmp_path_factory.mktemp("traces")
    study = ready_study(folder / "mine", BLOCKS)
    shutil.copytree(study.folder, folder / "before")
    study.lock(by="OW")
    for client in ("C000", "C001", "C002"):
        study.enrol(client, by="OW")
        shutil.copy(study.folder / "ledger.db", folder / f"{client}.db")
    ledger = study.ledger
    assert ledger is not None
    ledger.append("look", {"reason": "curious", "planned_look": 0, "records": ""}, by="OW")
    return folder


@pytest.fixture
def study(made: Path, tmp_path: Path) -> Study:
    shutil.copytree(made / "mine", tmp_path / "mine")
    return Study.open(tmp_path / "mine")


def changed(path: Path, *statements: str) -> None:
    """As another program does it."""
    with closing(sqlite3.connect(path)) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)
        for _, sql in triggers:
            connection.execute(sql)
        connection.commit()


def begun_anew(made: Path, tmp_path: Path, clients: tuple[str, ...]) -> Path:
    """The ledger of the same study, begun and drawn another time."""
    again = Study.open(shutil.copytree(made / "before", tmp_path / "elsewhere" / "again"))
    again.lock(by="OW")
    for client in clients:
        again.enrol(client, by="OW")
    return again.folder / "ledger.db"


def gone_on(made: Path, tmp_path: Path, client: str) -> Path:
    """A copy of the ledger after the first client, from which another was drawn."""
    other = Study.open(shutil.copytree(made / "mine", tmp_path / "elsewhere" / "other"))
    shutil.copy(made / "C000.db", other.folder / "ledger.db")
    shutil.rmtree(other.folder / "results")
    other.enrol(client, by="OW")
    return other.folder / "ledger.db"


def put_back(study: Study, made: Path, tmp_path: Path) -> None:
    shutil.copy(made / "C001.db", study.folder / "ledger.db")


def deleted(study: Study, made: Path, tmp_path: Path) -> None:
    (study.folder / "ledger.db").unlink()


def last_removed(study: Study, made: Path, tmp_path: Path) -> None:
    changed(study.folder / "ledger.db", "DELETE FROM entry WHERE position = 6")


def drawn_anew(study: Study, made: Path, tmp_path: Path) -> None:
    shutil.copy(begun_anew(made, tmp_path, ("C000", "C001", "C002", "C003")), study.folder / "ledger.db")


def conflicted(study: Study, made: Path, tmp_path: Path) -> None:
    shutil.copy(gone_on(made, tmp_path, "C005"), study.folder / "ledger (conflicted copy).db")


def drawn_beside(study: Study, made: Path, tmp_path: Path) -> None:
    shutil.copytree(gone_on(made, tmp_path, "C005").parent, tmp_path / "mine - copy")


def newer_beside(study: Study, made: Path, tmp_path: Path) -> None:
    """The older copy is in use, its receipts deleted, and the newer one lies in a folder beside."""
    shutil.copytree(study.folder, tmp_path / "newer")
    shutil.copy(made / "C000.db", study.folder / "ledger.db")
    shutil.rmtree(study.folder / "results")


def client_changed(study: Study, made: Path, tmp_path: Path) -> None:
    changed(study.folder / "ledger.db", "UPDATE entry SET client = 'C099' WHERE position = 4")


def without_a_trigger(study: Study, made: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(study.folder / "ledger.db")) as connection:
        connection.execute("DROP TRIGGER never_removed")


ONLY = "expected ledger.db as the only ledger of the study; found "
RECEIPTS = ", as the receipts in results/receipts tell; found "
ATTACKS = [
    (put_back, f"expected 6 entries at least{RECEIPTS}4 entries"),
    (deleted, f"expected 6 entries at least{RECEIPTS}no entry"),
    (last_removed, f"expected 6 entries at least{RECEIPTS}5 entries"),
    (drawn_anew, "are kept in results/receipts; found 5 that differ, first entry 2"),
    (conflicted, f"ledger (conflicted copy).db: {ONLY}another history: it differs after entry 3."),
    (drawn_beside, f"mine - copy/ledger.db: {ONLY}another history: it differs after entry 3."),
    (newer_beside, f"{ONLY}a newer one: it goes on after entry 3 to entry 6."),
    (client_changed, "ledger, entry 4, column client: expected 'C001'; found 'C099'"),
    (without_a_trigger, "ledger, trigger never_removed: expected as a new ledger has it; found removed"),
]


@pytest.mark.parametrize(("attack", "told"), ATTACKS)
def test_it_is_found_and_nothing_is_drawn(
    study: Study, made: Path, tmp_path: Path, run: Run,
    attack: Callable[[Study, Path, Path], None], told: str,
) -> None:  # fmt: skip
    attack(study, made, tmp_path)
    ledger = study.folder / "ledger.db"
    before = ledger.read_bytes() if ledger.exists() else b""
    code, out, _ = run("check", study.folder)
    assert (code, told in out) == (1, True), out
    assert told in run("today", study.folder)[1]
    words = ("enrol", study.folder, "C007") if before else ("lock", study.folder)
    code, _, err = run(*words, "--by", "OW", "--yes")
    assert (code, told in err) == (2, True), err
    assert (ledger.read_bytes() if ledger.exists() else b"") == before
    code, out, err = run("audit", study.folder)
    assert code == (1 if before else 2)
    assert before or told in err


def test_a_copy_is_named_and_stops_nobody(study: Study, made: Path, tmp_path: Path, run: Run) -> None:
    """A copy in the study's folder is pointed out; one in a folder beside is what one should have."""
    shutil.copy(made / "C001.db", study.folder / "ledger 2.db")
    shutil.copytree(study.folder, tmp_path / "saved on Monday")
    code, out, _ = run("check", study.folder)
    assert (code, "ledger 2.db: expected" in out, "found a copy of it up to entry 4" in out) == (
        0,
        True,
        True,
    )
    assert "saved on Monday" not in out
    assert run("enrol", study.folder, "C003", "--by", "OW", "--yes")[0] == 0


def test_every_act_leaves_a_receipt_and_it_is_written_again(study: Study, run: Run) -> None:
    def names() -> list[str]:
        return sorted(path.name for path in (study.folder / PLACE).iterdir())

    assert names() == [f"entry_000{number}.txt" for number in range(2, 7)]
    look = (study.folder / PLACE / "entry_0006.txt").read_text(encoding="utf-8")
    assert look.startswith("An entry of the kind look, by OW. Ledger entry 6, code ")
    shutil.rmtree(study.folder / "results")
    assert run("note", study.folder, "--what", "remark", "--reason", "heat", "--by", "RE")[0] == 0
    assert names() == [f"entry_000{number}.txt" for number in range(2, 8)]
    assert (study.folder / PLACE / "entry_0006.txt").read_text(encoding="utf-8") == look


def test_a_client_drawn_meanwhile_is_no_trouble(study: Study) -> None:
    """Somebody enrols between the reading of the ledger and of the receipts."""
    assert kept_findings(study.folder, study.entries()[:4]) == ()


def test_an_empty_receipt_is_named(study: Study, run: Run) -> None:
    (study.folder / PLACE / "entry_0003.txt").write_text("", encoding="utf-8")
    code, out, _ = run("check", study.folder)
    assert code == 0
    assert "entry_0003.txt: expected a receipt with the number and code of its entry; found none in it" in out


# --- what is kept elsewhere -----------------------------------------------------------------------


def forged(study: Study, made: Path, tmp_path: Path) -> None:
    """Begun and drawn anew with all traces in the folder removed: the file itself is beyond reproach."""
    shutil.copy(begun_anew(made, tmp_path, ("C000", "C001", "C002", "C003")), study.folder / "ledger.db")
    shutil.rmtree(study.folder / "results")


def test_what_was_printed_or_mailed_shows_a_ledger_written_anew(
    study: Study, made: Path, tmp_path: Path, run: Run
) -> None:
    head = day_head(study.read())
    assert re.fullmatch(r"Ledger on [\d-]{10}, last entry and code: 6 [0-9a-f-]{14}", head)
    sheet = shutil.copy(study.sheet("C001"), tmp_path / "sheet.html")
    home = shutil.copy(study.folder / "results" / "take_home.html", tmp_path / "home.html")
    assert head in Path(sheet).read_text(encoding="utf-8")
    assert head in Path(home).read_text(encoding="utf-8")
    papers = shutil.copytree(study.folder / PLACE, tmp_path / "papers")
    mail = tmp_path / "mail.txt"
    texts = [(papers / f"entry_000{number}.txt").read_text(encoding="utf-8") for number in (3, 4)]
    mail.write_text("Dear all,\n" + "".join(f"> {line}\n" for line in "".join(texts).splitlines()), "utf-8")
    assert [receipt.client for receipt in kept_in(mail.read_text(encoding="utf-8")).receipts] == [
        "C000",
        "C001",
    ]
    code, said, _ = run("today", study.folder, "--by", "OW")
    assert code == 0
    assert head in said
    day = shutil.copy(study.folder / "results" / "sheets" / "today.html", tmp_path / "day.html")
    for paper in (sheet, home, papers, mail, day):
        assert run("audit", study.folder, "--receipt", paper)[0] == 0
    forged(study, made, tmp_path)
    assert run("audit", study.folder)[0] == 0, "no file proves it"
    for paper, number in ((sheet, 1), (home, 1), (papers, 5), (mail, 2), (day, 1)):
        code, out, _ = run("audit", study.folder, "--receipt", paper)
        assert code == 1
        assert f"{number} thing(s) are WRONG with the ledger:" in out


@pytest.mark.parametrize(
    ("content", "name"),
    [
        (b"\xff\xfe\x00\x80", "photo.jpg"),
        (b"", "empty.txt"),
        (b"hello", "letter.txt"),
        (b"  client: C000\n  arm: partner_reps\n", "half.txt"),
        (None, "missing.txt"),
    ],
)
def test_what_is_no_receipt_is_one_message(
    study: Study, tmp_path: Path, run: Run, content: bytes | None, name: str
) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    code, _, err = run("audit", study.folder, "--receipt", tmp_path / name)
    assert (code, err.count("\n")) == (2, 1)
    assert f"{name}: expected a text with a receipt, or with an entry and its code" in err


def token(receipt: bytes, time: bytes) -> bytes:
    """The core of a time-stamp token (RFC 3161, 2.4.2): digest, serial number, time."""
    digest = b"\x30\x0d\x06\x09\x60\x86\x48\x01\x65\x03\x04\x02\x01\x05\x00\x04\x20"
    return (
        digest + hashlib.sha256(receipt).digest() + b"\x02\x01\x11\x18" + bytes([len(time)]) + time + b"\x01"
    )


def test_a_time_stamp_beside_a_receipt_is_held_against_it(study: Study, run: Run) -> None:
    place = study.folder / PLACE
    receipt = (place / "entry_0004.txt").read_bytes()
    (place / "entry_0004.tsq").write_bytes(b"a question is no answer")
    (place / "entry_0004.tsr").write_bytes(token(receipt, b"20991231235930Z"))
    (place / "entry_0005.txt.proof").write_bytes(
        b"\0" + hashlib.sha256((place / "entry_0005.txt").read_bytes()).digest()
    )
    code, out, _ = run("audit", study.folder)
    assert code == 0
    assert "Entry 4 was stamped at 2099-12-31 23:59:30+00:00 (entry_0004.tsr)." in out
    assert "Entry 5 is stamped (entry_0005.txt.proof)." in out
    assert "tsq" not in out
    (place / "entry_0004.tsr").write_bytes(token(receipt, b"20200101000000Z"))
    (place / "entry_0005.txt.proof").write_bytes(hashlib.sha256(b"another").digest())
    code, out, _ = run("audit", study.folder)
    assert code == 1
    assert "entry_0004.tsr: expected a time after the entry's, " in out
    assert (
        "entry_0005.txt.proof: expected a time-stamp of the SHA-256 of entry_0005.txt; found another one"
        in out
    )


# --- the lock -------------------------------------------------------------------------------------


def test_the_lock_prints_every_warning_before_its_question(
    made: Path, tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    study = Study.open(shutil.copytree(made / "before", tmp_path / "mine"))
    zone = study.protocol.study.time_zone
    assert zone
    edit(study, (f'time_zone = "{zone}"', 'time_zone = ""'), ("clients = 40", "clients = 8"))
    wanted = [str(found) for found in study.check().findings if found.severity == "warn"]
    assert any("where days are counted; found nothing" in text for text in wanted)
    assert len(wanted) > 1
    seen = []

    def asked(_question: str) -> bool:
        seen.append("".join(capsys.readouterr()))
        return False

    monkeypatch.setattr("studykit.cli.is_interactive", lambda: True)
    monkeypatch.setattr("studykit.cli.confirm", asked)
    code, out, _ = run("lock", study.folder, "--by", "OW")
    assert (code, out) == (0, "Nothing was locked.\n")
    assert [text for text in wanted if text not in seen[0]] == []
