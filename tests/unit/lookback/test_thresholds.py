"""Every limit below which no comparison is made: met exactly it is enough, one less is not."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from studykit.lookback import before_after, joining_strategies, negative_controls
from studykit.lookback.adjustment import LEAST_ON_EACH_SIDE, too_few_departures
from studykit.lookback.before_after import answer_before_after
from studykit.lookback.clones import starters_of
from studykit.lookback.episodes import Episodes, follow_clients, session_facts
from studykit.lookback.joining_strategies import answer_strategies, strategy_balance
from studykit.lookback.landmark import answer_landmark
from studykit.lookback.log import AttendanceLog
from studykit.lookback.look_back_results import Answer
from studykit.lookback.negative_controls import missed_before
from studykit.lookback.session_clock import answer_session_clock
from tests.unit.lookback.pinned import rich_log

HORIZON = 150
ANSWERS: dict[str, Callable[..., Answer]] = {
    "session clock": answer_session_clock,
    "landmark": lambda log, episodes, **limits: answer_landmark(log, episodes, 35, **limits),
    "before and after": answer_before_after,
    "strategies": lambda log, episodes, **limits: answer_strategies(log, episodes, resamples=5, **limits),
}


@pytest.fixture(scope="module")
def studio() -> tuple[AttendanceLog, Episodes]:
    log = rich_log()
    return log, follow_clients(log)


@pytest.mark.parametrize("name", ANSWERS)
def test_as_many_departures_as_are_needed_are_enough(
    name: str, studio: tuple[AttendanceLog, Episodes]
) -> None:
    """The refusal tells how many there are, on either side or together."""
    refused = ANSWERS[name](*studio, horizon=HORIZON, least_events=10_000).refused
    found = re.search(r"departures [^:]*: (\d+)(?: [^,;\d]*, (\d+))?", refused)
    assert found, refused
    number = sum(int(part or 0) for part in found.groups())
    assert ANSWERS[name](*studio, horizon=HORIZON, least_events=number).refused == ""
    assert "too few departures" in ANSWERS[name](*studio, horizon=HORIZON, least_events=number + 1).refused


def test_five_departures_on_each_side_are_enough() -> None:
    assert LEAST_ON_EACH_SIDE == 5
    for few in ((5, 15), (15, 5)):
        assert too_few_departures("here", few, ("a", "b"), 20) == ""
    for few in ((4, 16), (16, 4), (5, 14)):
        assert too_few_departures("here", few, ("a", "b"), 20).startswith("too few departures here")


def test_clients_on_each_side_of_the_strategies(
    studio: tuple[AttendanceLog, Episodes], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(**limits: int) -> str:
        for name, value in limits.items():
            monkeypatch.setattr(joining_strategies, name, value)
        answer = answer_strategies(*studio, horizon=HORIZON, resamples=5).refused
        monkeypatch.undo()
        return answer

    told = refused(LEAST_ON_EACH_SIDE=10_000)
    began, did_not = map(int, re.findall(r"(\d+) (?:began|did)", told))
    clients = len(starters_of(*studio, grace=28)[0].end)
    assert began + did_not == clients
    assert began != did_not
    fewer = min(began, did_not)
    assert refused(LEAST_ON_EACH_SIDE=fewer, LEAST_CLIENTS=clients) == ""
    assert "too few new clients" in refused(LEAST_ON_EACH_SIDE=fewer + 1)
    assert "too few new clients" in refused(LEAST_CLIENTS=clients + 1)
    told = refused(LEAST_AT_RISK=10_000)
    at_the_end = min(map(int, re.findall(r"(\d+) that", told)))
    assert refused(LEAST_AT_RISK=at_the_end) == ""
    assert "too few clients stay" in refused(LEAST_AT_RISK=at_the_end + 1)


def test_clients_for_a_balance(
    studio: tuple[AttendanceLog, Episodes], monkeypatch: pytest.MonkeyPatch
) -> None:
    clients = len(starters_of(*studio, grace=28)[0].end)
    monkeypatch.setattr(joining_strategies, "LEAST_CLIENTS", clients)
    assert strategy_balance(*studio, horizon=HORIZON)
    monkeypatch.setattr(joining_strategies, "LEAST_CLIENTS", clients + 1)
    assert strategy_balance(*studio, horizon=HORIZON) == ()


def test_months_on_either_side_of_an_adoption(
    studio: tuple[AttendanceLog, Episodes], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The later adoption leaves 310 days before it, the earlier one the days from 240 on."""
    log, episodes = studio
    month = 365.25 / 12
    before, after = 310 / month, (episodes.cut_day + 1 - log.first_day - 240) / month
    assert before < after
    for least, refused in ((before, False), (before + 1e-9, True)):
        monkeypatch.setattr(before_after, "LEAST_MONTHS", least)
        answer = answer_before_after(log, episodes, horizon=HORIZON)
        assert bool(answer.refused) == refused
    assert f"{before:.1f} months of records before an adoption and {after:.1f} after one" in answer.refused


def test_trainers_as_clusters_and_months_for_a_season(
    studio: tuple[AttendanceLog, Episodes], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two of four adopted, so two trainers on either side are there, and three are not."""
    for least, words in ((2, "by trainers"), (3, "by months")):
        monkeypatch.setattr(before_after, "LEAST_TRAINERS", least)
        assert words in answer_before_after(*studio, horizon=HORIZON).method_in_words


def test_beginners_and_missed_bookings_of_a_negative_control(
    studio: tuple[AttendanceLog, Episodes], monkeypatch: pytest.MonkeyPatch
) -> None:
    log, episodes = studio
    facts = session_facts(log, episodes)

    def refused(**limits: int) -> str:
        for name, value in limits.items():
            monkeypatch.setattr(negative_controls, name, value)
        answer = missed_before(log, episodes, facts).refused
        monkeypatch.undo()
        return answer

    begins, missed = map(int, re.findall(r"\d+", refused(LEAST_BEGINNING=10**6, LEAST_MISSED=10**6))[:2])
    assert begins != missed
    assert refused(LEAST_BEGINNING=begins, LEAST_MISSED=missed) == ""
    assert refused(LEAST_BEGINNING=begins + 1, LEAST_MISSED=missed)
    assert refused(LEAST_BEGINNING=begins, LEAST_MISSED=missed + 1)
