"""Exposure and attendance are read from sessions up to the one in question."""

import numpy as np

from studykit.lookback.episodes import follow_clients, log_rate, session_facts
from synthetic_data.simulated_studio import StudioTruth, simulated_log


def test_exposure_and_attendance_come_from_earlier_sessions_only():
    log = simulated_log(StudioTruth(clients=150, starting=0.03), 4)
    episodes = follow_clients(log)
    facts = session_facts(log, episodes)
    for client in range(0, 40, 5):
        own = np.flatnonzero(episodes.episode == client)
        for place, k in enumerate(own[:30]):
            so_far = own[: place + 1]
            assert facts.begun[k] == facts.done[so_far].any()
            days = episodes.countable[so_far]
            recent = np.sum(days[:-1] >= days[-1] - 28)
            assert facts.recent[k] == log_rate(recent, min(days[-1], 28))
            assert facts.overall[k] == log_rate(np.array(place), days[-1])
