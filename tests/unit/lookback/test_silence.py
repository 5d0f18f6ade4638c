"""A silence of the whole studio is no departure of everybody: slips, days of export, closures, thin ends."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from studykit.errors import DesignError
from studykit.lookback.attendance_reading import ReadingSettings, read_attendance
from studykit.lookback.episodes import follow_clients
from studykit.lookback.log import AttendanceLog, day_number, day_of
from studykit.lookback.silence import end_of_records, gaps, refuse_silence
from synthetic_data.simulated_studio import StudioTruth, simulated_log

START = dt.date(2025, 1, 6)
LAST = 199  # day of the last session, from the first on


def at(day: int) -> dt.date:
    return START + dt.timedelta(days=day)


def lines(days: range | tuple[int, ...] = range(LAST + 1)) -> list[str]:
    """Three of eleven clients a day; some stop on the way."""
    return [
        f"C{client:02d},{at(day)}"
        for day in days
        for client in {(day * k) % 11 for k in (1, 3, 4)}
        if client % 4 or day < 90 + client
    ]


def read(folder: Path, rows: list[str], closures: str = "", **settings: object) -> AttendanceLog:
    path = folder / "export.csv"
    path.write_text("\n".join(("client,date", *rows)) + "\n", encoding="utf-8")
    tables = {}
    if closures:
        tables["closures"] = folder / "closures.csv"
        tables["closures"].write_text(f"first_day,last_day\n{closures}\n", encoding="utf-8")
    chosen = ReadingSettings(today=dt.date(2026, 6, 1), **settings)
    return read_attendance(path, tables=tables, settings=chosen)


def test_gaps_are_counted_in_days_on_which_the_studio_was_open() -> None:
    found = gaps(np.array([20, 1, 4, 4]), [(5, 14), (24, 24)], 27)
    assert found.before.tolist() == [1, 4, 20]
    assert found.after.tolist() == [4, 20, 27]
    assert found.days.tolist() == [3, 6, 6]


# --- late dates ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("gap", "absence", "left_out"), [
    (27, 28, False), (28, 28, True), (43, 28, True), (59, 28, True), (61, 28, True),
    (43, 56, False), (55, 56, False), (56, 56, True), (13, 14, False), (14, 14, True),
])  # fmt: skip
def test_one_late_row_is_left_out_from_the_very_day_on_which_it_would_make_departures(
    gap: int, absence: int, left_out: bool, tmp_path: Path
) -> None:
    log = read(tmp_path, [*lines(), f"C01,{at(LAST + gap)}"], absence_days=absence)
    assert day_of(log.last_day) == at(LAST if left_out else LAST + gap)
    assert log.rows.left_out == ((("a date far from all others", 1),) if left_out else ())
    told = [str(finding) for finding in log.findings if finding.severity == "stop"]
    assert len(told) == left_out
    assert not left_out or (str(at(LAST + gap)) in told[0] and "--closures FILE" in told[0])


def test_one_early_row_is_left_out_in_the_same_way(tmp_path: Path) -> None:
    assert read(tmp_path, [*lines(), f"C01,{at(-27)}"]).first_day == day_number(at(-27))
    log = read(tmp_path, [*lines(), f"C01,{at(-28)}"])
    assert (log.first_day, log.rows.left_out) == (day_number(START), (("a date far from all others", 1),))


def test_days_of_closure_do_not_make_a_date_far(tmp_path: Path) -> None:
    rows, late = lines(), LAST + 43
    closed = f"{at(LAST + 5)},{at(LAST + 20)}"
    assert read(tmp_path, [*rows, f"C01,{at(late)}"], closed).last_day == day_number(at(late))
    closed = f"{at(LAST + 5)},{at(LAST + 19)}"
    assert read(tmp_path, [*rows, f"C01,{at(late)}"], closed).last_day == day_number(at(LAST))


def test_more_than_a_handful_after_a_silence_are_asked_about(tmp_path: Path) -> None:
    """Twelve of some 580 sessions are no slip: was the studio closed?"""
    rows = lines()
    late = range(LAST + 30, LAST + 36)
    log = read(tmp_path, [*rows, *(f"C{n},{at(day)}" for day in late for n in ("01", "02"))])
    with pytest.raises(DesignError) as caught:
        refuse_silence(log, 28)
    assert f"found none from {at(LAST + 1)} to {at(LAST + 29)}. If the studio was closed" in str(caught.value)
    refuse_silence(
        dataclasses.replace(log, closures=((day_number(at(LAST + 1)), day_number(at(LAST + 29))),)), 31
    )


def test_a_summer_without_sessions_is_refused_and_accepted_as_a_closure(tmp_path: Path) -> None:
    rows = lines((*range(80), *range(172, LAST + 1)))
    with pytest.raises(DesignError, match=f"within every 28 days.*none from {at(80)} to {at(171)}"):
        refuse_silence(read(tmp_path, rows), 28)
    refuse_silence(read(tmp_path, rows, f"{at(80)},{at(171)}"), 28)
    refuse_silence(read(tmp_path, rows), 94)
    with pytest.raises(DesignError):
        refuse_silence(read(tmp_path, rows), 93)


# --- the day of the export -----------------------------------------------------------------------


@pytest.mark.parametrize(("after", "ends"), [(0, 0), (7, 7), (8, 0), (27, 0), (28, 28)])
def test_a_day_of_export_is_believed_as_far_as_the_studio_was_ever_without_a_session(
    after: int, ends: int, tmp_path: Path
) -> None:
    log = read(tmp_path, lines(), extracted_on=at(LAST + after))
    assert day_of(log.last_day) == at(LAST + ends)
    told = [finding for finding in log.findings if "taken to end with the last session" in finding.todo]
    assert [finding.severity for finding in told] == ["warn"] * (ends < after)


def test_a_silence_as_long_as_others_before_it_is_believed() -> None:
    days = np.array([0, 5, 17, 20])
    assert end_of_records(days, (), 32, 28) == 32
    assert end_of_records(days, (), 33, 28) == 20
    assert end_of_records(days, ((21, 30),), 42, 28) == 42
    assert end_of_records(days, ((21, 30),), 43, 28) == 20


def test_a_day_of_export_long_after_the_last_session_is_refused_instead_of_departures(tmp_path: Path) -> None:
    log = read(tmp_path, lines(), extracted_on=at(LAST + 28))
    joined = np.full(len(log.clients), log.first_day)
    everybody = follow_clients(dataclasses.replace(log, joined=joined))
    assert everybody.event.all()  # what the refusal is for
    with pytest.raises(DesignError) as caught:
        refuse_silence(log, 28)
    said = str(caught.value)
    assert f"the last one on {at(LAST)}, records to {at(LAST + 28)}" in said
    assert f"--exported-on {at(LAST)}" in said
    assert "--closures FILE" in said
    with pytest.raises(DesignError, match=r"expected about 68 sessions in the last 29 days.*found 2,"):
        refuse_silence(log, 29)
    refuse_silence(read(tmp_path, lines(), f"{at(LAST + 1)},{at(LAST + 1)}", extracted_on=at(LAST + 28)), 28)


def test_sessions_after_the_day_of_the_export_are_named_as_such(tmp_path: Path) -> None:
    log = read(tmp_path, lines(), extracted_on=at(LAST - 1))
    assert dict(log.rows.left_out) == {"after the day of the export": 2}
    assert log.last_day == day_number(at(LAST - 1))


# --- ends that thin out --------------------------------------------------------------------------


def test_a_few_late_sessions_do_not_carry_the_end_of_the_records(tmp_path: Path) -> None:
    """Some 13 of 67 sessions in 28 days: everybody who did not come then would count as departed."""
    thin = [f"C{n % 11:02d},{at(LAST + 1 + 3 * n)}" for n in range(9)]
    with pytest.raises(DesignError) as caught:
        refuse_silence(read(tmp_path, [*lines(), *thin]), 28)
    said = str(caught.value)
    assert "expected about 67 sessions in the last 28 days, as in others before; found 13," in said
    assert f"--exported-on {at(LAST + 1)}." in said
    refuse_silence(read(tmp_path, [*lines(), *thin[:5]]), 28)


def test_a_small_studio_is_not_thin_by_chance(tmp_path: Path) -> None:
    """Five sessions a week among few: below 20 in 28 days nothing is said."""
    few = [f"C{n % 3},{at(day)}" for n, day in enumerate(range(0, 200, 2))]
    refuse_silence(read(tmp_path, [*few, f"C1,{at(215)}"]), 28)


def test_whole_studios_pass() -> None:
    for seed in range(5):
        refuse_silence(simulated_log(StudioTruth(clients=120), seed), 28)
