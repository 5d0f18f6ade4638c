"""A studio in which nothing is symmetric, and every number that a look back at it gives.

``python -m tests.unit.lookback.pinned`` writes the numbers anew, after a change that is meant to move them;
that they are right is shown elsewhere, by hand, by simulation and against other software.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, AttendanceLog, ClientFact, Spans
from studykit.lookback.look_back import look_back
from studykit.lookback.look_back_results import LookBack
from studykit.results import to_plain
from synthetic_data.simulated_studio import StudioTruth, simulated_log

PLACE = Path(__file__).with_name("pinned.json")
TRUTH = StudioTruth(
    clients=260, days=600, starting=0.03, hazard_ratio=0.6, trainer_leaving=0.3, trainer_starting=-0.4,
    attendance_leaving=-0.3, attendance_starting=0.4,
)  # fmt: skip


def rich_log() -> AttendanceLog:
    """Marks missing here and there, two of four trainers who began at a date, facts, pauses, bookings."""
    log = simulated_log(TRUTH, 11)
    rng = np.random.default_rng(12)
    marks = log.session_partner_reps.copy()
    marks[rng.random(len(marks)) < 0.04] = UNKNOWN
    joined = log.joined.copy()
    joined[::41] = UNKNOWN_DAY
    goal = rng.choice([0, 1, 2, UNKNOWN], size=len(joined), p=[0.5, 0.3, 0.15, 0.05])
    paused = np.arange(3, 90, 11)
    first = log.first_day + 150 + 4 * paused
    adopted = np.full(len(log.trainers), UNKNOWN_DAY)
    adopted[[0, 2]] = log.first_day + np.array([240, 310])
    missed = np.flatnonzero(rng.random(len(marks)) < 0.07)
    return dataclasses.replace(
        log,
        missed_client=log.session_client[missed],
        missed_day=log.session_day[missed] + 1,
        session_partner_reps=marks,
        joined=joined,
        facts=(ClientFact("goal", ("fitness", "strength", "weight"), goal),),
        pauses=Spans(paused, first, first + 9 + paused % 5, np.where(paused % 2, first - 3, UNKNOWN_DAY)),
        closures=((log.first_day + 176, log.first_day + 187),),
        adopted=adopted,
    )


def looks() -> dict[str, LookBack]:
    """With trainers who began, compared with others; and by before and after alone, without marks."""
    log = rich_log()
    own = np.full(len(log.trainers), log.first_day + 290)
    unmarked = dataclasses.replace(
        log, marked=False, session_partner_reps=np.full_like(log.session_partner_reps, UNKNOWN), adopted=own
    )
    return {
        "marked": look_back(log, bootstrap=30, seed=7, horizon=166, grace_weeks=5, landmarks=(35, 70)),
        "unmarked": look_back(unmarked, horizon=140, absence_days=30),
    }


def numbers(look: LookBack) -> dict[str, float]:
    """Every number by its place; of long columns the ends, the middle, and how large they are together."""
    return dict(_leaves(to_plain(look), ""))


def _leaves(plain: Any, place: str) -> Iterator[tuple[str, float]]:
    if isinstance(plain, dict):
        for name, value in plain.items():
            yield from _leaves(value, f"{place}/{name}")
    elif isinstance(plain, list) and len(plain) > 3 and all(isinstance(item, int | float) for item in plain):
        yield f"{place}/length", len(plain)
        yield f"{place}/total", float(np.sum(np.array(plain) * np.arange(1, len(plain) + 1)))
    elif isinstance(plain, list):
        for number, value in enumerate(plain):
            yield from _leaves(value, f"{place}/{number}")
    elif isinstance(plain, int | float):
        yield place, float(f"{plain:.8g}")


if __name__ == "__main__":
    found = {name: numbers(look) for name, look in looks().items()}
    PLACE.write_text(json.dumps(found, indent=0) + "\n", encoding="utf-8")
