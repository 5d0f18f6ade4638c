"""Retention by the protocol's primary analysis: 1,000 simulated trials at once.

60 clients under 6 trainers who deliver both arms, by the ready parallel protocol; the analysis is the
trainer-stratified risk difference with its score interval. Limit: 0.5 s on one core for the analysis of all
1,000. How to run: see `timing`.
"""

from __future__ import annotations

import sys
from dataclasses import replace

from timing import Line, median_seconds, show

from studykit.kinds.retention.analysis import answer
from studykit.protocol.protocol_file import read_protocol
from studykit.shipped import shipped
from studykit.trial.arrays import client_arrays
from studykit.trial.batch import simulate_batch
from studykit.trial.settings import TrialSettings

TRIALS = 1000


def main() -> int:
    """Print one line."""
    protocol = read_protocol(shipped("protocols") / "parallel.toml").protocol
    settings = replace(TrialSettings.from_protocol(protocol, clients=60), trainers=6)
    batch = simulate_batch(settings, TRIALS, seed=4)
    clients, status = client_arrays(protocol, batch), batch.retained.astype(float)
    ours = median_seconds(lambda: answer(protocol, clients, status), repeats=5)
    return show("Retention", [Line(f"{TRIALS} trials", ours, 0.5, "limit", 1.0)])


if __name__ == "__main__":
    sys.exit(main())
