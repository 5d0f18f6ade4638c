"""Writes data/clients.csv and data/sessions.csv: new starters of an invented studio, as R reads them.

Run in this folder: python make_data.py. The records come from studykit's simulator; the covariates of the
weight model are written beside each session, so that R needs no more than these files.
"""

from pathlib import Path

import numpy as np

from studykit.lookback.clones import starters_of
from studykit.lookback.episodes import follow_clients
from synthetic_data.simulated_studio import StudioTruth, simulated_log

GRACE = 28
LAST_SESSION = 80  # later sessions decide nothing; they are left out to keep the file small
TRUTH = StudioTruth(
    clients=220,
    trainers=3,
    hazard_ratio=0.6,
    trainer_leaving=0.4,
    trainer_starting=-0.6,
    attendance_leaving=-0.4,
    attendance_starting=0.4,
)


def starters():
    log = simulated_log(TRUTH, 31)
    return starters_of(log, follow_clients(log), grace=GRACE)[0]


def write() -> None:
    data = Path(__file__).parent / "data"
    data.mkdir(exist_ok=True)
    one = starters()
    facts = [f"f{k}" for k in range(one.facts.shape[1])]
    np.savetxt(
        data / "clients.csv",
        np.column_stack((one.end, one.departed, one.trainer, one.facts)),
        delimiter=",",
        header=",".join(("end", "departed", "trainer", *facts)),
        comments="",
        fmt="%.17g",
    )
    history = [f"h{k}" for k in range(one.history.shape[1])]
    np.savetxt(
        data / "sessions.csv",
        np.column_stack(
            (
                one.session_client,
                one.session_day,
                one.session_trainer,
                one.session_partner_reps,
                one.history,
            )
        )[one.session_day <= LAST_SESSION],
        delimiter=",",
        header=",".join(("client", "day", "trainer", "partner_reps", *history)),
        comments="",
        fmt="%.17g",
    )


if __name__ == "__main__":
    write()
