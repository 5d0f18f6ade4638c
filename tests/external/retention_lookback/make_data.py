"""Writes data/sessions.csv and data/clients.csv: a small invented studio.

Command, in this folder: python make_data.py. numpy does not promise the same draws in every version; the
committed files are the data.
"""

from pathlib import Path

import numpy as np

from studykit.lookback.episodes import follow_clients, session_facts
from studykit.lookback.session_clock import sessions_at_risk
from synthetic_data.simulated_studio import StudioTruth, simulated_log

HERE = Path(__file__).parent / "data"


def main() -> None:
    truth = StudioTruth(clients=110, trainers=4, days=364, days_before=150, starting=0.04, hazard_ratio=0.6)
    log = simulated_log(truth, 20)
    episodes = follow_clients(log)
    facts = session_facts(log, episodes)
    risk = sessions_at_risk(episodes, facts)
    columns = {
        "client": risk.intervals.client,
        "trainer": facts.trainer[risk.place],
        "exposed": risk.exposed.astype(int),
        "recent": facts.recent[risk.place].round(6),
        "start": risk.intervals.start,
        "stop": risk.intervals.stop,
        "last": risk.last.astype(int),
    }
    write("sessions", columns)
    write("clients", {"entry": episodes.entry, "time": episodes.time, "event": episodes.event.astype(int)})


def write(name: str, columns: dict[str, np.ndarray]) -> None:
    rows = [",".join(columns), *(",".join(map(str, row)) for row in zip(*columns.values(), strict=True))]
    (HERE / f"{name}.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
