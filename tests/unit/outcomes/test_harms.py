"""Harms by arm, exact bounds, and the pause rule."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from studykit.outcomes.harms import analyse_harms, pause_rule, upper_bound
from studykit.outcomes.results import HarmArm
from studykit.records.rows import Harm, StudyRows


def harm(client: int, **more: Any) -> Harm:
    facts: dict[str, Any] = {
        "trainer": "", "day": 10.0, "kind": "sore knee", "exercise": "", "severity": "mild", "serious": False,
        "expected": False, "related": "possible", "partner_reps": 0.0,
    }  # fmt: skip
    return Harm(client=client, **(facts | more))


def study(clients: Any, harms: tuple[Harm, ...], *, sessions: Any = None, retention: Any = None) -> StudyRows:
    return StudyRows(
        clients=clients, outcomes={}, retention=retention, sessions=sessions, harms=harms, screening=None,
        assessor_blind=(), data_through=np.datetime64("2026-07-06"), table_hashes=(),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("count", "clients", "expected"),
    [
        (0, 40, 0.0722),  # trade page E7: 40 clients prove nothing rarer than about 1 in 13 (3/n)
        (0, 10, 0.2589),  # 1 - 0.05 ** (1 / 10)
        (1, 20, 0.2161),  # Clopper & Pearson, one-sided 95 %: beta(0.95; 2, 19)
        (5, 5, 1.0),
    ],
)
def test_exact_upper_bound(count: int, clients: int, expected: float) -> None:
    assert upper_bound(count, clients) == pytest.approx(expected, abs=5e-5)


def test_people_and_events_are_both_counted(make_protocol: Any, make_clients: Any) -> None:
    """F18, C09: people and events; expected soreness apart; trainers and strangers apart."""
    clients = make_clients([0, 0, 0, 1, 1, 1])
    harms = (
        harm(3), harm(3, severity="moderate"), harm(4, kind="muscle soreness", expected=True), harm(0),
        harm(-1, trainer="T1"), harm(-1),
    )  # fmt: skip
    result = analyse_harms(make_protocol(), study(clients, harms))
    assert result is not None
    reference, compared = result.arms
    assert (compared.clients_with_harm, compared.events, compared.expected_events) == (1, 2, 1)
    assert (compared.mild, compared.moderate, compared.severe) == (1, 1, 0)
    assert (reference.clients_with_harm, reference.events) == (1, 1)
    assert (result.trainers_hurt, result.not_allocated) == (1, 1)
    assert result.kinds == (
        ("muscle soreness", "partner_reps", 1),
        ("sore knee", "conventional", 1),
        ("sore knee", "partner_reps", 2),
    )
    assert result.difference is not None
    assert result.difference.value == pytest.approx(0.0)
    assert compared.client_weeks == pytest.approx(3 * 182 / 7)  # 5 January to 6 July


@pytest.mark.parametrize(
    ("harms", "words"),
    [
        ((harm(3, serious=True, related="probable"),), "1 serious and possibly"),
        ((harm(3, serious=True, related="no"),), ""),
        ((harm(3, severity="severe"),), ""),
        ((harm(3, severity="severe"), harm(3, severity="severe")), "2 severe in one arm"),
        ((harm(0, severity="severe"), harm(10, severity="severe")), ""),
        ((harm(8, severity="moderate"), harm(9, severity="moderate")), "2 of 8 clients of one arm"),
        ((harm(8, severity="moderate"), harm(8, severity="moderate")), ""),
    ],
)
def test_pause_rule(harms: tuple[Harm, ...], words: str, make_protocol: Any, make_clients: Any) -> None:
    """E7: a serious related event, two severe in one arm, or moderate and worse in over 15 % of an arm."""
    clients = make_clients([0] * 8 + [1] * 8)
    reasons = pause_rule(make_protocol(), study(clients, harms))
    assert (words in " ".join(reasons)) if words else reasons == ()
    assert not any(arm in " ".join(reasons) for arm in clients.arm_labels)


def test_silence_is_not_safety(make_protocol: Any, make_clients: Any, make_sessions: Any) -> None:
    """G14: without systematic questions, nothing found is not nothing there."""
    clients = make_clients([0, 1])
    asked = make_sessions(clients, [{"client": c, "day": d, "harm_asked": 1} for c in (0, 1) for d in (1, 4)])
    never = make_sessions(clients, [{"client": c, "day": d} for c in (0, 1) for d in (1, 4)])
    yes = analyse_harms(make_protocol(), study(clients, (), sessions=asked))
    no = analyse_harms(make_protocol(), study(clients, (), sessions=never))
    assert yes is not None
    assert no is not None
    assert (yes.systematic, no.systematic) == (True, False)
    assert yes.arms[0].asked_share == 1.0
    assert analyse_harms(make_protocol(), study(clients, ())) is None


def test_every_cell_of_the_table_of_harms(
    make_protocol: Any, make_clients: Any, make_sessions: Any, make_spells: Any
) -> None:
    """Arms of three and of two clients; sessions before, on and after the day of allocation."""
    clients = make_clients([0, 0, 0, 1, 1])
    sessions = make_sessions(
        clients,
        [{"client": client, "day": day, "harm_asked": asked, "attended": came}
         for client, day, asked, came in [
             (0, -1, 1, 1), (0, 0, 1, 1), (0, 1, 0, 1), (1, 5, 1, 1), (2, 7, 1, 0),
             (3, -3, 1, 1), (3, 0, 0, 1), (4, 2, 1, 1), (4, 9, 1, 1), (4, 16, 1, 1), (4, 23, 1, 1),
         ]],
    )  # fmt: skip
    harms = (
        harm(0, severity="severe", serious=True), harm(0), harm(1, severity="moderate"),
        harm(2, expected=True), harm(2, expected=True, serious=True),
        harm(4, kind="died in hospital", severity="severe", serious=True), harm(4), harm(4), harm(4),
        harm(3, severity="moderate", expected=True),
    )  # fmt: skip
    spells = make_spells(
        clients, [200, 50, 60, 40, 30], reasons=["injury or illness", "", "injury or illness", "death", ""]
    )
    result = analyse_harms(
        make_protocol(retention=True), study(clients, harms, sessions=sessions, retention=spells)
    )
    assert result is not None
    reference, compared = result.arms
    assert replace(reference, upper_bound=0.0) == HarmArm(
        arm="conventional", clients=3, sessions=3, client_weeks=(228 + 78 + 88) / 7, clients_with_harm=2,
        events=3, expected_events=2, serious=2, severe=1, moderate=1, mild=1, deaths=0,
        withdrawn_through_harm=1, asked_share=2 / 3, upper_bound=0.0,
    )  # fmt: skip
    assert replace(compared, upper_bound=0.0) == HarmArm(
        arm="partner_reps", clients=2, sessions=5, client_weeks=(68 + 58) / 7, clients_with_harm=1,
        events=4, expected_events=1, serious=1, severe=1, moderate=0, mild=3, deaths=2,
        withdrawn_through_harm=0, asked_share=4 / 5, upper_bound=0.0,
    )  # fmt: skip
    assert reference.upper_bound == pytest.approx(upper_bound(2, 3))
    assert compared.upper_bound == pytest.approx(upper_bound(1, 2))


def test_withdrawal_and_death(make_protocol: Any, make_clients: Any, make_spells: Any) -> None:
    clients = make_clients([0, 0, 1, 1])
    spells = make_spells(
        clients, [200, 50, 60, 40], reasons=["", "injury or illness", "injury or illness", "death"]
    )
    protocol = make_protocol(retention=True)
    result = analyse_harms(protocol, study(clients, (harm(2),), retention=spells))
    assert result is not None
    assert [arm.withdrawn_through_harm for arm in result.arms] == [0, 1]
    assert [arm.deaths for arm in result.arms] == [0, 1]
    assert result.arms[0].client_weeks == pytest.approx((228 + 78) / 7)
