"""The text for a register and the analysis plan, from the protocol alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from studykit.cli import main
from studykit.protocol.protocol_file import ReadProtocol
from studykit.writeup.before_data import write_before_data
from tests.pipeline.simulated_study import ready_protocol

docx = pytest.importorskip("docx")
# Gamble et al. 2017, from memory: 32 items.
PARTS = {"1": "ab", "13": "abc", "19": "abc", "26": "abc", "27": "abcdef"}


def written(read: ReadProtocol, folder: Path, *, locked: bool = True, allocated: int = 0) -> Any:
    path = write_before_data(read, folder, versions={"numpy": "2.0"}, locked=locked, allocated=allocated)
    return docx.Document(str(path))


def table(document: Any, head: str) -> dict[str, list[str]]:
    found = next(one for one in document.tables if one.rows[0].cells[0].text == head)
    return {row.cells[0].text: [cell.text for cell in row.cells[1:]] for row in found.rows[1:]}


@pytest.mark.parametrize("design", ["parallel", "trainers", "crossover", "limbs", "stepped"])
def test_every_item_is_answered_or_says_what_is_missing(design: str, tmp_path: Path) -> None:
    document = written(ready_protocol(design), tmp_path)
    items = table(document, "Item")
    assert list(items) == [
        f"{number}{part}" for number in range(1, 33) for part in PARTS.get(str(number), "") or ("",)
    ]
    assert all(all(cells) for cells in items.values())
    missing = {item for item, (_, state, _) in items.items() if state == "to be supplied"}
    texts = [paragraph.text for paragraph in document.paragraphs]
    assert (
        {text.split(" ")[1] for text in texts if text.startswith("Item ") and "(" in text} == missing >= {"6"}
    )
    assert ("27a" in missing) == (design == "trainers")
    assert any(text.startswith("Models. ") and "Kenward-Roger" in text for text in texts)
    assert any("Kenward, M. G., & Roger, J. H." in text for text in texts)


def test_it_tells_what_is_not_decided_before_the_data(tmp_path: Path) -> None:
    read = ready_protocol("parallel")
    before = [one.text for one in written(read, tmp_path).paragraphs]
    assert any("is locked in the ledger. Nobody had been allocated" in text for text in before)
    late = [one.text for one in written(read, tmp_path, locked=False, allocated=3).paragraphs]
    assert any("not locked, and can still change. When this was written 3 clients" in text for text in late)


def test_what_the_protocol_does_not_say_is_asked_for_by_its_key(tmp_path: Path) -> None:
    changed = ready_protocol("parallel", ('funding = "the studio pays', 'funding = "" # "the studio pays'))
    field = table(written(changed, tmp_path), "Field")
    assert field["Money"] == ["to be supplied: write it in the protocol, key study.funding"]
    assert field["Clients"] == [str(changed.protocol.planning.clients)]


def test_the_command_writes_the_same_bytes_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(tmp_path / "mine")]) == 0
    document = tmp_path / "mine" / "results" / "before_the_data" / "before_the_data.docx"
    found = []
    for _ in range(2):
        assert main(["preregister", str(tmp_path / "mine")]) == 0
        found.append(document.read_bytes())
    assert found[0] == found[1]
    assert str(document) in capsys.readouterr().out
    assert main(["preregister", str(tmp_path / "nothing")]) == 2
