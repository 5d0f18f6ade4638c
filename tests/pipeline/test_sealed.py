"""A list made by an outsider, from the protocol to the audit, as an owner and an outsider do it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from studykit.errors import AllocationRefused
from studykit.study import Study
from studykit.study.analysing import is_randomised
from tests.pipeline.test_methods import BLOCKS, CLIENTS, METHODS, add_rows, edit, ready_study, today

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def sealed(tmp_path: Path, run: Run) -> tuple[Study, Path]:
    """A study whose protocol names an outsider's list, and the outsider's folder."""
    study = ready_study(tmp_path / "mine", BLOCKS)
    folder = tmp_path / "outsider"
    code, out, err = run("seal", study.folder, "--to", folder, "--slips", 6)
    assert code == 0, err
    line = next(line.strip() for line in out.splitlines() if "sealed_list =" in line)
    edit(study, (BLOCKS, f"{BLOCKS}{line}\n"))
    (study.folder / "sealed_list.json").write_bytes((folder / "sealed_list.json").read_bytes())
    return study, folder


def slips_of(folder: Path) -> dict[int, tuple[str, str]]:
    """Number, arm and word of every slip, read from the printed page."""
    page = (folder / "slips.html").read_text(encoding="utf-8")
    arm, word = r"<p>(\w+)\. Type this word.*?</p>", r"<p class=\"word\">(.*?)</p>"
    found = re.findall(rf"<p>Slip (\d+)</p>\n<p class=\"arm\">.*?</p>\n{arm}\n{word}", page)
    return {int(number): (arm, word) for number, arm, word in found}


def test_from_the_outsider_to_the_audit(sealed: tuple[Study, Path], run: Run) -> None:
    """E01, E02, E04, E05: made elsewhere, published at the lock, opened in logged order, verified."""
    study, folder = sealed
    slips = slips_of(folder)
    assert len(slips) == 4 * 6
    assert not any((study.folder / name).exists() for name in ("slips.html", "kept.json"))
    assert run("lock", study.folder, "--by", "OW", "--yes")[0] == 0
    given = []
    for client, trainer, sex in CLIENTS:
        code, out, err = run("enrol", study.folder, client, "--by", "OW", "--yes")
        assert code == 0, err
        number = int(re.findall(r"Open envelope (\d+) now", out)[0])
        assert f"sex {sex}, trainer {trainer}" in out
        assert "partner_reps" not in out, "nothing tells the arm before the envelope is open"
        arm, word = slips[number]
        code, out, err = run("enrol", study.folder, client, "--by", "OW", "--slip", word)
        assert code == 0, err
        assert f"arm:    {arm}" in out
        given.append((number, arm))
    assert len({number for number, _ in given}) == len(CLIENTS)
    text = b"".join(path.read_bytes() for path in study.folder.rglob("*") if path.is_file()).decode("latin-1")
    unopened = [word.replace("-", "") for number, (_, word) in slips.items() if number not in dict(given)]
    assert not [word for word in unopened if word in text], "no secret of a closed envelope is in the folder"

    code, out, _ = run("audit", study.folder, "--list", folder / "kept.json")
    assert code == 0, out
    assert "12 opened slips compared with the seals published before. The list was made again" in out
    ledger = study.ledger
    assert ledger is not None
    assert [entry.arm for entry in ledger.allocations()] == [arm for _, arm in given]
    assert is_randomised(study.read())


def test_nothing_is_asked_while_an_envelope_of_the_stratum_waits(
    sealed: tuple[Study, Path], run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    study, _ = sealed
    study.lock(by="OW")
    study.call_slip("C000", by="OW")
    monkeypatch.setattr("studykit.cli.is_interactive", lambda: True)
    monkeypatch.setattr("builtins.input", lambda prompt: pytest.fail(f"asked: {prompt}"))
    code, _, err = run("enrol", study.folder, "C004", "--by", "OW")
    assert code == 2
    assert "expected to be opened and recorded first; found called for client C000" in err


def test_a_mistyped_word_loses_nothing(sealed: tuple[Study, Path], run: Run) -> None:
    study, folder = sealed
    slips = slips_of(folder)
    study.lock(by="OW")
    called = study.call_slip("C000", by="OW")
    code, _, err = run("enrol", study.folder, "C000", "--by", "OW", "--slip", "0000-1111")
    assert code == 2
    assert "8 groups of four, as printed; found 8 characters. Type it again; nothing was written" in err
    other = next(word for number, (_, word) in slips.items() if number != called.number)
    code, _, err = run("enrol", study.folder, "C000", "--by", "OW", "--slip", other)
    assert code == 2
    assert "expected the word that fits its published seal" in err
    assert study.open_slip("C000", word=slips[called.number][1], by="OW").arm == slips[called.number][0]
    code, out, err = run("enrol", study.folder, "C000", "--by", "OW", "--slip", slips[called.number][1])
    assert code == 0
    assert "C000 has an arm already" in err
    assert f"arm:    {slips[called.number][0]}\n" in out


def test_an_open_envelope_is_recorded_whatever_came_up(sealed: tuple[Study, Path], run: Run) -> None:
    """E03: the pause rule struck between call and word; the arm is known by then, so it is written down."""
    study, folder = sealed
    study.lock(by="OW")
    called = study.call_slip("C000", by="OW")
    word = slips_of(folder)[called.number][1]
    assert run("enrol", study.folder, "C000", "--by", "OW", "--slip", word)[0] == 0
    second = study.call_slip("C004", by="OW")
    add_rows(study.folder, "harms", {
        "client": "C000", "date": today(0), "kind": "tear", "severity": "severe", "serious": "yes",
        "expected": "no", "related": "probable", "action": "hospital", "outcome": "open",
        "judged_by": "SR"})  # fmt: skip
    assert study.read().pause_reasons
    word = slips_of(folder)[second.number][1]
    code, out, err = run("enrol", study.folder, "C004", "--by", "OW", "--slip", word)
    assert code == 0, err
    assert "client: C004" in out
    code, _, err = run("enrol", study.folder, "C008", "--by", "OW", "--yes")
    assert code == 2
    assert "pause rule on harms" in err


def test_the_lock_wants_the_list_that_the_protocol_names(sealed: tuple[Study, Path], run: Run) -> None:
    study, folder = sealed
    path = study.folder / "sealed_list.json"
    right = path.read_bytes()
    path.unlink()
    code, _, err = run("lock", study.folder, "--by", "OW", "--yes")
    assert code == 2
    assert "the file that the outsider gave you; found no such file" in err
    path.write_bytes((folder / "kept.json").read_bytes())
    code, _, err = run("lock", study.folder, "--by", "OW", "--yes")
    assert code == 2
    assert "what the outsider published; found something else" in err
    changed = json.loads(right)
    changed["slips"] = changed["slips"][:-1]
    path.write_text(json.dumps(changed), encoding="utf-8")
    code, _, err = run("lock", study.folder, "--by", "OW", "--yes")
    assert code == 2
    assert "that the protocol names; found the list" in err
    path.write_bytes(right)
    edit(study, ("block_sizes = [2, 4]", "block_sizes = [4, 6]"))
    code, _, err = run("lock", study.folder, "--by", "OW", "--yes")
    assert code == 2
    assert "a list drawn by the method, arms and strata of the protocol; found one drawn by others" in err
    assert study.ledger is None


def test_a_lock_cut_off_before_the_list_is_finished_by_the_next(
    sealed: tuple[Study, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """E05: no slip can be called before the list stands in the ledger."""
    study, _ = sealed
    monkeypatch.setattr("studykit.study.locking._publish", lambda *_, **__: False)
    study.lock(by="OW")
    monkeypatch.undo()
    with pytest.raises(AllocationRefused, match=r"a published list; found none\. Run the lock, or"):
        study.call_slip("C000", by="OW")
    study.lock(by="OW")
    assert study.call_slip("C000", by="OW").number == 1


def test_the_slips_stay_outside_the_study(tmp_path: Path, run: Run) -> None:
    """E04: whoever enrols cannot come upon the slips."""
    study = ready_study(tmp_path / "mine", BLOCKS)
    code, _, err = run("seal", study.folder, "--to", study.folder / "slips")
    assert code == 2
    assert "expected a folder outside the study's folder; found one inside it" in err
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").write_text("", encoding="utf-8")
    code, _, err = run("seal", study.folder, "--to", tmp_path / "full")
    assert code == 2
    assert "one that holds something already" in err


def test_minimisation_has_no_list(tmp_path: Path, run: Run) -> None:
    study = ready_study(tmp_path / "mine", METHODS["minimisation"])
    code, _, err = run("seal", study.folder, "--to", tmp_path / "outsider")
    assert code == 2
    assert "a method that can be drawn beforehand" in err
    edit(study, ("chance = 0.85", f'chance = 0.85\nsealed_list = "{"a" * 64}"'))
    code, _, err = run("lock", study.folder, "--by", "OW", "--yes")
    assert code == 2
    assert "Each arm depends on the clients before, so nothing can be drawn beforehand" in err


def test_the_words_fit_a_list(sealed: tuple[Study, Path], run: Run) -> None:
    """A32: a study with a list never says that none exists."""
    study, _ = sealed
    assert run("plan", study.folder)[0] == 0
    page = (study.folder / "results" / "plan.html").read_text(encoding="utf-8")
    assert "An outsider drew the list beforehand" in page
    assert "No list exists" not in page
