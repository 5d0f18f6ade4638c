"""Make the demo export: attendance of an invented studio without any trial, and the truth behind it.

    python -m synthetic_data.make_attendance [FOLDER]

writes FOLDER (default: attendance beside this file) with export.csv (one row for each booked session),
clients.csv (joining dates and facts known then) and truth.json. Everything follows from the seed; two runs
give the same bytes. A few rows are as they are in life: entered twice, without a mark, never settled.
"""

from __future__ import annotations

import csv
import io
import json
import sys
from dataclasses import asdict
from pathlib import Path

import numpy as np

from studykit.randomness import stream
from synthetic_data.simulated_studio import StudioTruth, simulated_log

SEED = 25  # of 40 tried, a draw near the truth, as an example should be; most others lie further off
FIRST_DAY = np.datetime64("2024-07-01")
STUDIO = StudioTruth(
    clients=270,
    trainers=4,
    days=546,
    days_before=300,
    sessions_per_week=1.9,
    spread=0.3,
    leaving=0.019,
    hazard_ratio=0.85,
    starting=0.05,
    dose=0.8,
    trainer_leaving=-0.25,
    trainer_starting=0.6,
    attendance_leaving=-0.35,
    attendance_starting=0.4,
)
"""Trainers and clients who are keen on partner reps also stay longer, which makes looking back hard."""


def export_rows(rng: np.random.Generator) -> tuple[list[tuple[str, ...]], list[tuple[str, ...]]]:
    """Rows of the export and of the clients' table."""
    log = simulated_log(STUDIO, SEED)
    seen = np.unique(log.session_client)
    code = {int(client): f"C{place:03d}" for place, client in enumerate(rng.permutation(seen), start=1)}
    reps = np.where(log.session_partner_reps > 0, rng.integers(3, 13, log.session_day.size), 0)
    rows = [
        (code[int(client)], str(FIRST_DAY + int(day)), f"T{trainer + 1}", "attended", str(count))
        for client, day, trainer, count in zip(
            log.session_client, log.session_day, log.session_trainer, reps, strict=True
        )
    ]
    rows += missed_rows(rows, rng)
    rows.sort(key=lambda row: (row[1], row[0], row[3]))
    return untidy(rows, rng), client_rows(log.joined, code, rng)


def missed_rows(rows: list[tuple[str, ...]], rng: np.random.Generator) -> list[tuple[str, ...]]:
    """One booking in nine is cancelled or not kept, a day after a session that was."""
    taken = {row[:2] for row in rows}
    found = []
    for client, date, trainer, _, _ in rows:
        if rng.random() < 0.11:
            day = str(np.datetime64(date) + int(rng.integers(1, 4)))
            status = "cancelled" if rng.random() < 0.7 else "no show"
            if (client, day) not in taken and day <= str(FIRST_DAY + STUDIO.days - 1):
                taken.add((client, day))
                found.append((client, day, trainer, status, ""))
    return found


def untidy(rows: list[tuple[str, ...]], rng: np.random.Generator) -> list[tuple[str, ...]]:
    """Two rows twice, three without a mark, two bookings that nobody settled."""
    attended = [place for place, row in enumerate(rows) if row[3] == "attended"]
    chosen = sorted(rng.choice(attended, 7, replace=False).tolist())
    for place in chosen[:3]:
        rows[place] = (*rows[place][:4], "")
    for place in chosen[3:5]:
        rows[place] = (*rows[place][:3], "booked", "")
    for place in reversed(chosen[5:]):
        rows.insert(place + 1, rows[place])
    return rows


def client_rows(joined: np.ndarray, code: dict[int, str], rng: np.random.Generator) -> list[tuple[str, ...]]:
    """Joining dates, and facts that were written down then."""
    found = []
    for client, name in sorted(code.items(), key=lambda item: item[1]):
        found.append(
            (
                name,
                str(FIRST_DAY + int(joined[client])),
                str(int(np.clip(rng.normal(46, 13), 18, 82))),
                str(rng.choice(("health", "strength", "weight", "back pain"), p=(0.4, 0.3, 0.2, 0.1))),
                str(rng.choice(("monthly", "yearly"), p=(0.6, 0.4))),
            )
        )
    return found


def written(header: tuple[str, ...], rows: list[tuple[str, ...]]) -> bytes:
    stream_out = io.StringIO()
    csv.writer(stream_out, lineterminator="\n").writerows([header, *rows])
    return stream_out.getvalue().encode("utf-8")


def make_attendance(folder: Path) -> int:
    """Write the export, the clients' table and the truth; gives the number of clients."""
    rows, clients = export_rows(stream(SEED, "demo", "attendance"))
    folder.mkdir(parents=True, exist_ok=True)
    header = ("client", "date", "trainer", "status", "partner_reps")
    (folder / "export.csv").write_bytes(written(header, rows))
    (folder / "clients.csv").write_bytes(written(("client", "joined_on", "age", "goal", "contract"), clients))
    truth = {
        "note": (
            "Invented records. 'hazard_ratio' multiplies the chance that an attended session is the client's "
            "last once partner reps have begun. Trainers and frequent attendance move both partner reps and "
            "leaving; age, goal and contract move neither. One draw, picked among 40 as one near the truth: "
            "most others lie further off by chance, as in life."
        ),
        "made_by": "synthetic_data/make_attendance.py",
        "seed": SEED,
        "settings": asdict(STUDIO),
    }
    (folder / "truth.json").write_bytes((json.dumps(truth, indent=1) + "\n").encode("utf-8"))
    return len(clients)


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent / "attendance"
    print(f"{folder}: {make_attendance(folder)} clients")


if __name__ == "__main__":
    main()
