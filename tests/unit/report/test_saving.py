"""Files of a report: whole or not at all, full precision, hashes that fit."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from studykit.errors import FolderError
from studykit.outcomes.results import StudyResults
from studykit.protocol.types import Protocol
from studykit.report import rendering
from studykit.report.rendering import write_whole
from studykit.report.saving import save_report


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, results: StudyResults, protocol: Protocol) -> Path:
    folder = tmp_path_factory.mktemp("study") / "results"
    assert save_report(results, protocol, folder) == folder / "report.html"
    return folder


def names(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def test_page_numbers_tables_and_figures_are_there(folder: Path) -> None:
    found = names(folder)
    assert {"report.html", "results.json", "manifest.json", "figures/flow.svg"} <= found
    for code in (
        "retention_curves",
        "retention_contrasts",
        "strength_trajectories",
        "strength_contrasts",
        "delivery",
    ):
        assert {f"figures/{code}.svg", f"figures/{code}.png"} <= found
    for code in (
        "baseline",
        "retained",
        "strength_contrasts",
        "harms",
        "flow",
        "reporting_items",
        "planned_analyses",
    ):
        assert {f"tables/{code}.{ending}" for ending in ("csv", "md", "tex")} <= found


def test_the_manifest_fits_every_file(folder: Path) -> None:
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    assert set(manifest["files"]) == names(folder) - {"manifest.json"}
    for name, code in manifest["files"].items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == code
    assert manifest["provenance"]["seed"] == 20260309


def test_results_json_has_full_precision_and_the_level_of_the_protocol(
    folder: Path, results: StudyResults
) -> None:
    plain = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    assert plain["format"] == 2
    kept, strength = plain["outcomes"]
    assert (kept["kind"], strength["kind"]) == ("retention", "continuous")
    primary = strength["primary"]
    interval = results.strength.primary.confidence_interval(0.95)
    assert primary["interval"]["lower"] == interval.lower
    assert kept["primary"]["p_value"] == results.retention.primary.p_value


def test_the_same_report_is_the_same_bytes(
    folder: Path, tmp_path: Path, results: StudyResults, protocol: Protocol
) -> None:
    save_report(results, protocol, tmp_path)
    assert {name: (folder / name).read_bytes() for name in names(folder)} == {
        name: (tmp_path / name).read_bytes() for name in names(tmp_path)
    }


def test_a_failure_in_the_middle_leaves_the_old_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_whole(tmp_path, {"a.txt": b"old a", "b.txt": b"old b"})
    calls = 0

    def full(_number: int) -> None:
        nonlocal calls
        calls += 1
        if calls == 2:
            raise OSError(28, "No space left on device", "b.txt")

    monkeypatch.setattr(rendering.os, "fsync", full)
    with pytest.raises(
        FolderError, match=r"found No space left on device\. Close the file or free some space"
    ):
        write_whole(tmp_path, {"a.txt": b"new a", "b.txt": b"new b"})
    assert (tmp_path / "a.txt").read_bytes() == b"old a"
    assert names(tmp_path) == {"a.txt", "b.txt"}


def test_a_file_in_the_place_of_a_folder_is_one_clear_message(tmp_path: Path) -> None:
    (tmp_path / "tables").write_text("mine", encoding="utf-8")
    with pytest.raises(FolderError, match=r"tables: expected a folder; found a file\. Move the file away"):
        write_whole(tmp_path, {"tables/x.csv": b"1"})
    assert (tmp_path / "tables").read_text(encoding="utf-8") == "mine"


def test_nothing_is_written_when_the_flow_does_not_add_up(
    tmp_path: Path, results: StudyResults, protocol: Protocol
) -> None:
    from dataclasses import replace

    from studykit.errors import StudykitError

    wrong = replace(results, flow=replace(results.flow, assessed=1))
    with pytest.raises(StudykitError, match="flow, assessed"):
        save_report(wrong, protocol, tmp_path)
    assert names(tmp_path) == set()


def test_terminal_summary_is_ascii_and_narrow(results: StudyResults, protocol: Protocol) -> None:
    """Ask 7.6: consoles that know no more than ASCII, 80 to 90 columns."""
    from studykit.report.text import summary

    text = summary(results, protocol=protocol)
    assert text.isascii()
    assert max(map(len, text.splitlines())) <= 88
    assert text.index("Retention.") < text.index("Strength.")
    assert "[-1.2, 8.4] %" in text.replace("\n", " ").replace("  ", " ")
    anything: Any = summary(results)
    assert "at week 12" in anything
