"""A look back at a million rows, from file to page.

Limits: 20 s and 1.5 GB in one process. The export is that of an invented studio of 15,000 clients; one row in
ten is a booking that was not kept. How to run: see `timing`, with PYTHONPATH=. before it.
"""

from __future__ import annotations

import csv
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from timing import Line, show

from studykit.study.looking_back import Said, Wish, look_back_from
from synthetic_data.simulated_studio import StudioTruth, simulated_log

ROWS = 1_000_000
STUDIO = StudioTruth(
    clients=15_500, trainers=12, days=900, days_before=300, starting=0.03, leaving=0.012, hazard_ratio=0.8,
    sessions_per_week=2.2,
)  # fmt: skip
FIRST_DAY = np.datetime64("2023-01-02")


def export(folder: Path) -> tuple[Path, Path]:
    """The attendance and the joining dates, as files."""
    log = simulated_log(STUDIO, 1)
    attended = min(log.session_day.size, ROWS)
    missed = ROWS - attended
    again = np.linspace(0, attended - 1, missed).astype(int)
    place = np.concatenate((np.arange(attended), again))
    day = log.session_day[place] + np.repeat([0, 1], [attended, missed])
    columns = (
        np.array(log.clients)[log.session_client[place]],
        (FIRST_DAY + np.minimum(day, STUDIO.days - 1)).astype(str),
        np.array(log.trainers)[log.session_trainer[place]],
        np.repeat(["attended", "cancelled"], [attended, missed]),
        log.session_partner_reps[place].astype(str),
    )
    files = folder / "export.csv", folder / "clients.csv"
    with files[0].open("w", newline="", encoding="utf-8") as stream:
        stream.write("client,date,trainer,status,partner_reps\n")
        csv.writer(stream, lineterminator="\n").writerows(
            zip(*(item.tolist() for item in columns), strict=True)
        )
    with files[1].open("w", newline="", encoding="utf-8") as stream:
        stream.write("client,joined_on\n")
        joined = (FIRST_DAY + log.joined).astype(str).tolist()
        csv.writer(stream, lineterminator="\n").writerows(zip(log.clients, joined, strict=True))
    return files


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        file, clients = export(Path(folder))
        began, used = time.perf_counter(), time.process_time()
        done = look_back_from(Wish(file, Said(tables={"clients": str(clients)})))
        elapsed, processor = time.perf_counter() - began, time.process_time() - used
        assert done.log.rows.supplied == ROWS
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    return show(
        "A look back at a million rows",
        (
            Line("from file to page, processor seconds", processor, 20.0, "limit", 1.0),
            Line("from file to page, seconds", elapsed, 20.0, "limit on a quiet machine"),
            Line("memory at the most, GB", memory, 1.5, "limit", 1.0),
        ),
        unit="s or GB",
        factor=1.0,
    )


if __name__ == "__main__":
    sys.exit(main())
