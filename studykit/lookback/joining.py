"""Records without any joining date: the first session stands for it, where it can."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from studykit.errors import Finding
from studykit.lookback.log import UNKNOWN_DAY, AttendanceLog
from studykit.results import frozen_array


def first_session_as_joining(
    log: AttendanceLog, *, quiet_days: int
) -> tuple[AttendanceLog, tuple[Finding, ...]]:
    """Take the first session as the day of joining, where nobody's joining date is known.

    Clients who were not seen in the first ``quiet_days`` of the records are taken as new; whoever was seen
    then may have trained for years, and stays without a joining date. Where some joining dates are known,
    nothing is supposed about the others.

    Parameters
    ----------
    log : AttendanceLog
    quiet_days : int
        Twice the absence that makes a departure, say, so that few who come back are taken as new.

    Returns
    -------
    log : AttendanceLog
    findings : tuple of Finding
        What was supposed; empty where nothing was.
    """
    if (log.joined != UNKNOWN_DAY).any() or not log.session_day.size:
        return log, ()
    clients, first = np.unique(log.session_client, return_index=True)
    day = log.session_day[first]
    new = day >= log.first_day + quiet_days
    if not new.any():
        return log, ()
    joined = np.array(log.joined)
    joined[clients[new]] = day[new]
    found = Finding(
        "warn",
        "look back, joining dates",
        "the dates on which clients joined, in a table of clients",
        f"none that can be used; {int(new.sum())} clients first seen {quiet_days} days or more after the "
        "records begin are taken as "
        f"having joined on the day of their first session, {int((~new).sum())} seen before are left out",
        "Give the joining dates: some of those taken as new may have come back.",
    )
    return replace(log, joined=frozen_array(joined)), (found,)
