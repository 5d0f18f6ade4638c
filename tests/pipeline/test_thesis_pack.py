"""A thesis pack: nobody's code is in it, it reruns to the same numbers, and small cells are told first."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import random
import runpy
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

import studykit as sk
from studykit.errors import DesignError
from studykit.study.anonymising import AnonymousCopy
from studykit.study.thesis_pack import deviations
from tests.unit.report.conftest import make_protocol, make_results

TRIAL = Path(__file__).resolve().parents[2] / "analysis" / "depression_trial"
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> sk.Study:
    """The published trial; one more person of two strata that nobody else has together, never seen again."""
    folder = Path(shutil.copytree(TRIAL, tmp_path_factory.mktemp("trial") / "trial"))
    for name, line in (("clients", "P101,yes,over 6 months"), ("allocation", "P101,usual_care")):
        path = folder / "records" / f"{name}.csv"
        path.write_text(f"{path.read_text(encoding='utf-8').rstrip()}\n{line}\n", encoding="utf-8")
    return sk.Study.open(folder)


@pytest.fixture(scope="module")
def pack(study: sk.Study) -> AnonymousCopy:
    return sk.thesis_pack(study, by="", chance=random.Random(4))


@pytest.fixture(scope="module")
def folder(pack: AnonymousCopy, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("pack") / "pack"
    assert pack.write(target) == ""
    return target


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_it_runs_again_to_the_same_numbers_and_sees_a_changed_file(
    folder: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    runpy.run_path(str(folder / "rerun.py"))
    out = capsys.readouterr().out
    assert "Files changed since the pack was made: none" in out
    assert "the largest difference: 0.0" in out
    shown = pd.read_csv(folder / "expected.csv")
    original = sk.to_frame(sk.Study.open(TRIAL).analyse())
    assert shown.loc[shown["role"] == "primary", "value"].item() == pytest.approx(
        original.loc[original["role"] == "primary", "value"].item(), rel=1e-6
    )
    other = shutil.copytree(folder, tmp_path / "other")
    scores = other / "records" / "measurements.csv"
    first = scores.read_text(encoding="utf-8").splitlines()
    first[1] = f"{first[1].rpartition(',')[0]},"  # the day of a measurement is empty; so is another's cell
    cells = first[1].split(",")
    cells[3] = str(float(cells[3]) + 9)
    scores.write_text("\n".join([first[0], ",".join(cells), *first[2:]]) + "\n", encoding="utf-8")
    runpy.run_path(str(other / "rerun.py"))
    out = capsys.readouterr().out
    assert "Files changed since the pack was made: records/measurements.csv" in out
    assert "the largest difference: 0.0\n" not in out


def test_the_manifest_has_every_file_as_it_is(folder: Path) -> None:
    listed = {
        row["file"]: (int(row["bytes"]), row["sha256"]) for row in rows((folder / "manifest.csv").read_text())
    }
    there = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    assert set(listed) == set(there) - {"manifest.csv"}
    for name, (size, code) in listed.items():
        content = there[name].read_bytes()
        assert (len(content), hashlib.sha256(content).hexdigest()) == (size, code)
    assert {"READ_ME.txt", "rerun.py", "requirements.txt", "dictionary.csv", "codes.csv"} <= set(listed)


def test_the_dictionary_has_every_column_of_every_table(folder: Path) -> None:
    told = {
        (row["table"], row["column"]): row for row in rows((folder / "dictionary.csv").read_text("utf-8"))
    }
    for path in (folder / "records").glob("*.csv"):
        table = pd.read_csv(path)
        for name in table:
            row = told[path.stem, name]
            assert int(row["rows"]) == len(table)
            assert int(row["filled"]) == table[name].notna().sum()
            assert len(row["meaning"]) > 3
    assert told["clients", "drug"]["values"] == "no; yes"
    codes = {
        (row["kind"], row["code"]): row["more"] for row in rows((folder / "codes.csv").read_text("utf-8"))
    }
    assert codes["visit", "month_5"] == "day 152 from allocation"
    assert codes["outcome", "depression"] == "points"
    assert codes["arm", "usual_care"] == "reference"


def test_no_code_of_the_study_is_in_any_file(study: sk.Study, pack: AnonymousCopy) -> None:
    whole = "\n".join(pack.files.values())
    assert not [client.client for client in study.allocated() if client.client in whole]


def test_deviations_are_counted_and_small_cells_told_before_anything_is_written(pack: AnonymousCopy) -> None:
    found = {(row["what"], row["where"]): row for row in rows(pack.files["deviations.csv"])}
    row = found["not measured: reason not recorded", "depression, usual_care, pre"]
    assert (row["number"], row["unit"]) == ("1", "clients")
    text = str(pack)
    assert "depression, usual_care, pre: 1 client\n" in text
    assert text.index("1 client\n") < text.index("Who knows a client may still")
    many = [row for row in found.values() if row["unit"] == "clients" and int(row["number"]) >= 5]
    assert many
    assert not [row for row in many if f"{row['where']}: {row['number']} client" in text]


def test_what_the_ledger_says_is_counted() -> None:
    kinds = ["lock", "amendment", "amendment", "correction", "allocation", "look", "look", "withdrawal"]
    looks = [SimpleNamespace(body={"look": 0, "planned": 0}), SimpleNamespace(body={})]
    now: Any = SimpleNamespace(
        entries=[SimpleNamespace(kind=kind) for kind in kinds], protocol=make_protocol(), looks=looks
    )
    results = make_results()
    outcome = replace(results.strength, fallback="regression")
    others = tuple(item for item in results.outcomes if item.code != outcome.code)
    found = {
        (one.what, one.where): one.number
        for one in deviations(now, replace(results, outcomes=(*others, outcome)))
    }
    assert found["amendments of the protocol after its lock", ""] == 2
    assert found["facts of clients corrected after their allocation", ""] == 1
    assert found["handovers of clients to another trainer", ""] == 0
    assert found["looks at results by arm that were not planned", ""] == 2
    assert found["planned model replaced by its fallback", outcome.code] == 1
    contaminated = {arm.arm: arm.contaminated_clients for arm in results.delivery.arms}
    assert any(contaminated.values())
    for arm, number in contaminated.items():
        assert found.get(("got partner reps in an arm without", arm), 0) == number


def test_the_command_tells_then_writes_and_not_before_the_end(
    study: sk.Study, tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    code, out, _ = run("anonymise", study.folder, "--to", tmp_path / "pack", "--by", "A", "--thesis", "--yes")
    assert code == 0
    assert out.index("usual_care, pre: 1 client") < out.index("Anonymised copy of 101 clients")
    assert "python rerun.py" in out
    assert (tmp_path / "pack" / "rerun.py").is_file()
    monkeypatch.setattr("studykit.study.snapshot.Snapshot.is_complete", property(lambda _: False))
    with pytest.raises(DesignError, match="expected a study that is through"):
        sk.thesis_pack(study, by="A")
    code, _, err = run("anonymise", study.folder, "--to", tmp_path / "b", "--by", "A", "--thesis", "--yes")
    assert code == 2
    assert "nothing was written" in err
    assert not (tmp_path / "b").exists()


def test_the_answer_as_json_has_no_files(study: sk.Study, tmp_path: Path, run: Run) -> None:
    code, out, _ = run(
        "anonymise", study.folder, "--to", tmp_path / "pack", "--by", "A", "--thesis", "--yes", "--json"
    )
    assert code == 0
    told = json.loads(out)
    assert (told["clients"], told["files"], told["trouble"]) == (101, {}, "")
    assert "not measured: reason not recorded, depression, usual_care, pre: 1 client" in told["few"]
