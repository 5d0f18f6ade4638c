"""A column of ticks: an empty cell is no only where somebody could have ticked."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from studykit.lookback.attendance_reading import ReadingSettings, read_attendance
from studykit.lookback.log import UNKNOWN, AttendanceLog

TODAY = ReadingSettings(today=dt.date(2026, 2, 1))
MONDAY = dt.date(2025, 3, 3)


def rows_of(trainer: str, *, first: int, days: int, ticks: frozenset[int] = frozenset()) -> list[str]:
    """A session a day of one trainer, ticked on some days; days since the first Monday of March."""
    return [
        f"C{trainer[1:]}{n % 5},{MONDAY + dt.timedelta(days=n)},{trainer},{'x' if n in ticks else ''}"
        for n in range(first, first + days)
    ]


def read(folder: Path, rows: list[str], **options: object) -> AttendanceLog:
    path = folder / "export.csv"
    path.write_text("\n".join(("client,date,trainer,partner_reps", *rows)) + "\n", encoding="utf-8")
    return read_attendance(path, settings=TODAY, **options)


def marks_of(log: AttendanceLog, trainer: str) -> dict[int, int]:
    """Marks of one trainer's sessions by day since the first Monday of March."""
    own = log.session_trainer == log.trainers.index(trainer)
    zero = (MONDAY - dt.date(1970, 1, 1)).days
    return dict(
        zip((log.session_day[own] - zero).tolist(), log.session_partner_reps[own].tolist(), strict=True)
    )


def noticed(log: AttendanceLog) -> dict[str, tuple[int, str]]:
    return {item.reason: (len(item.rows), item.got) for item in log.noticed}


NEVER = "no mark, and the trainer never ticked any"
BEFORE = "no mark, before the first tick of all"
QUIET = "no mark, in a month in which the trainer ticked none"
TAKEN_AS_NO = "no mark where others are ticked"


def test_a_trainer_who_never_ticked_says_nothing(tmp_path: Path) -> None:
    """T1 ticks every third session; T2 (9 sessions) and T3 (20) never."""
    ticks = frozenset(range(0, 28, 3))
    rows = rows_of("T1", first=0, days=28, ticks=ticks)
    rows += rows_of("T2", first=3, days=9) + rows_of("T3", first=5, days=20)
    log = read(tmp_path, rows)
    assert marks_of(log, "T1") == {n: int(n in ticks) for n in range(28)}
    assert set(marks_of(log, "T2").values()) == set(marks_of(log, "T3").values()) == {UNKNOWN}
    assert noticed(log) == {
        NEVER: (29, "T2 (9 sessions), T3 (20 sessions)"),
        TAKEN_AS_NO: (18, "ticks and empty cells only"),
    }
    assert log.rows.used == 57


def test_never_as_said_makes_blanks_a_no(tmp_path: Path) -> None:
    rows = rows_of("T1", first=0, days=28, ticks=frozenset(range(0, 28, 3)))
    rows += rows_of("T2", first=3, days=9) + rows_of("T3", first=5, days=20)
    log = read(tmp_path, rows, adopted={"T3": "never"})
    assert set(marks_of(log, "T3").values()) == {0}
    assert set(marks_of(log, "T2").values()) == {UNKNOWN}
    assert noticed(log)[NEVER] == (9, "T2 (9 sessions)")
    assert (log.adopted < 0).all()


def test_days_before_the_first_tick_of_all_say_nothing_unless_a_day_is_stated(tmp_path: Path) -> None:
    """Two trainers tick from days 10 and 12 on; a session on the day of the first tick itself is a no."""
    rows = rows_of("T1", first=0, days=28, ticks=frozenset({12, 14, 20}))
    rows += rows_of("T2", first=4, days=20, ticks=frozenset({10, 13, 22}))
    log = read(tmp_path, rows)
    assert marks_of(log, "T1") == {n: UNKNOWN if n < 10 else int(n in (12, 14, 20)) for n in range(28)}
    assert marks_of(log, "T2")[9] == UNKNOWN
    assert noticed(log)[BEFORE] == (16, "the first on 2025-03-13, 16 sessions before")
    stated = read(tmp_path, rows, adopted={"T1": MONDAY + dt.timedelta(days=7)})
    assert [marks_of(stated, "T1")[n] for n in (6, 7, 9, 10)] == [0, UNKNOWN, UNKNOWN, 0]
    assert noticed(stated)[BEFORE] == (9, "the first on 2025-03-13, 9 sessions before")


@pytest.mark.parametrize(("sessions", "told"), [(9, False), (10, True)])
def test_a_month_without_a_tick_is_told_where_luck_does_not_explain_it(
    sessions: int, told: bool, tmp_path: Path
) -> None:
    """In March T1 ticks 14 of 28: without a tick are 9 sessions by luck once in 512, 10 once in 1,024."""
    ticks = frozenset(range(0, 28, 2))
    rows = rows_of("T1", first=0, days=28, ticks=ticks) + rows_of("T1", first=30, days=sessions)
    rows += rows_of("T2", first=0, days=45, ticks=frozenset(range(0, 45, 4)))
    log = read(tmp_path, rows)
    april = [mark for n, mark in marks_of(log, "T1").items() if n >= 30]
    assert april == [UNKNOWN if told else 0] * sessions
    assert noticed(log).get(QUIET) == ((sessions, f"T1 in 2025-04 ({sessions} sessions)") if told else None)
    assert 0 in marks_of(log, "T2").values()


def test_a_written_no_is_believed_whoever_wrote_it(tmp_path: Path) -> None:
    rows = [
        row + ("" if row.endswith("x") else "no")
        for row in rows_of("T1", first=0, days=9, ticks=frozenset({4}))
    ]
    rows += [f"{row}no" for row in rows_of("T2", first=0, days=9)]
    log = read(tmp_path, rows)
    assert set(marks_of(log, "T2").values()) == {0}
    assert log.noticed == ()


def test_without_a_trainer_column_only_time_can_tell(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    lines = [f"C{n % 5},{MONDAY + dt.timedelta(days=n)},{'x' if n in (4, 9) else ''}" for n in range(12)]
    path.write_text("\n".join(("client,date,partner_reps", *lines)) + "\n", encoding="utf-8")
    log = read_attendance(path, settings=TODAY)
    by_day = log.session_partner_reps[np.argsort(log.session_day)].tolist()
    assert by_day == [UNKNOWN] * 4 + [1, 0, 0, 0, 0, 1, 0, 0]


def test_ticks_only_at_sessions_that_were_missed_say_nothing_of_the_others(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    lines = ("C1,2025-03-04,no show,x", "C1,2025-03-05,attended,", "C2,2025-03-06,attended,")
    path.write_text("\n".join(("client,date,status,partner_reps", *lines)) + "\n", encoding="utf-8")
    log = read_attendance(path, settings=TODAY)
    assert log.session_partner_reps.tolist() == [UNKNOWN, UNKNOWN]
    assert not log.marked
