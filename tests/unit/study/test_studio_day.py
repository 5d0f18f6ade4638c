"""The day of an allocation, a rule and a sheet is the day at the studio, not in Greenwich."""

from __future__ import annotations

import datetime as dt
import re
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from studykit.lookback.attendance_reading import ReadingSettings
from studykit.protocol import local_time
from studykit.study import Study
from studykit.study.session_sheets import write_sheet
from tests.support.answered import answered

pytestmark = pytest.mark.skipif(not hasattr(time, "tzset"), reason="the computer's zone cannot be set here")

At = Callable[[str, str], None]

LOS_ANGELES = ("America/Los_Angeles", "2026-12-01T01:30:00+00:00", dt.date(2026, 11, 30))  # 17:30 there
AUCKLAND = ("Pacific/Auckland", "2026-11-30T20:00:00+00:00", dt.date(2026, 12, 1))  # 9:00 there
GREENWICH = ("UTC", "2026-11-30T20:00:00+00:00", dt.date(2026, 11, 30))


@pytest.fixture
def at(monkeypatch: pytest.MonkeyPatch) -> At:
    """Set the computer's zone, and stop its clock at a moment."""

    def set_to(zone: str, moment: str) -> None:
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        monkeypatch.setattr(local_time, "_now", lambda: dt.datetime.fromisoformat(moment))

    yield set_to
    monkeypatch.undo()
    time.tzset()


def append(folder: Path, table: str, *lines: str) -> None:
    with (folder / "records" / f"{table}.csv").open("a", encoding="utf-8", newline="") as file:
        file.writelines(line + "\n" for line in lines)


def ready(folder: Path, *, time_zone: str = "", tested_on: str = "2026-10-26") -> Study:
    """A locked study with two clients who can be enrolled."""
    study = Study.create(folder)
    path = study.folder / "protocol.toml"
    text = answered(path.read_text(encoding="utf-8"))
    text, changed = re.subn('time_zone = ".*?"', f'time_zone = "{time_zone}"', text)
    assert changed == 1
    path.write_text(text, encoding="utf-8")
    append(study.folder, "trainers", "T1,2026-10-10,OB,")
    for client in ("C01", "C02"):
        append(study.folder, "screening", f"{client},2026-10-25,yes,yes,yes,yes,2026-10-25,,")
        append(study.folder, "clients", f"{client},,T1,41,female,,")
        append(
            study.folder, "strength",
            *(f"{client},baseline,{tested_on},{exercise.code},60,kg,10,yes,,,,"
              for exercise in study.protocol.exercises),
        )  # fmt: skip
    study.lock(by="OW")
    return study


@pytest.mark.parametrize(
    ("zone", "moment", "day", "named"),
    [(*LOS_ANGELES, False), (*AUCKLAND, False), (*GREENWICH, False), (*LOS_ANGELES, True)],
)
def test_enrolled_and_trained_on_one_day(
    tmp_path: Path, at: At, zone: str, moment: str, day: dt.date, named: bool
) -> None:
    at("Asia/Kolkata" if named else zone, moment)
    study = ready(tmp_path / "mine", time_zone=zone if named else "", tested_on=day.isoformat())
    receipt = study.enrol("C01", by="OW")
    assert receipt.time[:10] == day.isoformat()
    assert dt.datetime.fromisoformat(receipt.time) == dt.datetime.fromisoformat(moment)
    assert [client.allocated_on for client in study.allocated()] == [day]
    append(study.folder, "sessions", f"C01,{day},T1,attended,8,,0,0,0,,,,,,,,,{day}")
    assert [str(found) for found in study.check().findings if "2026-1" in str(found)] == []
    retention = study.rows()[0].retention
    assert retention is not None
    assert retention.histories[0].attended == (0,)
    assert write_sheet(study.read(), "C01").plan.today == day
    assert study.audit().passed


def test_an_hour_that_comes_twice_keeps_its_order(tmp_path: Path, at: At) -> None:
    """The clocks of Los Angeles went from 2:00 back to 1:00 on 1 November 2026."""
    at("America/Los_Angeles", "2026-11-01T08:50:00+00:00")
    study = ready(tmp_path / "mine")
    first = study.enrol("C01", by="OW")
    at("America/Los_Angeles", "2026-11-01T09:10:00+00:00")
    second = study.enrol("C02", by="OW")
    assert (first.time, second.time) == ("2026-11-01T01:50:00.000-07:00", "2026-11-01T01:10:00.000-08:00")
    result = study.audit()
    assert result.passed
    assert not [finding for finding in result.findings if "clock" in str(finding)]


def test_an_event_is_late_by_days_of_the_studio(tmp_path: Path, at: At) -> None:
    at("America/Los_Angeles", "2026-11-15T16:00:00+00:00")
    study = ready(tmp_path / "mine")
    at("America/Los_Angeles", "2026-12-01T01:30:00+00:00")  # 30 November there, 14 days after the 16th
    ledger = study.ledger
    assert ledger is not None
    ledger.append("note", {"what": "on time"}, by="OW", event_time="2026-11-16")
    ledger.append("note", {"what": "late"}, by="OW", event_time="2026-11-15")
    late = [finding for finding in study.audit().findings if "entered within" in finding.expected]
    assert [(finding.where, finding.got) for finding in late] == [("ledger, entry 4 (note)", "15 days")]


def test_an_amendment_moves_the_studio_from_its_own_entry_on(tmp_path: Path, at: At) -> None:
    at("UTC", "2026-11-30T20:00:00+00:00")
    study = ready(tmp_path / "mine")
    path = study.folder / "protocol.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('time_zone = ""', 'time_zone = "Pacific/Auckland"'), "utf-8")
    _, changed = study.amend(reason="the computer keeps another time", by="OW")
    assert changed == ("study, time_zone",)
    ledger = study.ledger
    assert ledger is not None
    assert [entry.entry_time for entry in ledger.entries()] == [
        "2026-11-30T20:00:00.000Z", "2026-11-30T20:00:00.000Z", "2026-12-01T09:00:00.000+13:00",
    ]  # fmt: skip


def test_a_look_back_asks_the_studio_what_day_it_is(at: At) -> None:
    at("America/Los_Angeles", LOS_ANGELES[1])
    assert ReadingSettings().last_possible == (dt.date(2026, 11, 30) - dt.date(1970, 1, 1)).days
