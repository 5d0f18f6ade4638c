"""Workbooks of several sheets: those of one header are read together, and no row goes uncounted."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest
from openpyxl import Workbook

from studykit.errors import DataError
from studykit.lookback.attendance_reading import ReadingSettings, read_attendance
from studykit.lookback.log import day_of
from tests.pipeline.damaged_books import put_together, taken_apart

TODAY = ReadingSettings(today=dt.date(2026, 2, 1))
HEADER = ("client", "date", "trainer", "partner_reps")


def year(of: int, rows: int, header: Sequence[str] = HEADER) -> list[Sequence[object]]:
    """A header and so many sessions, one a day from 3 January on; the number of the row is among them."""
    body = [
        {"client": f"C{n % 4}", "date": dt.date(of, 1, 3) + dt.timedelta(days=n), "trainer": f"T{n % 3}",
         "partner_reps": n % 5}
        for n in range(rows)
    ]  # fmt: skip
    return [header, *([row.get(name) for name in header] for row in body)]


def save(folder: Path, sheets: Mapping[str, Sequence[Sequence[object]]]) -> Path:
    book = Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(list(row))
    book.save(folder / "export.xlsx")
    return folder / "export.xlsx"


def test_a_sheet_for_each_year_is_one_table_and_it_is_told(tmp_path: Path) -> None:
    """The second year has its columns in another order and spelling."""
    other = ("Date", "client", "partner_reps", "TRAINER")
    second = [other, *(row for row in year(2024, 23, tuple(map(str.lower, other)))[1:])]
    path = save(tmp_path, {"2023": year(2023, 14), "2024": second, "2025": year(2025, 9)})
    log = read_attendance(path, settings=TODAY)
    assert str(log.rows) == "46 of 46 rows used"
    assert (day_of(log.first_day), day_of(log.last_day)) == (dt.date(2023, 1, 3), dt.date(2025, 1, 11))
    in_order = log.session_day.argsort()
    expected = [(f"C{n % 4}", f"T{n % 3}", int(n % 5 > 0)) for rows in (14, 23, 9) for n in range(rows)]
    assert [
        (
            log.clients[log.session_client[k]],
            log.trainers[log.session_trainer[k]],
            log.session_partner_reps[k],
        )
        for k in in_order
    ] == expected
    (told,) = [str(finding) for finding in log.findings if "sheets" in finding.got]
    assert told == (
        "export.xlsx: expected the sessions on one sheet; found 3 sheets with the same columns: "
        "2023 (14 rows), 2024 (23 rows), 2025 (9 rows). They were read together."
    )


def test_rows_are_named_on_their_own_sheet(tmp_path: Path) -> None:
    first, second = year(2024, 30), year(2025, 30)
    first[5] = ("C1", "someday", "T1", 1)
    second[7] = ("", dt.date(2025, 1, 9), "T1", 1)
    second[9] = ("C3", "never", "T1", 1)
    second.append(first[12])  # row 13 of the first sheet stands in row 32 of the second one, too
    first.append(first[20])
    log = read_attendance(save(tmp_path, {"2024": first, "2025": second}), settings=TODAY)
    assert [(item.reason, item.where, item.rows.tolist(), item.got) for item in log.noticed] == [
        ("no client code", "export.xlsx, sheet 2025, column client", [8], "an empty cell"),
        ("a date that cannot be read", "export.xlsx, sheet 2024, column date", [6], "'someday'"),
        ("a date that cannot be read", "export.xlsx, sheet 2025, column date", [10], "'never'"),
        ("the same session again", "export.xlsx, sheet 2024, column date", [32],
         "row 32 of export.xlsx, sheet 2024 like row 21 of export.xlsx, sheet 2024"),
        ("the same session again", "export.xlsx, sheet 2025, column date", [32],
         "row 32 of export.xlsx, sheet 2025 like row 13 of export.xlsx, sheet 2024"),
    ]  # fmt: skip
    assert str(log.rows) == (
        "57 of 62 rows used; left out: 1 (no client code), 2 (a date that cannot be read), "
        "2 (the same session again)"
    )


def test_other_sheets_are_named_and_their_rows_counted(tmp_path: Path) -> None:
    notes = [("what", "who"), ("ask for key", "OW"), (None, None), ("new mat", "T1")]
    joined = [("client", "joined_on"), ("C0", dt.date(2025, 1, 2)), ("C1", dt.date(2025, 1, 1))]
    sheets = {"Export": year(2025, 21), "ideas": notes, "clients": joined, "empty": []}
    log = read_attendance(save(tmp_path, sheets), settings=TODAY)
    assert str(log.rows) == "21 of 23 rows used; left out: 2 (on a sheet that was not read)"
    assert [(item.where, item.rows.tolist(), item.used) for item in log.noticed] == [
        ("export.xlsx, sheet ideas", [2, 4], False)
    ]
    assert "found a sheet of 2 rows with others. If it holds sessions" in str(log.noticed[0].finding())
    assert [day_of(day) for day in log.joined[:2]] == [dt.date(2025, 1, 2), dt.date(2025, 1, 1)]


@pytest.mark.parametrize(
    ("other", "why"),
    [
        ({"2026": year(2026, 8, (*HEADER, "note"))}, "a column more"),
        ({"2026": year(2026, 8, HEADER[:3])}, "a column less"),
        ({"2026": [("Member", *HEADER[1:]), *year(2026, 8)[1:]]}, "another name"),
        ({"data": [("Kunde", "Tag"), *((f"K{n}", n) for n in range(40))]}, "more rows than the first sheet"),
    ],
)
def test_sheets_that_may_hold_sessions_are_asked_about(
    other: dict[str, list[Sequence[object]]], why: str, tmp_path: Path
) -> None:
    ((title, rows),) = other.items()
    path = save(tmp_path, {"2025": year(2025, 21), **other})
    with pytest.raises(DataError) as caught:
        read_attendance(path, settings=TODAY)
    said = str(caught.value)
    assert f"different ones on 2025 (21 rows), {title} ({len(rows) - 1} rows)" in said, why
    assert "say which to read: --sheet NAME" in said
    log = read_attendance(path, sheets=["2025"], settings=TODAY)
    assert dict(log.rows.left_out) == {"on a sheet that was not read": len(rows) - 1}
    assert log.rows.used == 21


def test_a_table_named_sessions_leads_whatever_else_is_longer(tmp_path: Path) -> None:
    long = [("day", "visitors"), *((n, n % 7) for n in range(60))]
    log = read_attendance(save(tmp_path, {"front": long, " Sessions ": year(2025, 21)}), settings=TODAY)
    assert str(log.rows) == "21 of 81 rows used; left out: 60 (on a sheet that was not read)"


def test_sheets_that_were_said_must_be_there_and_alike(tmp_path: Path) -> None:
    path = save(tmp_path, {"a": year(2023, 5), "b": year(2024, 6, HEADER[:2]), "c": year(2025, 7)})
    with pytest.raises(DataError, match=r"a sheet named d; found a \(5 rows\), b \(6 rows\), c \(7 rows\)"):
        read_attendance(path, sheets=["d"], settings=TODAY)
    with pytest.raises(DataError, match=r"on a \(5 rows\), b \(6 rows\). Give them one header"):
        read_attendance(path, sheets=["a", "B"], settings=TODAY)
    assert read_attendance(path, sheets=["a", "c"], settings=TODAY).rows.used == 12


def test_a_misspelt_further_sheet_stops(tmp_path: Path) -> None:
    joined = [("client", "joined_on"), ("C0", dt.date(2025, 1, 2))]
    log = read_attendance(save(tmp_path, {"Export": year(2025, 21), "cliens": joined}), settings=TODAY)
    (stop,) = [str(finding) for finding in log.findings if finding.severity == "stop"]
    assert stop == (
        "export.xlsx, sheet cliens: expected a sheet named clients; found cliens. "
        "Rename the sheet; it was not used."
    )


def test_a_workbook_may_hold_a_further_table_among_others(tmp_path: Path) -> None:
    joined = [("client", "joined_on"), ("C0", dt.date(2025, 1, 2))]
    book = save(tmp_path, {"front": year(2025, 30), "clients": joined})
    export = tmp_path / "export.csv"
    export.write_text("client,date\nC0,2025-03-04\n", encoding="utf-8")
    log = read_attendance(export, tables={"clients": book}, settings=TODAY)
    assert [day_of(day) for day in log.joined] == [dt.date(2025, 1, 2)]


def test_formulas_are_read_as_their_values(tmp_path: Path) -> None:
    """A date and a mark that were worked out, a code that never was: its row is left out and named."""
    rows = year(2025, 22)
    rows[3] = ("C3", "=DATE(2025,2,7)", "T1", "=1+1")
    rows[5] = ('=CONCATENATE("C",1)', dt.date(2025, 2, 8), "T1", 1)
    path = save(tmp_path, {"Export": rows})
    parts = taken_apart(path.read_bytes())
    name = "xl/worksheets/sheet1.xml"
    for formula, value in ((b"DATE(2025,2,7)", b"45695"), (b"1+1", b"2")):
        pattern = rb"<f>" + re.escape(formula) + rb"</f><v ?(/>|></v>)"
        parts[name], times = re.subn(pattern, b"<f>" + formula + b"</f><v>" + value + b"</v>", parts[name])
        assert times == 1
    path.write_bytes(put_together(parts))
    log = read_attendance(path, settings=TODAY)
    assert dt.date(2025, 2, 7) in {day_of(day) for day in log.session_day}
    assert log.session_partner_reps[log.session_day == log.session_day.max()].tolist() == [1]
    assert log.rows.left_out == (("a cell that holds no value", 1),)
    assert [(item.rows.tolist(), item.got) for item in log.noticed] == [
        ([6], "a formula that no spreadsheet program has worked out")
    ]


def test_half_of_the_columns_alike_is_another_table(tmp_path: Path) -> None:
    """Two names of four shared, so that it is named and not read; three of four are asked about."""
    other = [("client", "trainer", "goal", "age"), *((f"C{n}", "T1", "health", 40 + n) for n in range(4))]
    log = read_attendance(save(tmp_path, {"2025": year(2025, 21), "people": other}), settings=TODAY)
    assert str(log.rows) == "21 of 25 rows used; left out: 4 (on a sheet that was not read)"
    other[0] = ("client", "trainer", "goal", "date")
    with pytest.raises(DataError, match=r"people \(4 rows\)"):
        read_attendance(save(tmp_path, {"2025": year(2025, 21), "people": other}), settings=TODAY)
