"""Delivery by arm: attendance, partner reps, fidelity, contamination."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from studykit.outcomes.delivery import analyse_delivery
from studykit.records.rows import StudyRows


@pytest.fixture
def delivery(make_protocol: Any, make_clients: Any, make_sessions: Any) -> Any:
    clients = make_clients([0, 0, 1, 1], [0, 1, 0, 1])
    entries = [
        {"client": 0, "day": 2, "trainer": 0, "partner_reps": 0, "limit_reached": 1, "effort": 8},
        {"client": 0, "day": 5, "trainer": 1, "partner_reps": 2},
        {"client": 1, "day": 9, "attended": 0},
        {"client": 1, "day": -3, "trainer": 1, "partner_reps": 5},
        {"client": 1, "day": 500, "trainer": 1},
        {
            "client": 2,
            "day": 1,
            "trainer": 0,
            "partner_reps": 6,
            "partner_sets": 2,
            "partner_sets_as_planned": 2,
        },
        {
            "client": 2,
            "day": 8,
            "trainer": 0,
            "partner_reps": 6,
            "partner_sets": 2,
            "partner_sets_as_planned": 1,
        },
        {
            "client": 3,
            "day": 4,
            "trainer": 1,
            "partner_reps": 3,
            "partner_sets": 1,
            "partner_sets_as_planned": 0,
        },
    ]
    rows = StudyRows(
        clients=clients, outcomes={}, retention=None, sessions=make_sessions(clients, entries), harms=(),
        screening=None, assessor_blind=(), data_through=np.datetime64("2026-07-06"), table_hashes=(),
        sign_offs=(("T1", np.datetime64("2026-01-10")), ("T2", np.datetime64("NaT"))),
    )  # fmt: skip
    return analyse_delivery(make_protocol(), rows)


def test_attendance_counts_sessions_of_the_study_only(delivery: Any) -> None:
    """C08: sessions before allocation and after the study's end are not delivery."""
    reference, compared = delivery.arms
    assert (reference.booked, reference.attended, reference.attended_share) == (3, 2, pytest.approx(2 / 3))
    assert (compared.booked, compared.attended) == (3, 3)
    assert compared.sessions_per_week == pytest.approx(3 / (2 * 84 / 7))


def test_contamination_is_counted_in_clients(delivery: Any) -> None:
    """C6: partner reps given in the reference arm."""
    reference, compared = delivery.arms
    assert (reference.contaminated_clients, reference.with_partner_reps) == (1, 1)
    assert (compared.contaminated_clients, compared.with_partner_reps) == (0, 3)


def test_fidelity_has_a_word_only_where_partner_reps_are_planned(delivery: Any) -> None:
    reference, compared = delivery.arms
    assert (compared.partner_sets, compared.partner_sets_as_planned) == (5, 3)
    assert (compared.fidelity, compared.fidelity_word) == (pytest.approx(0.6), "partial")
    assert math.isnan(reference.fidelity)
    assert reference.fidelity_word == ""


def test_other_trainer_and_unrecorded_cells(delivery: Any) -> None:
    reference, compared = delivery.arms
    assert reference.other_trainer_share == pytest.approx(1 / 2)
    assert reference.limit_reached_share == 1.0
    assert reference.mean_effort == 8.0
    assert math.isnan(compared.mean_discomfort)


def test_days_to_the_first_session(delivery: Any) -> None:
    """B03: delay from allocation to the first session; a client who never came is not in it."""
    reference, compared = delivery.days_to_first_session
    assert reference[1:] == (2.0, 2.0, 2.0)
    assert compared == ("partner_reps", 2.5, 1.0, 4.0)


def test_who_came_to_the_whole_dose_and_who_was_signed_off(
    delivery: Any, make_protocol: Any, make_clients: Any, make_sessions: Any
) -> None:
    """E8: the stage of the ramp-in that was achieved, and the trainers' sign-offs, stand in the report."""
    reference, compared = delivery.arms
    assert reference.ramped_in == (0, 0)
    assert compared.ramped_in == (0, 2)
    assert [trainer for trainer, _ in delivery.sign_offs] == ["T1", "T2"]
    clients = make_clients([1, 1], [0, 1])
    days = range(1, 80, 4)
    often = [{"client": 0, "day": day, "trainer": 0, "partner_reps": 3, "partner_sets": 1} for day in days]
    seldom = [{"client": 1, "day": day, "trainer": 0, "partner_reps": 3, "partner_sets": 1} for day in (1, 5)]
    rows = StudyRows(
        clients=clients, outcomes={}, retention=None, sessions=make_sessions(clients, often + seldom),
        harms=(), screening=None, assessor_blind=(), data_through=np.datetime64("2026-07-06"),
        table_hashes=(),
    )  # fmt: skip
    again = analyse_delivery(make_protocol(), rows)
    assert again is not None
    assert again.arms[1].ramped_in == (1, 2)
