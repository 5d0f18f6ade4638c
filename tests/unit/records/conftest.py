"""A small study, whole and without a mistake: what the tests of this room start from."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from studykit.protocol.types import Protocol
from studykit.records.record_tables import Allocated

START = dt.date(2026, 3, 2)

CLIENTS = """client,trainer,age,sex
C01,T1,44,female
C02,T2,51,male
C03,T1,38,female
C04,T2,60,male
"""
SCREENING = """client,date,eligible,cleared,consented,touch_consented,consent_date,reason
C01,2026-02-16,yes,not needed,yes,yes,2026-02-17,
C02,2026-02-16,yes,yes,yes,yes,2026-02-18,
C03,2026-02-17,yes,not needed,yes,yes,2026-02-19,
C04,2026-02-17,yes,yes,yes,yes,2026-02-19,
C05,2026-02-18,no,no,no,,,not eligible
C06,2026-02-18,yes,not needed,no,,,declined
"""
TRAINERS = """trainer,signed_off_on,observer
T1,2026-02-01,OB
T2,2026-02-01,OB
"""
STRENGTH = """client,visit,date,exercise,load,unit,repetitions,success,assessor,assessor_blind
C01,baseline,2026-02-27,leg_press,80,kg,10,yes,AS,yes
C01,baseline,2026-02-27,chest_press,30,kg,10,yes,AS,yes
C01,week_6,2026-04-13,leg_press,92.5,kg,10,yes,AS,yes
C01,week_6,2026-04-13,chest_press,33,kg,10,yes,AS,no
C02,baseline,2026-02-27,leg_press,120,kg,10,yes,AS,yes
C02,baseline,2026-02-27,leg_press,130,kg,8,no,AS,yes
C02,baseline,2026-02-27,chest_press,50,kg,10,yes,AS,yes
C02,week_6,2026-04-14,leg_press,135,kg,10,yes,AS,yes
C03,baseline,2026-02-28,leg_press,70,kg,10,yes,AS,yes
C03,baseline,2026-02-28,chest_press,25,kg,10,yes,AS,yes
C04,baseline,2026-02-28,leg_press,110,kg,10,yes,AS,yes
C04,baseline,2026-02-28,chest_press,45,kg,10,yes,AS,yes
C04,week_6,2026-04-15,leg_press,121,kg,11,yes,AS,
"""
SESSIONS = """client,date,trainer,status,conventional_sets,partner_reps,partner_sets,partner_sets_as_planned,entered_on
C01,2026-03-03,T1,attended,8,0,0,0,2026-03-03
C01,2026-03-10,T1,no show,,,,,2026-03-10
C01,2026-04-20,T1,attended,8,0,0,0,2026-04-20
C02,2026-03-04,T2,attended,8,6,2,2,2026-03-05
C02,2026-04-14,T1,attended,8,6,2,1,2026-04-14
C03,2026-03-05,T1,cancelled,,,,,2026-03-05
C04,2026-03-09,T2,attended,8,3,1,1,2026-03-09
"""  # noqa: E501 — lines of a file
PAUSES = """client,first_day,last_day,recorded_on,reason
C01,2026-03-16,2026-03-29,2026-03-12,holiday
"""
CLOSURES = """first_day,last_day,reason
2026-04-03,2026-04-06,holidays
"""
DEPARTURES = """client,date,reason,still_reachable,recorded_on
C04,2026-03-20,time,yes,2026-03-20
"""
HARMS = """client,trainer,date,kind,exercise,partner_reps,severity,serious,expected,related,action,outcome,judged_by
C02,,2026-03-06,muscle soreness,leg_press,6,mild,no,yes,probable,none,gone after 2 days,SP
,T2,2026-03-09,strained thumb,,,mild,no,no,probable,rest,healed,SP
"""  # noqa: E501 — lines of a file
WHOLE = {
    "clients": CLIENTS,
    "screening": SCREENING,
    "trainers": TRAINERS,
    "strength": STRENGTH,
    "sessions": SESSIONS,
    "pauses": PAUSES,
    "closures": CLOSURES,
    "departures": DEPARTURES,
    "harms": HARMS,
}


def protocol_of(**changes: Any) -> Protocol:
    """The protocol of the small study, with some of its sections changed."""
    content: dict[str, Any] = {
        "format": 1,
        "design": "parallel",
        "study": {"title": "small", "code": "small", "version": "1", "date": "2026-01-10", "question": "?"},
        "arms": [
            {"code": "conventional", "name": "conventional sets", "reference": True},
            {
                "code": "partner_reps",
                "name": "with partner reps",
                "dose": {"partner_reps_per_set": 3},
            },
        ],
        "exercises": [
            {"code": "leg_press", "name": "leg press", "unit": "kg"},
            {"code": "chest_press", "name": "chest press", "unit": "kg"},
        ],
        "strata": [{"code": "trainer"}, {"code": "sex", "levels": ["female", "male"]}],
        "visits": [
            {"code": "baseline", "name": "baseline", "day": 0, "window": [-14, 0], "baseline": True},
            {"code": "week_6", "name": "week 6", "day": 42},
        ],
        "outcomes": [
            {
                "kind": "continuous",
                "code": "strength",
                "name": "strength",
                "unit": "kg",
                "role": "primary",
                "score": {"rule": "load at repetitions", "repetitions": 10},
                "exercises": ["leg_press", "chest_press"],
                "primary_visit": "week_6",
            },
            {"kind": "retention", "code": "retention", "name": "retention", "horizon_day": 182},
        ],
        "allocation": {"method": "permuted blocks", "strata": ["trainer", "sex"]},
    }
    return Protocol.model_validate({**content, **changes})


@pytest.fixture
def protocol() -> Protocol:
    return protocol_of()


@pytest.fixture
def allocated() -> tuple[Allocated, ...]:
    rows = (
        ("C01", "conventional", "T1", "female"),
        ("C02", "partner_reps", "T2", "male"),
        ("C03", "partner_reps", "T1", "female"),
        ("C04", "conventional", "T2", "male"),
    )
    return tuple(
        Allocated(client, arm, START, trainer, {"trainer": trainer, "sex": sex})
        for client, arm, trainer, sex in rows
    )


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write the whole study, some tables replaced, and give the folder."""

    def into_folder(**tables: str | bytes) -> Path:
        folder = tmp_path / "records"
        folder.mkdir(exist_ok=True)
        for name, text in {**WHOLE, **tables}.items():
            data = text.encode() if isinstance(text, str) else text
            (folder / f"{name}.csv").write_bytes(data)
        return folder

    return into_folder
