"""One workbook in place of CSV files: real dates are dates, formulas without a value are not guessed."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from openpyxl import Workbook

from studykit.protocol.types import Protocol
from studykit.records.reading import read_records
from tests.pipeline.damaged_books import put_together, taken_apart

from .conftest import WHOLE

Save = Callable[..., Path]


def cells_of(text: str) -> list[list[Any]]:
    """The cells of a CSV text as a person's workbook has them: dates and numbers are real."""
    rows: list[list[Any]] = []
    for line in text.strip().split("\n"):
        row: list[Any] = []
        for cell in line.split(","):
            try:
                row.append(dt.datetime.fromisoformat(cell))
            except ValueError:
                row.append(float(cell) if cell.replace(".", "").isdigit() else (cell or None))
        rows.append(row)
    return rows


@pytest.fixture
def save(tmp_path: Path) -> Save:
    def into_folder(
        changes: Mapping[tuple[str, str], Any] | None = None, names: Mapping[str, str] | None = None
    ) -> Path:
        folder = tmp_path / "records"
        folder.mkdir()
        book = Workbook()
        book.remove(book.active)
        for name, text in WHOLE.items():
            sheet = book.create_sheet((names or {}).get(name, name))
            for row in cells_of(text):
                sheet.append(row)
        for (name, address), value in (changes or {}).items():
            book[name][address] = value
        book.save(folder / "records.xlsx")
        return folder

    return into_folder


def test_a_workbook_gives_the_same_tables_as_csv(
    save: Save, write: Callable[..., Path], protocol: Protocol, tmp_path: Path
) -> None:
    from_book = read_records(save(), protocol=protocol)
    assert from_book.findings == ()
    (tmp_path / "records" / "records.xlsx").unlink()
    from_files = read_records(write(), protocol=protocol)
    for name, table in from_files.tables.items():
        other = from_book[name]
        assert other.row_numbers.tolist() == table.row_numbers.tolist()
        for column, values in table.columns.items():
            assert str(other.columns[column].tolist()) == str(values.tolist()), (name, column)


@pytest.mark.parametrize(
    ("change", "where", "words"),
    [
        (("E3", "=20*4"), "row 3, column load (E)", "Open the workbook and save it once"),
        (("C4", "03/04/2026"), "row 4, column date (C)", "2026-04-03 (day first)"),
        (("E4", "92.5 lb"), "row 4, column load (E)", "found one in lb"),
        (("F4", "stone"), "row 4, column unit (F)", "one of kg, lb, N, plates"),
        (("A4", "Petra Kohl"), "row 4, column client (A)", "looks like a name"),
        (("G4", True), "row 4, column repetitions (G)", "'yes'"),
    ],
)
def test_mistakes_in_a_workbook_name_the_cell(
    change: tuple[str, Any], where: str, words: str, save: Save, protocol: Protocol
) -> None:
    records = read_records(save({("strength", change[0]): change[1]}), protocol=protocol)
    stops = [finding for finding in records.findings if finding.severity == "stop"]
    assert [finding.where for finding in stops] == [f"records/records.xlsx, sheet strength, {where}"]
    assert words in str(stops[0])


def test_a_date_with_its_time_is_understood_and_noted(save: Save, protocol: Protocol) -> None:
    records = read_records(
        save({("strength", "C4"): dt.datetime.fromisoformat("2026-04-13T10:30")}), protocol=protocol
    )
    (note,) = records.findings
    assert (note.severity, note.expected) == ("note", "2026-04-13")


def test_true_and_false_of_a_workbook_are_yes_and_no(save: Save, protocol: Protocol) -> None:
    records = read_records(save({("strength", "H2"): True, ("strength", "H3"): False}), protocol=protocol)
    assert not records.findings
    assert records["strength"].columns["success"][:2].tolist() == [1.0, 0.0]


def test_both_kinds_of_file_are_refused(save: Save, protocol: Protocol) -> None:
    folder = save()
    (folder / "clients.csv").write_text(WHOLE["clients"])
    records = read_records(folder, protocol=protocol)
    assert "never both" in records.findings[0].expected
    assert records["clients"].number == 0


def test_sheets_of_other_names(save: Save, protocol: Protocol) -> None:
    records = read_records(save(names={"pauses": "pause", "closures": "ideas"}), protocol=protocol)
    assert [(finding.severity, finding.where) for finding in records.findings] == [
        ("stop", "records/records.xlsx, sheet pause"),
        ("note", "records/records.xlsx, sheet ideas"),
    ]


def test_a_file_that_is_no_workbook(tmp_path: Path) -> None:
    (tmp_path / "records.xlsx").write_bytes(b"PK but no workbook")
    findings = read_records(tmp_path).findings
    assert findings[0].severity == "stop"
    assert findings[0].got == "a file of another kind, or a damaged one"


def worked_out(path: Path, formula: str, value: str, kind: str = "") -> None:
    """Write into E3 of every sheet what a spreadsheet program keeps of a formula: its value when saved."""
    cell = f'<c r="E3"{kind}><f>{formula}</f><v>{value}</v></c>'.encode()
    parts = taken_apart(path.read_bytes())
    changed = {name: re.sub(rb'<c r="E3"[^>]*><f>.*?</c>', cell, parts[name]) for name in parts}
    assert changed != parts
    path.write_bytes(put_together(changed))


def test_a_formula_is_read_as_the_value_that_was_worked_out(save: Save, protocol: Protocol) -> None:
    """Never as its own text, and never without the value: what is shown and what is written differ."""
    folder = save({("strength", "E3"): "=20*4+2.5"})
    worked_out(folder / "records.xlsx", "20*4+2.5", "82.5")
    records = read_records(folder, protocol=protocol)
    assert not records.findings
    assert records["strength"].columns["load"][:3].tolist() == [80.0, 82.5, 92.5]


def test_a_formula_that_ended_in_an_error_is_named(save: Save, protocol: Protocol) -> None:
    folder = save({("strength", "E3"): "=20/0"})
    worked_out(folder / "records.xlsx", "20/0", "#DIV/0!", ' t="e"')
    (finding,) = read_records(folder, protocol=protocol).findings
    assert "the error #DIV/0!" in finding.got
