"""Results and the code stamped on them come from one read of the folder, whatever is written meanwhile."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from studykit.allocation.ledger import Ledger
from studykit.allocation.surroundings import Surroundings
from studykit.records import derive
from studykit.study import Study
from studykit.study.snapshot import LEDGER

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def demo(tmp_path: Path) -> Study:
    return Study.demo(tmp_path / "demo")[0]


def test_an_entry_made_while_an_analysis_runs_is_not_stamped_on_it(
    demo: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = demo.entries()
    monkeypatch.setattr("studykit.kinds.continuous.assembly.check_model", lambda *_: None)  # quick
    derived = derive.derive_rows

    def meanwhile(*words: Any, **more: Any) -> Any:
        ledger = Ledger.open(demo.folder / LEDGER, surroundings=Surroundings(machine="another"))
        ledger.append("note", {"reason": "somebody else, meanwhile"}, by="OW")
        return derived(*words, **more)

    monkeypatch.setattr(derive, "derive_rows", meanwhile)
    results = demo.analyse()
    assert len(demo.entries()) > len(before)
    assert results.provenance.ledger_code == before[-1].code
    assert results.randomised
    assert sum(arm.allocated for arm in results.flow.arms) == results.flow.allocated


# --- other ledgers in the folder, and the locked text ---------------------------------------------


@pytest.mark.parametrize("name", ["ledger (conflicted copy).db", "ledger 2.db", "old/backup.bin"])
def test_a_second_ledger_is_found(demo: Study, run: Run, name: str) -> None:
    """A copy is to be looked at; one that goes on by itself stops everything but reading."""
    other = demo.folder / name
    other.parent.mkdir(exist_ok=True)
    shutil.copyfile(demo.folder / LEDGER, other)
    copy = f"{other}: expected ledger.db as the only ledger of the study; found a copy of it up to entry "
    code, out, _ = run("audit", demo.folder)
    assert (code, copy in out) == (0, True)
    assert copy in run("check", demo.folder)[1]
    Ledger.open(other).append("note", {"reason": "another history"}, by="OW")
    second = (
        f"{other}: expected ledger.db as the only ledger of the study; found a newer one: it goes on after"
    )
    for command in ("audit", "check"):
        code, out, _ = run(command, demo.folder)
        assert (code, second in out) == (1, True)
    assert "The ledger in use is the older copy." in out


def test_another_file_of_that_kind_is_pointed_at(demo: Study, run: Run) -> None:
    (demo.folder / "records" / "empty.DB").touch()
    code, out, _ = run("audit", demo.folder)
    assert code == 0
    assert "found a database, or a file that calls itself one" in out


def test_an_edited_locked_text_with_its_hash_kept_and_the_chain_written_anew(demo: Study, run: Run) -> None:
    assert demo.audit().passed
    from tests.unit.allocation.test_audit import rewritten

    def edited(position: int, body: dict[str, Any]) -> dict[str, Any]:
        if "protocol" in body:
            assert "minimum_age = 18" in body["protocol"]
            return {**body, "protocol": body["protocol"].replace("minimum_age = 18", "minimum_age = 16")}
        return body

    rewritten(demo.ledger, edited)
    code, out, _ = run("audit", demo.folder)
    assert code == 1
    assert "expected the protocol whose hash was locked" in out
    assert "The text was edited after the lock." in out


def test_a_hidden_mark_in_a_code_or_reason_is_refused_and_never_printed(demo: Study, run: Run) -> None:
    number = len(demo.entries())
    for words in (
        ("note", demo.folder, "--what", "remark", "--reason", "a\u202eb", "--by", "OW"),
        ("note", demo.folder, "--what", "remark", "--reason", "a b", "--by", "OW\u200b"),
        (
            "correct",
            demo.folder,
            "C001\u202e",
            "--fact",
            "age",
            "--value",
            "40",
            "--reason",
            "x",
            "--by",
            "OW",
        ),
        ("enrol", demo.folder, "C\x1b[2J01", "--by", "OW", "--yes"),
        ("sheet", demo.folder, "C\u206601"),
    ):
        code, out, err = run(*words)
        assert code == 2
        assert not {"\u202e", "\u200b", "\x1b", "\u2066"} & set(out + err)
    assert len(demo.entries()) == number
