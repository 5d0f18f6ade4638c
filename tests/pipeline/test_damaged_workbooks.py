"""A damaged workbook is one message with its name and what to do, in records and when looking back."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable
from pathlib import Path

import pytest
from openpyxl import Workbook

from studykit.errors import DataError
from studykit.lookback.attendance_reading import ReadingSettings, read_attendance
from studykit.lookback.log import AttendanceLog
from studykit.records import workbook
from studykit.records.reading import read_records
from studykit.records.workbook import open_sheets
from studykit.study import Study
from tests.pipeline.damaged_books import damaged, other_kinds, put_together, taken_apart

TODAY = ReadingSettings(today=dt.date(2026, 2, 1), most_left_out=1.0)
WHAT_TO_DO = "save it again as .xlsx without a password, or as CSV"
SEED, NUMBER = 20, 240


@pytest.fixture(scope="module")
def book() -> bytes:
    """Two sheets with texts, dates, numbers and a formula that was never worked out."""
    made = Workbook()
    sheet = made.active
    sheet.title = "sessions"
    sheet.append(["client", "date", "trainer", "status", "partner_reps"])
    for n in range(30):
        day = dt.date(2025, 3, 1) + dt.timedelta(days=n)
        sheet.append([f"C{n % 7:02d}", day, f"T{n % 3}", "attended", n % 4])
    clients = made.create_sheet("clients")
    clients.append(["client", "joined_on", "sum"])
    for n in range(7):
        clients.append([f"C{n:02d}", dt.date(2025, 1, 1 + n), "=1+1"])
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


def looked_at(folder: Path, data: bytes) -> AttendanceLog | DataError:
    """The log, or what was refused; any other error ends the test."""
    path = folder / "export.xlsx"
    path.write_bytes(data)
    try:
        return read_attendance(path, settings=TODAY)
    except DataError as error:
        return error


def test_no_damage_ends_in_anything_but_one_message(book: bytes, tmp_path: Path) -> None:
    """Where only the archive is damaged, its sums tell: refused, or read as it was."""
    folder = tmp_path / "records"
    folder.mkdir()
    whole, _ = open_sheets(book, "export.xlsx")
    refused = 0
    for what, data in damaged(book, NUMBER, SEED):
        sheets, trouble = open_sheets(data, "export.xlsx")
        found = looked_at(tmp_path, data)
        (folder / "records.xlsx").write_bytes(data)
        stops = [finding for finding in read_records(folder).findings if finding.severity == "stop"]
        if trouble is None:
            assert "archive" not in what or sheets == whole, what
            continue
        refused += 1
        assert trouble.where == "export.xlsx"
        assert WHAT_TO_DO in trouble.todo
        assert isinstance(found, DataError), what
        assert found.findings == (trouble,), what
        assert [finding.where for finding in stops] == ["records/records.xlsx"], what
    assert NUMBER // 2 < refused < NUMBER


def test_files_of_other_kinds_and_files_made_to_hurt(
    book: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workbook, "_MOST_ROWS", 5_000)
    for what, data in other_kinds(book).items():
        found = looked_at(tmp_path, data)
        assert isinstance(found, DataError), what
        assert WHAT_TO_DO in str(found), what
        assert ("with a password" in found.findings[0].got) == (what == "locked or older"), what


def test_a_sheet_that_is_named_and_not_there_is_no_empty_one(book: bytes, tmp_path: Path) -> None:
    parts = taken_apart(book)
    parts["xl/worksheets/sheet9.xml"] = parts.pop("xl/worksheets/sheet2.xml")
    assert WHAT_TO_DO in str(looked_at(tmp_path, put_together(parts)))


@pytest.mark.parametrize("cut", [0, 300])
def test_the_commands_end_with_one_message(
    cut: int, book: bytes, tmp_path: Path, run: Callable[..., tuple[int, str, str]]
) -> None:
    """Looking back is refused; a check of records needs attention, and blames nothing else."""
    path = tmp_path / "export.xlsx"
    path.write_bytes(book[:-cut] if cut else b"\xd0\xcf\x11\xe0" + bytes(600))
    code, out, err = run("lookback", path)
    assert (code, out) == (2, "")
    assert err.count("export.xlsx") == err.count("expected") == 1
    assert WHAT_TO_DO in err
    study, _ = Study.demo(tmp_path / "study")
    for table in (study.folder / "records").glob("*.csv"):
        table.unlink()
    (study.folder / "records" / "records.xlsx").write_bytes(path.read_bytes())
    code, out, _ = run("check", study.folder)
    assert code == 1
    assert out.count("expected") == 1
    assert WHAT_TO_DO in out
    assert run("analyse", study.folder)[0] == 2
