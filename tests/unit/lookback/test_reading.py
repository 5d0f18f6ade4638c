"""Reading an attendance export: each kind of mistake is one finding with its rows, and is not used."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest
from openpyxl import Workbook

from studykit.errors import ArgumentError, DataError, FolderError
from studykit.lookback.attendance_reading import ReadingSettings, read_attendance
from studykit.lookback.export_columns import place_columns
from studykit.lookback.export_tables import open_attendance
from studykit.lookback.identity import write_recoded
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, AttendanceLog, day_number

HEADER = "client,date,trainer,status,partner_reps"
TODAY = ReadingSettings(today=dt.date(2026, 2, 1))


def day(text: str) -> int:
    return day_number(dt.date.fromisoformat(text))


def write(folder: Path, *lines: str, name: str = "export.csv", encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding=encoding)
    return path


def plain_rows(clients: int = 12, weeks: int = 20) -> list[str]:
    """Sessions without any mistake: every client comes once a week."""
    start = dt.date(2025, 6, 2)
    return [
        f"C{client:03d},{start + dt.timedelta(days=7 * week + client % 5)},T{client % 2 + 1},attended,"
        f"{'yes' if (client + week) % 2 else 'no'}"
        for client in range(clients)
        for week in range(weeks)
    ]


def test_a_clean_export_is_read_without_findings_beyond_its_end(tmp_path: Path) -> None:
    log = read_attendance(write(tmp_path, HEADER, *plain_rows()), settings=TODAY)
    assert (log.rows.supplied, log.rows.used) == (240, 240)
    assert [finding.severity for finding in log.findings] == ["note"]
    assert log.marked
    assert len(log.clients) == 12
    assert log.trainers == ("T1", "T2")
    assert log.first_day == day("2025-06-02")
    assert set(log.session_partner_reps.tolist()) == {0, 1}


# --- ten kinds of mistake ------------------------------------------------------------------------

MISTAKES = {
    "no client code": (",2025-08-04,T1,attended,no",),
    "no date": ("C001,,T1,attended,no",),
    "a date that cannot be read": ("C001,2025-02-30,T1,attended,yes", "C002,soon,T1,attended,no"),
    "a status that is not known": ("C003,2025-08-09,T1,perhaps,no",),
    "a day in the future": ("C004,2062-08-09,T1,attended,no",),
    "the same session again": ("C001,2025-06-03,T2,attended,yes",),
    "a second, different row on the same day": ("C002,2025-06-04,T2,attended,no",),
    "before the client joined": ("C005,2025-05-26,T1,attended,no",),
    "another number of cells than the header": ("C006,2025-08-10,T1,attended,no,and,more",),
    "partner reps that cannot be right": ("C007,2025-08-09,T1,attended,4000",),
    "partner reps at a session that was not attended": ("C008,2025-08-10,T1,no show,yes",),
    "after the client's departure": ("C009,2025-12-20,T1,attended,no",),
    "in a registered pause": ("C010,2025-12-20,T1,attended,no",),
}
USED = {
    "partner reps that cannot be right", "partner reps at a session that was not attended",
    "after the client's departure", "in a registered pause",
}  # fmt: skip


@pytest.fixture
def mistaken(tmp_path: Path) -> Path:
    """A trainer's file with thirteen kinds of mistake, and the tables they are mistakes against."""
    wrong = [line for lines in MISTAKES.values() for line in lines]
    write(tmp_path, "client,joined_on", "C005,2025-06-01", name="clients.csv")
    write(tmp_path, "client,first_day,last_day", "C010,2025-12-15,2025-12-28", name="pauses.csv")
    write(tmp_path, "client,date", "C009,2025-11-30", name="departures.csv")
    return write(tmp_path, HEADER, *plain_rows(), *wrong)


def read_mistaken(path: Path) -> object:
    tables = {name: path.with_name(f"{name}.csv") for name in ("clients", "pauses", "departures")}
    return read_attendance(path, tables=tables, settings=TODAY)


def test_each_kind_of_mistake_is_one_finding_with_its_rows(mistaken: Path) -> None:
    log = read_mistaken(mistaken)
    number = 242
    expected = {}
    for reason, lines in MISTAKES.items():
        expected[reason] = list(range(number, number + len(lines)))
        number += len(lines)
    found = {item.reason: item.rows.tolist() for item in log.noticed}
    assert found == expected
    for item in log.noticed:
        text = str(item.finding())
        assert f"row {item.rows[0]}" in text.replace("rows", "row")
        assert item.todo


def test_nothing_is_taken_from_rows_that_were_not_understood(mistaken: Path) -> None:
    """The arrays are those of the clean file, but for the four kinds of rows that count all the same."""
    log = read_mistaken(mistaken)
    clean = read_attendance(write(mistaken.parent, HEADER, *plain_rows(), name="clean.csv"), settings=TODAY)
    left_out = sum(len(lines) for reason, lines in MISTAKES.items() if reason not in USED)
    assert log.rows.supplied == 240 + sum(map(len, MISTAKES.values()))
    assert log.rows.used == log.rows.supplied - left_out
    assert sum(count for _, count in log.rows.left_out) == left_out
    sessions = list(zip(log.session_client.tolist(), log.session_day.tolist(), strict=True))
    before = list(zip(clean.session_client.tolist(), clean.session_day.tolist(), strict=True))
    assert sorted(set(sessions) - set(before)) == [
        (7, day("2025-08-09")), (9, day("2025-12-20")), (10, day("2025-12-20")),
    ]  # fmt: skip
    assert set(before) <= set(sessions)
    absurd = sessions.index((7, day("2025-08-09")))
    assert log.session_partner_reps[absurd] == UNKNOWN
    assert list(zip(log.missed_client.tolist(), log.missed_day.tolist(), strict=True)) == [
        (8, day("2025-08-10"))
    ]
    assert log.notice[9] == UNKNOWN_DAY
    assert (log.pauses.first.tolist(), log.pauses.last.tolist()) == (
        [day("2025-12-15")],
        [day("2025-12-19")],
    )


def test_a_pause_without_an_end_is_said_to_have_none(tmp_path: Path) -> None:
    pauses = ("C001,2025-06-11,2025-06-16", "C002,2025-06-12,", "C003,2025-06-13,2025-06-01")
    tables = {"pauses": write(tmp_path, "client,first_day,last_day", *pauses, name="pauses.csv")}
    log = read_attendance(write(tmp_path, HEADER, *plain_rows()), tables=tables, settings=TODAY)
    assert log.pauses.client.tolist() == [1]
    assert {item.reason: item.rows.tolist() for item in log.noticed} == {
        "no last day": [3], "it ends before it begins": [4],
    }  # fmt: skip


def test_too_many_rows_not_understood_stop_everything(tmp_path: Path) -> None:
    wrong = [f"C001,someday {number},T1,attended,no" for number in range(40)]
    with pytest.raises(DataError, match=r"at most 10 % of the rows not understood; found 40 of 280 rows"):
        read_attendance(write(tmp_path, HEADER, *plain_rows(), *wrong), settings=TODAY)


def test_partner_reps_in_either_row_of_a_day_count(tmp_path: Path) -> None:
    lines = ("client,date,partner_reps", "C01,2025-03-04,no", "C01,2025-03-04,yes", "C01,2025-03-07,0")
    log = read_attendance(write(tmp_path, *lines), settings=TODAY)
    assert log.session_partner_reps.tolist() == [1, 0]
    assert log.rows.left_out == (("a second, different row on the same day", 1),)


def test_a_day_far_from_all_others_is_a_slip(tmp_path: Path) -> None:
    log = read_attendance(
        write(tmp_path, HEADER, *plain_rows(), "C001,2026-01-30,T1,attended,no"), settings=TODAY
    )
    assert log.last_day == day("2025-10-17")
    assert log.rows.left_out == (("a date far from all others", 1),)


def test_a_joining_date_that_sessions_contradict_is_not_used(tmp_path: Path) -> None:
    write(tmp_path, "client,joined_on,goal", "C001,2025-09-01,health", "C002,2025-06-01,sport",
          name="clients.csv")  # fmt: skip
    log = read_attendance(
        write(tmp_path, HEADER, *plain_rows()), tables={"clients": tmp_path / "clients.csv"}, settings=TODAY
    )
    assert log.joined[1] == UNKNOWN_DAY
    assert log.joined[2] == day("2025-06-01")
    assert [item.reason for item in log.noticed] == ["long before the client joined"]
    assert log.rows.used == 240


# --- columns -------------------------------------------------------------------------------------


def test_other_names_are_refused_with_the_flag_to_say(tmp_path: Path) -> None:
    path = write(tmp_path, "Member ID,Visit date,Coach", "C01,2025-03-04,T1")
    with pytest.raises(DataError) as caught:
        read_attendance(path, settings=TODAY)
    text = str(caught.value)
    assert '--column client="Member ID"' in text
    assert '--column date="Visit date"' in text
    assert "--column trainer=Coach, or --column trainer=none" in text


def test_said_names_are_taken_and_the_name_of_the_facade_is_understood(tmp_path: Path) -> None:
    path = write(tmp_path, "Member,Visit date,Coach", "C01,2025-03-04,T1")
    log = read_attendance(
        path, columns={"client_id": "Member", "date": "visit DATE", "trainer": "none"}, settings=TODAY
    )
    assert log.clients == ("C01",)
    assert log.trainers == ()
    assert any("Coach" in str(finding) for finding in log.findings)


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        ({"client": "Membr"}, r"the column 'Membr', said to be client; found none of that name.*Is 'Member'"),
        ({"colour": "Member"}, r"column colour: expected one of client, date"),
        ({"clients.joined_on": "Member"}, r"column clients.joined_on: expected one of"),
    ],
)
def test_what_was_said_must_fit(tmp_path: Path, columns: dict[str, str], message: str) -> None:
    path = write(tmp_path, "Member,date", "C01,2025-03-04")
    with pytest.raises(DataError, match=message):
        read_attendance(path, columns=columns, settings=TODAY)


def test_a_column_of_dates_is_guessed_by_what_it_holds(tmp_path: Path) -> None:
    opened = open_attendance(
        write(tmp_path, "client,Wann,Was", "C01,04.03.2025,Kraft", "C02,25.03.2025,Kraft")
    )
    guesses = place_columns(opened).guesses
    assert [(guess.key, guess.header) for guess in guesses] == [("date", "Wann")]


# --- dates ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "written",
    ["2025-03-04", "2025-03-04 18:30", "2025-03-04T18:30:00Z", "2025/03/04", "20250304", "4 Mar 2025",
     "Tue 4 March 2025, 6:30 pm", "March 4, 2025", "45720"],
)  # fmt: skip
def test_dates_that_need_no_order(tmp_path: Path, written: str) -> None:
    log = read_attendance(write(tmp_path, "client,date", f'C01,"{written}"'), settings=TODAY)
    assert log.session_day.tolist() == [day("2025-03-04")]


def test_an_order_of_day_and_month_that_does_not_show_is_refused_until_stated(tmp_path: Path) -> None:
    path = write(tmp_path, "client,date", "C01,03/04/2025", "C01,05/04/2025")
    with pytest.raises(DataError, match=r"03/04/2025, which can be 2025-04-03 or 2025-03-04.*--date-order"):
        read_attendance(path, settings=TODAY)
    assert read_attendance(path, date_order="day", settings=TODAY).session_day[0] == day("2025-04-03")
    assert read_attendance(path, date_order="month first", settings=TODAY).session_day[0] == day("2025-03-04")
    with pytest.raises(ArgumentError, match="date_order: expected day first or month first"):
        read_attendance(path, date_order="year", settings=TODAY)


def test_an_order_that_the_column_shows_is_taken_and_said(tmp_path: Path) -> None:
    path = write(tmp_path, "client,date", "C01,03/04/2025", "C01,25/04/2025")
    log = read_attendance(path, settings=TODAY)
    assert log.session_day.tolist() == [day("2025-04-03"), day("2025-04-25")]
    assert any("Read day first, since 25/04/2025 allows no other" in str(item) for item in log.findings)


def test_both_orders_in_one_column_are_refused(tmp_path: Path) -> None:
    path = write(tmp_path, "client,date", "C01,25/04/2025", "C01,04/25/2025")
    with pytest.raises(DataError, match=r"which cannot both be"):
        read_attendance(path, settings=TODAY)


def test_one_slip_among_clear_dates_is_a_finding_and_no_refusal(tmp_path: Path) -> None:
    log = read_attendance(
        write(tmp_path, HEADER, *plain_rows(), "C001,03/04/2025,T1,attended,no"), settings=TODAY
    )
    assert log.rows.left_out == (("a date that cannot be read", 1),)


# --- marks and states ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cells", "marks"),
    [
        (("yes", "no", "no"), [1, 0, 0]),
        (("6", "0", "12"), [1, 0, 1]),
        (("x", "", ""), [1, 0, 0]),
        (("TRUE", "FALSE", ""), [1, 0, UNKNOWN]),
        (("6,5", "0", "2"), [1, 0, 1]),
    ],
)
def test_marks_of_partner_reps(tmp_path: Path, cells: tuple[str, ...], marks: list[int]) -> None:
    lines = [f"C01;2025-03-0{place + 1};{cell}" for place, cell in enumerate(cells)]
    log = read_attendance(write(tmp_path, "client;date;partner_reps", *lines), settings=TODAY)
    assert log.session_partner_reps.tolist() == marks


def test_states_of_a_booking(tmp_path: Path) -> None:
    words = ("Attended", "late cancel", "NO-SHOW", "booked", "Kam")
    lines = [f"C01,2025-03-0{place + 1},{word}" for place, word in enumerate(words)]
    path = write(tmp_path, "client,date,status", *lines, "C01,2026-03-01,booked")
    settings = ReadingSettings(today=dt.date(2026, 2, 1), statuses={"kam": "attended"})
    log = read_attendance(path, settings=settings)
    assert log.session_day.tolist() == [day("2025-03-01"), day("2025-03-05")]
    assert log.missed_day.tolist() == [day("2025-03-02"), day("2025-03-03")]
    assert dict(log.rows.left_out) == {
        "booked, and nobody recorded whether it was attended": 1,
        "booked for later": 1,
    }
    assert not log.marked


def test_words_for_states_must_be_known_states() -> None:
    with pytest.raises(ArgumentError, match="statuses: expected words for attended"):
        ReadingSettings(statuses={"kam": "came"})


# --- files ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_delimiters_and_encodings(tmp_path: Path, delimiter: str, encoding: str) -> None:
    lines = [
        delimiter.join(cells)
        for cells in (("client", "date", "status", "Größe"), ("C01", "2025-03-04", "attended", "ä"))
    ]
    log = read_attendance(write(tmp_path, *lines, encoding=encoding), settings=TODAY)
    assert log.rows.used == 1
    warned = [item for item in log.findings if item.severity == "warn"]
    assert bool(warned) == (encoding == "cp1252")


def test_an_announced_delimiter_blank_lines_and_their_row_numbers(tmp_path: Path) -> None:
    path = write(tmp_path, "sep=;", "", "client;date", "C01;2025-03-04", "", "C02;never", "C03;2025-03-05")
    with pytest.raises(DataError, match=r"column date, row 6"):
        read_attendance(path, settings=TODAY)
    log = read_attendance(path, settings=ReadingSettings(today=TODAY.today, most_left_out=0.5))
    assert log.noticed[0].rows.tolist() == [6]


def test_workbook_with_sheets(tmp_path: Path) -> None:
    book = Workbook()
    sheet = book.active
    sheet.title = "Export"
    sheet.append(["client", "date", "partner_reps"])
    sheet.append(["C01", dt.datetime(2025, 3, 4, 18, 30), 6])  # noqa: DTZ001 — a workbook knows no zones
    sheet.append(["C02", dt.date(2025, 3, 5), 0])
    joining = book.create_sheet("clients")
    joining.append(["client", "joined_on", "age"])
    joining.append(["C01", dt.date(2025, 3, 1), 44])
    joining.append(["C02", dt.date(2025, 3, 2), 61])
    book.save(tmp_path / "export.xlsx")
    log = read_attendance(tmp_path / "export.xlsx", settings=TODAY)
    assert log.session_day.tolist() == [day("2025-03-04"), day("2025-03-05")]
    assert log.joined.tolist() == [day("2025-03-01"), day("2025-03-02")]
    assert log.facts[0].name == "age"
    assert {log.facts[0].levels[place] for place in log.facts[0].level} == {"30 to below 45", "from 60"}


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "an empty file"),
        (b"\n\n", "an empty file"),
        (b"client,date\n", "a row for each session; found the header only"),
        (b"client,date\nC1,2025-03-04,and,more\n", "at most 2 cells, as in the header"),
        (b"PK\x03\x04 no workbook", "a workbook in the .xlsx format"),
        (b"a\0b", "a NUL byte"),
        (b"client,client,date\nC1,C1,2025-03-04\n", "each column once"),
    ],
)
def test_files_that_cannot_be_used(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "export.csv"
    path.write_bytes(content)
    with pytest.raises(DataError, match=message):
        read_attendance(path, settings=TODAY)


def test_a_file_that_only_calls_itself_a_workbook(tmp_path: Path) -> None:
    path = tmp_path / "export.xlsx"
    path.write_bytes(b"\xd0\xcf\x00\x01 something else")
    with pytest.raises(DataError, match=r"a workbook in the \.xlsx format; found a file of another kind"):
        read_attendance(path, settings=TODAY)


def test_files_that_are_not_there_or_of_another_kind(tmp_path: Path) -> None:
    with pytest.raises(FolderError, match="expected a file to read"):
        read_attendance(tmp_path / "none.csv")
    path = write(tmp_path, "x", name="export.xls")
    with pytest.raises(DataError, match=r"expected CSV or XLSX; found \.xls"):
        read_attendance(path)
    with pytest.raises(DataError, match="expected one of clients"):
        open_attendance(path, tables={"people": path})


def test_a_quotation_mark_inside_a_cell_does_no_harm_and_one_left_open_ends_the_reading(
    tmp_path: Path,
) -> None:
    inside = write(tmp_path, HEADER, 'C001,2025-06-03,"T"1,attended,no', *plain_rows(clients=2))
    log = read_attendance(inside, settings=TODAY)
    assert log.trainers == ("T1", "T2")
    assert log.rows.used == 40  # all but the same day once more
    left_open = write(
        tmp_path, HEADER, *plain_rows(clients=2), '"C009,2025-06-03,T1,attended,no', "C009,2025"
    )
    (item,) = [item for item in read_attendance(left_open, settings=TODAY).noticed if not item.used]
    assert (item.reason, item.rows.tolist()) == ("rows after a quotation mark that never closes", [42])


def test_cells_under_no_column_name_are_told_in_text_and_workbook(tmp_path: Path) -> None:
    rows = [row.split(",") for row in plain_rows(clients=2)]
    rows[3] += ["", "late"]
    text = write(tmp_path, f"{HEADER},,", *map(",".join, rows))
    book = Workbook()
    for row in (HEADER.split(","), *rows):
        book.active.append([cell or None for cell in row])
    book.save(tmp_path / "export.xlsx")
    for path in (text, tmp_path / "export.xlsx"):
        log = read_attendance(path, settings=TODAY)
        (item,) = [item for item in log.noticed if item.reason == "cells without a column name"]
        assert (item.rows.tolist(), item.used, log.rows.used) == ([5], True, 40)


def test_many_blank_lines_above_the_header(tmp_path: Path) -> None:
    path = write(tmp_path, *[" " * 40] * 600, HEADER, *plain_rows(clients=2))
    assert read_attendance(path, settings=TODAY).rows.used == 40


# --- names ---------------------------------------------------------------------------------------


def test_names_are_refused_and_a_copy_with_codes_is_read_instead(tmp_path: Path) -> None:
    path = write(
        tmp_path, "client,date,trainer,partner_reps", "Ann Doe,2025-03-04,Kim,yes", "Bo Li,2025-03-05,Kim,no",
        "ann doe,2025-03-06,Lou,yes",
    )  # fmt: skip
    with pytest.raises(DataError) as caught:
        read_attendance(path, settings=TODAY)
    assert "It stands in 3 of 3 different cells." in str(caught.value)
    assert "Ann" not in str(caught.value)
    opened = open_attendance(path)
    copies, key = write_recoded(opened, place_columns(opened), path)
    log = read_attendance(copies["sessions"], settings=TODAY)
    assert sorted(np.bincount(log.session_client).tolist()) == [1, 2]
    assert set(log.clients) == {"C01", "C02"}
    text = key.read_text(encoding="utf-8-sig")
    assert {"Ann Doe", "Bo Li", "Kim", "Lou"} <= set(text.replace("\n", ",").split(","))
    assert not {"Ann", "Kim"} & set(copies["sessions"].read_text(encoding="utf-8-sig").split())
    with pytest.raises(FolderError, match="expected a free name"):
        write_recoded(opened, place_columns(opened), path)


# --- adoption ------------------------------------------------------------------------------------


def test_days_of_adoption_come_from_a_table_or_by_hand(tmp_path: Path) -> None:
    path = write(
        tmp_path, "client,date,trainer", "C01,2025-03-04,T1", "C02,2025-03-05,T2", "C03,2025-03-05,T3"
    )
    table = write(tmp_path, "trainer,adopted_on", "T1,2025-02-01", name="trainers.csv")
    log = read_attendance(
        path, tables={"trainers": table}, adopted={"T2": dt.date(2025, 3, 1), "T3": "never"}, settings=TODAY
    )
    assert log.adopted.tolist() == [day("2025-02-01"), day("2025-03-01"), UNKNOWN_DAY]
    assert not log.marked
    with pytest.raises(ArgumentError, match="adopted: expected a trainer of the records"):
        read_attendance(path, adopted={"T9": "never"}, settings=TODAY)


def test_closures_and_pauses_that_end_before_they_begin(tmp_path: Path) -> None:
    path = write(tmp_path, "client,date", "C01,2025-03-04")
    closures = write(
        tmp_path, "first_day,last_day", "2025-12-24,2026-01-02", "2025-08-09,2025-08-01", name="closures.csv"
    )
    log = read_attendance(path, tables={"closures": closures}, settings=TODAY)
    assert log.closures == ((day("2025-12-24"), day("2026-01-02")),)
    assert [item.reason for item in log.noticed] == ["it ends before it begins"]


# --- facts at joining ----------------------------------------------------------------------------


def facts_of(folder: Path, *lines: str, facts: tuple[str, ...] | None = None) -> AttendanceLog:
    table = write(folder, *lines, name="clients.csv")
    settings = ReadingSettings(today=TODAY.today, facts=facts)
    return read_attendance(write(folder, HEADER, *plain_rows()), tables={"clients": table}, settings=settings)


def test_facts_are_levels_the_most_frequent_first_and_numbers_are_banded(tmp_path: Path) -> None:
    rows = [f"C{n:03d},{'health' if n % 3 else 'sport'},{20 + 5 * n},{n / 2}" for n in range(12)]
    log = facts_of(tmp_path, "client,goal,age,visits before", *rows)
    found = {fact.name: fact for fact in log.facts}
    assert found["goal"].levels == ("health", "sport")
    assert set(found["age"].levels) == {"below 30", "30 to below 45", "45 to below 60", "from 60"}
    assert len(found["visits before"].levels) == 3
    assert [found["goal"].levels[place] for place in found["goal"].level[:3]] == ["sport", "health", "health"]


def test_columns_that_are_no_facts_stay_aside_and_are_told(tmp_path: Path) -> None:
    rows = [f"C{n:03d},street {n},2025-01-0{n % 9 + 1}," for n in range(12)]
    log = facts_of(tmp_path, "client,address,last visit,empty", *rows)
    assert log.facts == ()
    told = " ".join(str(finding) for finding in log.findings)
    assert "column address: expected at most 8 different values, or numbers; found 12 different" in told
    assert "column last visit" in told
    assert "only empty cells" in told
    assert "street" not in told


def test_named_facts_only_and_an_unknown_name_is_a_finding(tmp_path: Path) -> None:
    rows = [f"C{n:03d},a,b" for n in range(12)]
    log = facts_of(tmp_path, "client,goal,contract", *rows, facts=("Goal", "colour"))
    assert [fact.name for fact in log.facts] == ["goal"]
    assert any("a column colour" in str(finding) for finding in log.findings if finding.severity == "stop")


def test_clients_who_stand_twice_and_joining_dates_in_the_future(tmp_path: Path) -> None:
    log = facts_of(
        tmp_path,
        "client,joined_on",
        "C001,2025-05-01",
        "C001,2025-05-20",
        "C002,2062-05-01",
        "c003,2025-06-01",
    )
    assert log.joined[1] == day("2025-05-01")
    assert log.joined[2] == UNKNOWN_DAY
    assert log.joined[log.clients.index("c003")] == day("2025-06-01")
    reasons = {item.reason for item in log.noticed}
    assert reasons == {"a client who stands there twice", "a joining date in the future"}
    assert any("They were taken as one" in str(finding) for finding in log.findings)


def test_joining_dates_may_stand_in_the_export_itself(tmp_path: Path) -> None:
    lines = ("client,date,joined_on", "C1,2025-03-04,2025-03-01", "C1,2025-03-08,2025-03-02",
             "C2,2025-03-05,", "C3,2025-03-05,2025-03-05")  # fmt: skip
    log = read_attendance(write(tmp_path, *lines), settings=TODAY)
    assert log.joined.tolist() == [day("2025-03-01"), UNKNOWN_DAY, day("2025-03-05")]
    assert [(item.reason, item.rows.tolist()) for item in log.noticed] == [
        ("another joining date than in other rows of the client", [3])
    ]
