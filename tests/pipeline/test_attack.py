"""The short form of `tests/attack.py`: a few of its attacks, and that it would find what it looks for."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from studykit.records import reading
from studykit.records.raw_table import RawTable
from studykit.report import rendering
from studykit.study import Study
from tests import attack
from tests.attack import Tally


def test_a_few_bits_files_and_zones() -> None:
    tally = Tally(seed=3)
    attack.bits(tally, 0.025)
    attack.files(tally, 0.012)
    attack.zones(tally, 0.012)
    assert tally.wrong == []
    assert tally.tried["bits"] == 8
    assert tally.tried["damaged inputs"] > 80
    assert tally.tried["rows in"] == tally.tried["rows used"] + tally.tried["rows named"] > 500
    assert tally.tried["draws in zones"] >= 18


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("cc") is None, reason="the shim is compiled by cc")
def test_a_few_kills() -> None:
    """Of lock, enrol and note, whole and torn."""
    tally = Tally(seed=4)
    attack.kills(tally, 0.03, ("lock", "enrol", "note"))
    assert tally.wrong == []
    assert tally.tried["kills"] >= 7
    assert tally.tried["writes of lock"] > 40
    assert tally.tried["kills that came too late"] == 0


def test_a_row_that_vanishes_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    study, _ = Study.demo(tmp_path / "demo")
    folder = tmp_path / "records"
    folder.mkdir()
    shutil.copy(study.folder / "records" / "clients.csv", folder)
    honest = Tally()
    attack._counted(honest, folder, "clients", study.protocol, study.allocated())
    assert honest.wrong == []
    draft = reading.draft_table

    def without_the_last(raw: RawTable, *more: object) -> object:
        made = draft(raw, *more)  # type: ignore[arg-type]
        made.left_out.add(raw.rows - 1)
        return made

    monkeypatch.setattr(reading, "draft_table", without_the_last)
    tally = Tally()
    attack._counted(tally, folder, "clients", study.protocol, study.allocated())
    assert [wrong.split(":")[0] for wrong in tally.wrong] == ["row dropped silently"]


def test_half_a_page_is_found(tmp_path: Path) -> None:
    rendering.write_whole(tmp_path, {"report.html": b"<html></html>\n", "results.json": b"{}\n"})
    assert list(attack._half_written(tmp_path)) == []
    (tmp_path / "report.html").write_bytes(b"<html>")
    (tmp_path / "results.json").write_bytes(b"{")
    assert sorted(attack._half_written(tmp_path)) == [
        ("half a file", "results.json"),
        ("half a page", "report.html"),
    ]
