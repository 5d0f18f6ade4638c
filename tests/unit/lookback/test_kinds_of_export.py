"""Exports with the mess of real life, each a small file of our own, with every row accounted for.

Each kind says how many rows it has, how many of them become sessions, what is told, and what is asked where
it cannot be read; where something can be said to settle it, it is said, and the account follows.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from openpyxl import Workbook
from openpyxl.styles import PatternFill

from studykit.errors import DataError, StudykitError
from studykit.lookback.attendance_reading import ReadingSettings, read_attendance
from studykit.lookback.episodes import first_session_as_joining, follow_clients
from studykit.lookback.export_columns import place_columns
from studykit.lookback.export_tables import open_attendance
from studykit.lookback.identity import write_recoded
from studykit.lookback.log import UNKNOWN_DAY, AttendanceLog, day_number
from studykit.lookback.look_back import account_of
from studykit.lookback.silence import refuse_silence

TODAY = dt.date(2026, 2, 1)
MONDAY = dt.date(2025, 3, 3)
HEADER = ("client", "date", "trainer", "partner_reps")
Rows = list[Sequence[Any]]


def sessions(clients: int = 7, weeks: int = 30) -> Rows:
    """Every client once a week, on another day of it; partner reps in four of nine sessions; by day."""
    found = [
        (f"C{client:02d}", MONDAY + dt.timedelta(days=7 * week + client % 5), f"T{client % 3}",
         "yes" if (client + 2 * week) % 9 < 4 else "no")
        for week in range(weeks)
        for client in range(clients)
    ]  # fmt: skip
    return sorted(found, key=lambda row: (row[1], row[0]))


def text(rows: Rows, header: Sequence[str] = HEADER, *, mark: str = ",") -> str:
    stream = io.StringIO()
    csv.writer(stream, delimiter=mark, lineterminator="\n").writerows([header, *rows])
    return stream.getvalue()


def marked(write: Callable[[int, Sequence[Any]], str]) -> str:
    """The sessions with other words for partner reps."""
    return text([(*row[:3], write(number, row)) for number, row in enumerate(sessions())])


def dated(write: Callable[[dt.date], str], which: Callable[[dt.date], bool] = lambda _day: True) -> str:
    """The sessions day first, some of their dates written otherwise."""
    rows = [
        (row[0], write(row[1]) if which(row[1]) else f"{row[1]:%d/%m/%Y}", *row[2:]) for row in sessions()
    ]
    return text(rows)


def book(folder: Path, sheets: Mapping[str, Rows], *, merged: str = "", coloured: int = 0) -> Path:
    made = Workbook()
    made.remove(made.active)
    for title, rows in sheets.items():
        sheet = made.create_sheet(title)
        for row in rows:
            sheet.append([*row])
        if merged:
            sheet.merge_cells(merged)
        for number in range(2, 2 + coloured):
            sheet.cell(number, 2).fill = PatternFill("solid", fgColor="FFFF0000")
    made.save(folder / "export.xlsx")
    return folder / "export.xlsx"


@dataclass(frozen=True)
class Kind:
    """One kind of export.

    ``told`` must stand among the findings, ``asked`` in the refusal without ``said``.
    """

    content: str | bytes | Callable[[Path], Path]
    supplied: int = 210
    attended: int = 210
    partner_reps: int = 92
    told: tuple[str, ...] = ()
    asked: str = ""
    said: Mapping[str, Any] = field(default_factory=dict)
    settings: Mapping[str, Any] = field(default_factory=dict)
    always: Mapping[str, Any] = field(default_factory=dict)


ALL = sessions()
DONE = sum(row[3] == "yes" for row in ALL)
PLAIN = text(ALL)
LINES = PLAIN.splitlines()
JUNE = dt.date(2025, 6, 1), dt.date(2025, 6, 21)


def in_june(day: dt.date) -> bool:
    return JUNE[0] <= day <= JUNE[1]


def wide(heading: Callable[[dt.date], str], cell: Callable[[str], str], days: Sequence[dt.date]) -> str:
    clients = [f"C{client:02d}" for client in range(6)]
    rows = [
        (client, *("" if (place + number) % 3 == 0 else cell("yes" if place % 2 else "")
                   for place in range(len(days))))
        for number, client in enumerate(clients)
    ]  # fmt: skip
    return text(rows, ("client", *map(heading, days)))


DAYS = [MONDAY + dt.timedelta(days=2 * place) for place in range(9)]
WEEKS = [MONDAY + dt.timedelta(days=7 * place) for place in range(9)]

KINDS: dict[str, Kind] = {
    "a clean file": Kind(PLAIN),
    "semicolons and a mark at the start": Kind(("\ufeff" + text(ALL, mark=";")).encode()),
    "tabs in UTF-16": Kind(text(ALL, mark="\t").encode("utf-16")),
    "bars between cells": Kind(text(ALL, mark="|")),
    "an older encoding": Kind(
        text([(*row, "Müller rang an") for row in ALL], (*HEADER, "aside")).encode("cp1252"),
        told=("another encoding", "aside. They are not used"),
    ),
    "a title above, a total below": Kind(
        "Attendance 2025,,,\nexported,2025-10-01,,\n\n" + PLAIN + "Total,,,92\n", 211,
        told=("the names in row 4", "found a total of other rows"),
    ),
    "a title that reads like a status": Kind(
        "Attendance\n\n" + PLAIN, told=("the names in row 3",),
    ),
    "the header again in the middle": Kind(
        "\n".join([*LINES[:90], LINES[0], *LINES[90:150], LINES[0].upper(), *LINES[150:]]) + "\n", 212,
        told=("the header in the middle of the rows",),
    ),
    "blank columns": Kind(
        text([("", *row[:2], "", *row[2:], "") for row in ALL], ("", *HEADER[:2], "", *HEADER[2:], ""))
    ),
    "a header that has to be named": Kind(
        "1,2,3,4\nKunde,Tag,Coach,PR\n" + "\n".join(LINES[1:]) + "\n",
        asked="Say which it is: --column",
        said={"header": 2, "columns": {"client": "Kunde", "date": "Tag", "trainer": "Coach",
                                       "partner_reps": "PR"}},
    ),
    "a sheet for each year": Kind(
        lambda folder: book(folder, {"A": [HEADER, *ALL[:70]], "B": [HEADER, *ALL[70:]]}),
        told=("2 sheets with the same columns: A (70 rows), B (140 rows). They were read together",),
    ),
    "a sheet of another kind beside": Kind(
        lambda folder: book(folder, {"A": [HEADER, *ALL], "ideas": [("what", "who"), ("mat", "T1")]}), 211,
        told=("sheet ideas",),
    ),
    "a year with a column more": Kind(
        lambda folder: book(folder, {"A": [HEADER, *ALL[:70]],
                                     "B": [(*HEADER, "room"), *((*row, "1") for row in ALL[70:])]}),
        asked="say which to read: --sheet NAME", said={"sheets": ["A"]}, supplied=210, attended=70,
        partner_reps=32,
    ),
    "titles, merged clients and a total in a workbook": Kind(
        lambda folder: book(
            folder,
            {"2025": [("Studio list",), (), HEADER,
                      *((row[0] if number == 0 else None, *row[1:]) for number, row in enumerate(
                          sorted(ALL)[:30])), *sorted(ALL)[30:], ("Total", None, None, 92)]},
            merged="A4:A33",
        ), 211, told=("the names in row 3", "a total of other rows"),
    ),
    "a column for each day": Kind(
        wide(lambda day: day.isoformat(), lambda done: "x PR" if done else "x", DAYS), 36, 36, 16,
        told=("a column for each of 9 days",),
    ),
    "a column for each week": Kind(
        wide(lambda day: f"KW {day.isocalendar().week} 2025", lambda done: "2" if done else "x", WEEKS),
        52, 52, 0, told=("a column for each of 9 weeks", "dated from the Monday"),
    ),
    "a column for each month": Kind(
        text([("C1", 4, 5, 6, 7)], ("client", "Jan 2025", "Feb 2025", "Mar 2025", "Apr 2025")),
        asked="one row for each session (client, date, trainer, status)",
    ),
    "a row for each client and month": Kind(
        text([("C1", "2025-03", 8), ("C1", "2025-04", 7)], ("client", "month", "sessions")),
        asked="found months in column month, and no days",
    ),
    "remarks that hold the marks": Kind(
        text([(*row[:3], "PR x3" if row[3] == "yes" else "tired" if n % 7 == 0 else "")
              for n, row in enumerate(ALL)], (*HEADER[:3], "notes")),
        asked="--column partner_reps=notes", said={"columns": {"partner_reps": "notes"}},
    ),
    "marks by colour only": Kind(
        lambda folder: book(folder, {"2025": [HEADER[:3], *(row[:3] for row in ALL)]}, coloured=44),
        partner_reps=0, told=("44 cells with a colour", "type x into a new column partner_reps"),
    ),
    "ja and nein": Kind(marked(lambda _n, row: "ja" if row[3] == "yes" else "Nein")),
    "counts with words": Kind(
        marked(lambda n, row: ("3 reps", "2x", "8-10", "x4")[n % 4] if row[3] == "yes" else "0"),
    ),
    "not recorded, as people write it": Kind(
        marked(lambda n, row: ("n/a", "?", "unknown")[n % 3] if n < 9 else row[3]), partner_reps=DONE - 5,
    ),
    "a few words that nobody explained": Kind(
        marked(lambda n, row: "perhaps" if n in (30, 70) else "ask Tom" if n == 9 else row[3]),
        partner_reps=DONE - 3, told=("'perhaps' (2), 'ask Tom' (1)", "--mark WORD=yes"),
    ),
    "most marks unexplained": Kind(
        marked(lambda n, row: ("good" if row[3] == "yes" else "bare") if n % 2 else row[3]),
        asked="at most 10 % of the marks of partner reps unexplained; found 105 of 210",
        settings={"marks": {"good": "yes", "bare": "no"}},
    ),
    "three weeks month first": Kind(
        dated(lambda day: f"{day:%m/%d/%Y}", in_june), asked="rows that are month first",
        said={"date_order": "day"}, attended=190, partner_reps=84,
        told=("found '06/13/2025'", "expected day first, as in most rows"),
    ),
    "one slip in a date": Kind(
        dated(lambda day: f"{day:%m/%d/%Y}", lambda day: day == dt.date(2025, 6, 17)), attended=208,
        partner_reps=91, told=("Read day first",),
    ),
    "one row 43 days after the last": Kind(
        PLAIN + "C01,2025-11-08,T1,no\n", 211, told=("a day near the other sessions",),
    ),
    "exported long after": Kind(
        PLAIN, asked="Say when they were exported", always={"extracted_on": TODAY},
        settings={"gaps": {(day_number(ALL[-1][1]) + 1, day_number(TODAY)): "missing"}},
    ),
    "a summer without sessions": Kind(
        text([row for row in ALL if not dt.date(2025, 6, 1) <= row[1] <= dt.date(2025, 8, 10)]), 140, 140, 60,
        asked="none from 2025-05-31 to 2025-08-10",
        settings={"gaps": {(day_number(dt.date(2025, 5, 31)), day_number(dt.date(2025, 8, 10))): "closed"}},
    ),
    "trainers who never ticked": Kind(
        text([(*row[:3], "x" if row[3] == "yes" and row[2] != "T2" else "") for row in ALL]),
        partner_reps=sum(row[3] == "yes" and row[2] != "T2" for row in ALL),
        told=("ticks of every trainer", "T2 (60 sessions)"),
    ),
    "client_id and trainer_id": Kind(
        text(ALL, ("client_id", "date", "Trainer ID", "partner_reps")),
        told=("It was taken as client.", "It was taken as trainer."),
    ),
    "other names of the trade": Kind(
        text(ALL, ("Member", "date", "Coach", "partner_reps")), asked="--column client=Member",
        said={"columns": {"client": "Member", "trainer": "none"}},
    ),
    "no marks at all": Kind(text([row[:3] for row in ALL], HEADER[:3]), partner_reps=0),
}  # fmt: skip


def read(kind: Kind, folder: Path, *, settled: bool) -> AttendanceLog:
    if callable(kind.content):
        path = kind.content(folder)
    else:
        path = folder / "export.csv"
        content = kind.content.encode() if isinstance(kind.content, str) else kind.content
        path.write_bytes(content)
    chosen = {**kind.always, **(kind.settings if settled else {})}
    log = read_attendance(
        path, settings=ReadingSettings(**{"today": TODAY, **chosen}), **(kind.said if settled else {})
    )
    refuse_silence(log, 28)
    return log


def test_there_are_31_kinds_and_more() -> None:
    assert len(KINDS) >= 31


@pytest.mark.parametrize("name", [name for name, kind in KINDS.items() if kind.asked])
def test_what_cannot_be_read_is_refused_with_what_to_say(name: str, tmp_path: Path) -> None:
    with pytest.raises(StudykitError) as caught:
        read(KINDS[name], tmp_path, settled=False)
    assert KINDS[name].asked in str(caught.value)


MONTHS = ("a column for each month", "a row for each client and month")


@pytest.mark.parametrize("name", [name for name in KINDS if name not in MONTHS])
def test_every_row_is_accounted_for_and_what_was_done_is_told(name: str, tmp_path: Path) -> None:
    kind = KINDS[name]
    log = read(kind, tmp_path, settled=True)
    supposed, _ = first_session_as_joining(log, quiet_days=0)
    account = account_of(supposed, follow_clients(supposed), ())
    assert (account.rows.supplied, account.rows.used) == (kind.supplied, kind.attended)
    assert int((log.session_partner_reps > 0).sum()) == kind.partner_reps
    assert not {"Total", "client", ""} & {code for code in log.clients if not code.startswith("C")}
    said = "\n".join(map(str, log.findings))
    for words in kind.told:
        assert words in said


def test_dates_of_the_other_order_move_nothing(tmp_path: Path) -> None:
    """Three weeks of June are left out but for 6 June, which is the same either way."""
    kind = KINDS["three weeks month first"]
    log = read(kind, tmp_path, settled=True)
    days = {MONDAY + dt.timedelta(days=int(day) - day_number(MONDAY)) for day in log.session_day}
    assert days == {row[1] for row in ALL if not in_june(row[1])} | {dt.date(2025, 6, 6)}
    left = dict(log.rows.left_out)
    assert left == {
        "a date that cannot be read": 8,
        "a date that can be two days, among dates in the other order": 12,
    }


def test_a_week_in_which_nobody_ever_trains_speaks_for_the_other_order(tmp_path: Path) -> None:
    """Seventeen ambiguous dates of one month, all month first: no row of them is clear."""
    rows = [row for row in sessions(weeks=40) if row[1] <= dt.date(2025, 10, 3)]
    early = [(row[0], f"{row[1]:%m/%d/%Y}" if row[1] > dt.date(2025, 8, 31) and row[1].day < 13
              else f"{row[1]:%d/%m/%Y}", *row[2:]) for row in rows]  # fmt: skip
    (tmp_path / "export.csv").write_text(text(early), encoding="utf-8")
    with pytest.raises(DataError, match=r"rows \d+, .* rows that are month first") as stopped:
        read_attendance(tmp_path / "export.csv", settings=ReadingSettings(today=TODAY))
    named = re.search(r"rows (\d+), (\d+)", str(stopped.value))
    assert named is not None
    assert all(rows[int(row) - 2][1] > dt.date(2025, 8, 31) for row in named.groups())


def test_half_of_the_joining_dates_are_no_worse_than_none(tmp_path: Path) -> None:
    """Those without one are handled as if there were no list; those with one keep it."""
    (tmp_path / "export.csv").write_text(PLAIN + text(
        [(f"C{n}", MONDAY + dt.timedelta(days=90 + n + 7 * week), "T0", "no") for n in range(20, 26)
         for week in range(9)]).split("\n", 1)[1], encoding="utf-8")  # fmt: skip
    log = read_attendance(tmp_path / "export.csv", settings=ReadingSettings(today=TODAY))
    none, _ = first_session_as_joining(log, quiet_days=56)
    known = np.array(none.joined)
    known[[place for place, code in enumerate(log.clients) if code > "C22"]] = UNKNOWN_DAY
    half = np.where(np.arange(len(known)) % 2 == 0, known, UNKNOWN_DAY)
    some, told = first_session_as_joining(replace(log, joined=half), quiet_days=56)
    assert (some.joined != UNKNOWN_DAY).sum() == (none.joined != UNKNOWN_DAY).sum() == 6
    assert "6 of them were" not in str(told[0])
    assert "first seen 56 days or more after" in str(told[0])


def test_only_people_get_codes(tmp_path: Path) -> None:
    """The header in the middle and a total are not recoded, nor anything that nobody accepted as a person."""
    rows = [("Ann Doe", *row[1:]) if n % 2 else ("Bo Li", *row[1:]) for n, row in enumerate(ALL)]
    (tmp_path / "export.csv").write_text(text([*rows, HEADER, ("Total", "", "", 90)]), encoding="utf-8")
    opened = open_attendance(tmp_path / "export.csv")
    _, key = write_recoded(opened, place_columns(opened), tmp_path / "export.csv")
    people = {line.split(",")[2] for line in key.read_text(encoding="utf-8-sig").splitlines()[1:]}
    assert people == {"Ann Doe", "Bo Li", "T0", "T1", "T2"}


def test_whoever_was_there_before_marks_were_made_has_perhaps_begun(tmp_path: Path) -> None:
    """A fact of the reading: practice is older than the records unless somebody says since when."""
    (tmp_path / "export.csv").write_text(PLAIN, encoding="utf-8")
    path, today = tmp_path / "export.csv", ReadingSettings(today=TODAY)
    assert read_attendance(path, settings=today).practice_from == UNKNOWN_DAY
    told = ReadingSettings(today=TODAY, practice_from=dt.date(2025, 3, 10))
    assert read_attendance(path, settings=told).practice_from == day_number(dt.date(2025, 3, 10))
    adopted = {"T0": dt.date(2025, 5, 1), "T1": "never", "T2": dt.date(2025, 4, 7)}
    assert read_attendance(path, adopted=adopted, settings=today).practice_from == day_number(
        dt.date(2025, 4, 7)
    )
    del adopted["T1"]
    assert read_attendance(path, adopted=adopted, settings=today).practice_from == UNKNOWN_DAY
