"""Tables are written whole or not at all, and read back as they were."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from studykit.errors import FolderError
from studykit.protocol.types import Protocol
from studykit.records import writing
from studykit.records.reading import read_records
from studykit.records.record_tables import record_table, records_of
from studykit.records.writing import write_empty_tables, write_whole
from synthetic_data.record_files import write_records

from .conftest import WHOLE, protocol_of

ALWAYS = {*WHOLE, "sets", "health"}  # every table but measurements and allocation


def rows_of(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.reader(stream))


def test_empty_tables_have_headers_an_example_and_the_strata(tmp_path: Path, protocol: Protocol) -> None:
    paths = write_empty_tables(tmp_path / "records", protocol)
    names = {path.name for path in paths}
    assert names == {f"{name}.csv" for name in ALWAYS}
    rows = rows_of(tmp_path / "records" / "clients.csv")
    assert rows[0][:4] == ["client", "joined_on", "trainer", "age"]
    assert dict(zip(*rows, strict=True))["sex"] == "female"
    strength = rows_of(tmp_path / "records" / "strength.csv")
    assert strength[1][:6] == ["EXAMPLE", "baseline", "2026-01-15", "leg_press", "80", "kg"]


def test_empty_tables_are_read_without_a_complaint(tmp_path: Path) -> None:
    """The tables of a new study, unedited, hold no rows and give no finding but the skipped examples."""
    protocol = protocol_of(
        strata=[{"code": "trainer"}, {"code": "goal", "levels": ["health", "strength"]}],
        allocation={"method": "permuted blocks", "strata": ["trainer", "goal"]},
        analysis={"adjust_for": ["height"]},
    )
    records = read_records(write_empty_tables(tmp_path, protocol)[0].parent, protocol=protocol)
    assert {finding.severity for finding in records.findings} == {"note"}
    assert len(records.findings) == 11
    assert all(table.number == 0 for table in records.tables.values())


def test_the_example_rows_would_be_read_if_they_were_not_examples(tmp_path: Path, protocol: Protocol) -> None:
    """An example that could not be read would teach a mistake."""
    for path in write_empty_tables(tmp_path, protocol):
        path.write_text(path.read_text().replace("EXAMPLE", "E01"))
    records = read_records(tmp_path, protocol=protocol)
    assert records.findings == ()
    assert {name for name, table in records.tables.items() if table.number == 1} == ALWAYS


def test_tables_that_the_protocol_uses(tmp_path: Path) -> None:
    protocol = protocol_of(
        outcomes=[{"kind": "continuous", "code": "weight", "name": "w", "unit": "kg", "scale": "as_measured",
                   "score": {"rule": "as recorded"}, "primary_visit": "week_6"}],
        allocation="external",
    )  # fmt: skip
    names = {path.name for path in write_empty_tables(tmp_path, protocol)}
    assert {"measurements.csv", "allocation.csv"} <= names
    assert "strength.csv" not in names
    assert (tmp_path / "allocation.csv").read_text() == "client,arm,date\nEXAMPLE,conventional,\n"


def test_nothing_is_overwritten_unasked(tmp_path: Path, protocol: Protocol) -> None:
    (tmp_path / "harms.csv").write_text("mine")
    with pytest.raises(FolderError, match=r"found harms\.csv\. Nothing was written"):
        write_empty_tables(tmp_path, protocol)
    assert [path.name for path in tmp_path.iterdir()] == ["harms.csv"]
    write_empty_tables(tmp_path, protocol, overwrite=True)
    assert (tmp_path / "harms.csv").read_text().startswith("client,")


def test_a_crash_leaves_no_half_of_a_file(
    tmp_path: Path, protocol: Protocol, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writing.os, "fsync", full)
    with pytest.raises(FolderError, match="No space left"):
        write_empty_tables(tmp_path, protocol)
    assert list(tmp_path.iterdir()) == []


def test_records_come_back_as_they_were(
    tmp_path: Path, write: Callable[..., Path], protocol: Protocol
) -> None:
    first = read_records(write(), protocol=protocol)
    write_records(tmp_path / "again", first)
    second = read_records(tmp_path / "again", protocol=protocol)
    assert second.findings == ()
    for name, table in first.tables.items():
        for column, values in table.columns.items():
            assert str(second[name].columns[column].tolist()) == str(values.tolist()), (name, column)


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-cmd", "@sum", "'=x", "plain", 'a "quoted", text', "two\nlines"]
)
def test_texts_that_a_spreadsheet_would_run_are_guarded(text: str, tmp_path: Path) -> None:
    departures = record_table(
        "departures", {"client": ["C01"], "date": ["2026-03-20"], "reason": ["other"], "note": [text]}
    )
    write_records(tmp_path, records_of([departures]))
    header, row = rows_of(tmp_path / "departures.csv")
    cell = row[header.index("note")]
    assert cell[0] not in "=+-@"
    assert read_records(tmp_path)["departures"].columns["note"].tolist() == [text]


def test_a_text_file_is_written_whole(tmp_path: Path) -> None:
    (path,) = write_whole(tmp_path, {"page.md": "ü\n"}, overwrite=False)
    assert path.read_bytes() == "ü\n".encode()
    with pytest.raises(FolderError, match=r"page\.md"):
        write_whole(tmp_path, {"page.md": "again"}, overwrite=False)
