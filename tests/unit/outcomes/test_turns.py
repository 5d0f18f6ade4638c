"""Where a client gets both arms: sessions, harms and person-time go to the arm that was given at the time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studykit.outcomes.client_periods import ClientPeriod, by_client_period, client_periods
from studykit.outcomes.delivery import analyse_delivery
from studykit.outcomes.exposure import client_days
from studykit.outcomes.harms import analyse_harms, pause_rule
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Protocol
from studykit.records.rows import Clients, Harm, Sessions, StudyRows
from studykit.shipped import shipped

FIRST = np.datetime64("2026-01-05")


def ready(design: str) -> Protocol:
    return parse_protocol((shipped("protocols") / f"{design}.toml").read_text(encoding="utf-8")).protocol


def clients_of(protocol: Protocol, allocated: list[int]) -> Clients:
    number = len(allocated)
    factors = (("dominant", np.ones(number, dtype=np.int64), ("left", "right")),)
    return Clients(
        tuple(f"C{place}" for place in range(number)), np.array(allocated), protocol.allocated_codes,
        np.zeros(number, dtype=np.int64), ("T1",), factors if protocol.design == "limbs" else (), (),
        np.full(number, FIRST),
    )  # fmt: skip


def sessions_of(clients: Clients, days: list[tuple[int, int]], reps: list[float]) -> Sessions:
    """Attended sessions: client and day, and partner reps."""
    client, day = (np.array(values, dtype=np.int64) for values in zip(*days, strict=True))
    size, nothing = len(days), np.full(len(days), np.nan)
    done = np.array(reps)
    return Sessions(
        clients, client, day, np.ones(size, dtype=bool), np.zeros(size, dtype=np.int64), done,
        np.sign(done), np.sign(done), np.full(size, 8.0), nothing, nothing, nothing, np.ones(size), nothing,
        ("",) * size,
    )  # fmt: skip


def harm(client: int, day: float, exercise: str = "", severity: str = "moderate") -> Harm:
    return Harm(client, "", day, "pain", exercise, severity, False, False, "possible", float("nan"))


def rows_of(
    protocol: Protocol, clients: Clients, sessions: Sessions, *harms: Harm, through: int
) -> StudyRows:
    return StudyRows(clients, {}, None, sessions, harms, None, (), FIRST + np.timedelta64(through, "D"), ())


def test_periods_of_a_crossover_and_a_roll_out() -> None:
    crossover, stepped = ready("crossover"), ready("stepped")
    assert client_periods(crossover, clients_of(crossover, [0, 1])) == (
        ClientPeriod(0, 0, 0, 55), ClientPeriod(0, 1, 84, 139),
        ClientPeriod(1, 1, 0, 55), ClientPeriod(1, 0, 84, 139),
    )  # fmt: skip
    assert client_periods(stepped, clients_of(stepped, [1])) == (
        ClientPeriod(0, 0, 0, 83),
        ClientPeriod(0, 1, 84, 167),
    )


def test_a_parallel_study_stays_as_it_is() -> None:
    protocol = ready("parallel")
    clients = clients_of(protocol, [0, 1])
    rows = rows_of(protocol, clients, sessions_of(clients, [(0, 3)], [0.0]), through=100)
    assert by_client_period(protocol, rows) is rows


def test_harms_and_sessions_of_a_crossover() -> None:
    """A harm in the wash-out counts for the arm before it; every client stands once in each arm."""
    protocol = ready("crossover")
    clients = clients_of(protocol, [0, 1])  # the first: conventional, then partner reps
    days = [(0, 3), (0, 60), (0, 90), (1, 3), (1, 100)]
    sessions = sessions_of(clients, days, [0.0, 0.0, 6.0, 6.0, 0.0])
    rows = rows_of(protocol, clients, sessions, harm(0, 70.0), harm(1, 50.0), harm(1, -2.0), through=139)
    found = analyse_harms(protocol, by_client_period(protocol, rows))
    assert found is not None
    conventional, partner = found.arms
    assert (conventional.clients, partner.clients) == (2, 2)
    assert (conventional.clients_with_harm, partner.clients_with_harm) == (1, 1)
    assert (conventional.events, partner.events) == (1, 2)
    assert (conventional.sessions, partner.sessions) == (3, 2)
    delivered = analyse_delivery(protocol, by_client_period(protocol, rows))
    assert delivered is not None
    assert [arm.with_partner_reps for arm in delivered.arms] == [0, 2]
    assert [arm.contaminated_clients for arm in delivered.arms] == [0, 0]


def test_person_time_ends_with_the_period_or_the_records() -> None:
    protocol = ready("crossover")
    clients = clients_of(protocol, [0])
    rows = rows_of(protocol, clients, sessions_of(clients, [(0, 3), (0, 90)], [0.0, 6.0]), through=100)
    assert client_days(protocol, by_client_period(protocol, rows)).tolist() == [55.0, 16.0]


def test_the_pause_rule_looks_at_the_arm_and_not_at_the_order() -> None:
    """Two severe harms under partner reps, in clients of different orders, are two in one arm."""
    protocol = ready("crossover")
    clients = clients_of(protocol, [0, 1, 0, 1])
    sessions = sessions_of(clients, [(0, 3)], [0.0])
    severe = (harm(0, 90.0, severity="severe"), harm(1, 10.0, severity="severe"))
    rows = rows_of(protocol, clients, sessions, *severe, through=139)
    assert any(
        "2 severe in one arm" in reason for reason in pause_rule(protocol, by_client_period(protocol, rows))
    )
    apart = replace(rows, harms=(harm(0, 10.0, severity="severe"), harm(1, 10.0, severity="severe")))
    assert not any("severe in one arm (limit 2)" in reason and reason.startswith("2 severe")
                   for reason in pause_rule(protocol, by_client_period(protocol, apart)))  # fmt: skip


@pytest.mark.parametrize(
    ("exercise", "dominant", "counts"),
    [
        ("leg_curl_right", 1, [0, 1]), ("leg_curl_left", 1, [1, 0]), ("", 1, [1, 1]),
        ("leg_curl_right", 0, [1, 0]), ("leg_curl_left", 0, [0, 1]),  # left, the first level of the factor
        ("leg_curl_right", -1, [1, 1]), ("leg_curl_left", -1, [1, 1]),  # not recorded
    ],
)  # fmt: skip
def test_a_harm_of_one_side_counts_for_its_arm(exercise: str, dominant: int, counts: list[int]) -> None:
    """The dominant side with partner reps: a harm there is theirs; one of no known side counts for both."""
    protocol = ready("limbs")
    clients = clients_of(protocol, [1])
    clients = replace(clients, factors=(("dominant", np.array([dominant]), ("left", "right")),))
    rows = rows_of(
        protocol, clients, sessions_of(clients, [(0, 3)], [6.0]), harm(0, 5.0, exercise), through=84
    )
    turned = by_client_period(protocol, rows)
    found = analyse_harms(protocol, turned)
    assert found is not None
    assert [arm.events for arm in found.arms] == counts
    assert turned.sessions is not None
    assert turned.sessions.partner_reps.tolist() == [0.0, 6.0], "partner reps are of one side only"
