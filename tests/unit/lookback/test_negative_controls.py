"""Comparisons that partner reps cannot have moved (H09)."""

import dataclasses
import math

import numpy as np

from studykit.lookback.episodes import follow_clients, session_facts
from studykit.lookback.log import UNKNOWN_DAY
from studykit.lookback.negative_controls import (
    MISSED,
    PLACEBO,
    made_up_date,
    missed_before,
    negative_controls,
)
from synthetic_data.simulated_studio import StudioTruth, simulated_log

STUDIO = StudioTruth(clients=1500, starting=0.04)


def with_missed_bookings(log, before_beginning):
    """A booking missed on the eve of 2 % of sessions, and of another share of those at which reps begin."""
    rng = np.random.default_rng(4)
    first = np.full(len(log.clients), 10**9)
    marked = log.session_partner_reps == 1
    np.minimum.at(first, log.session_client[marked], log.session_day[marked])
    begins = log.session_day == first[log.session_client]
    missed = rng.random(len(begins)) < np.where(begins, before_beginning, 0.02)
    return dataclasses.replace(
        log, missed_client=log.session_client[missed], missed_day=log.session_day[missed] - 1
    )


def asked(log):
    episodes = follow_clients(log)
    return log, episodes, session_facts(log, episodes)


def test_clients_alike_in_reliability_give_a_ratio_near_one():
    control = missed_before(*asked(with_missed_bookings(simulated_log(STUDIO, 1), 0.02)))
    found = control.association
    assert abs(math.log(found.value)) < 3 * found.standard_error
    assert found.standard_error < 0.15
    assert control.refused == ""


def test_clients_who_begin_because_they_are_unreliable_are_found_out():
    found = missed_before(*asked(with_missed_bookings(simulated_log(STUDIO, 1), 0.3))).association
    assert found.interval.lower > 1.3


def test_bookings_missed_on_the_day_or_later_do_not_count():
    log = with_missed_bookings(simulated_log(STUDIO, 1), 0.3)
    later = dataclasses.replace(log, missed_day=log.missed_day + 1)
    found = missed_before(*asked(later)).association
    assert abs(math.log(found.value)) < 3 * found.standard_error


def test_a_made_up_date_finds_nothing_where_nothing_changed_and_a_change_where_there_was_one():
    log = simulated_log(dataclasses.replace(STUDIO, days=900, clients=2000), 2)
    adopted = np.array([800, 800, UNKNOWN_DAY, UNKNOWN_DAY])
    dated = dataclasses.replace(log, adopted=adopted)
    quiet = made_up_date(dated, follow_clients(dated), horizon=182, least_events=20)
    assert quiet.association.interval.contains(1.0)
    # Clients of the first two trainers stop one session in twelve after day 400, for whatever reason.
    rng = np.random.default_rng(3)
    leaves = (log.session_trainer < 2) & (log.session_day > 400) & (rng.random(len(log.session_day)) < 0.08)
    last = np.full(len(log.clients), 10**9)
    np.minimum.at(last, log.session_client[leaves], log.session_day[leaves])
    kept = log.session_day <= last[log.session_client]
    columns = ("session_client", "session_day", "session_trainer", "session_partner_reps")
    moved = dataclasses.replace(dated, **{name: getattr(log, name)[kept] for name in columns})
    found = made_up_date(moved, follow_clients(moved), horizon=182, least_events=20).association
    assert found.value > 1.8


def test_only_what_the_records_allow_is_listed_and_too_few_are_refused():
    log, episodes, facts = asked(simulated_log(dataclasses.replace(STUDIO, clients=200), 1))
    assert negative_controls(log, episodes, facts, horizon=182, least_events=20) == ()
    few = dataclasses.replace(
        log,
        missed_client=np.array([3]),
        missed_day=np.array([100]),
        adopted=np.full(len(log.trainers), log.last_day - 200),
    )
    found = {
        item.what: item for item in negative_controls(few, episodes, facts, horizon=182, least_events=20)
    }
    assert set(found) == {MISSED, PLACEBO}
    assert found[MISSED].refused.startswith("too few")
    assert found[MISSED].association is None
    nobody = dataclasses.replace(log, adopted=np.full(len(log.trainers), -5))
    refused = made_up_date(nobody, episodes, horizon=182, least_events=20).refused
    assert refused == ("no trainer adopted at a date within the records")
