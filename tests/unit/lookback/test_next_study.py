"""Numbers for the randomised study from the records, and their sentences."""

import dataclasses
import math
import tomllib

import numpy as np
import pytest

from studykit.lookback.episodes import follow_clients
from studykit.lookback.next_study import _of_trainers, _spread, plan_next_study
from studykit.protocol.planned import Planning
from studykit.retention.curves import kaplan_meier
from synthetic_data.simulated_studio import StudioTruth, simulated_log

STUDIO = StudioTruth(clients=500, trainers=5, trainer_leaving=0.7)


@pytest.fixture(scope="module")
def planned():
    log = simulated_log(STUDIO, 1)
    episodes = follow_clients(log)
    return log, episodes, plan_next_study(log, episodes, horizon=182)


def test_numbers_are_those_of_the_records(planned):
    log, episodes, found = planned
    curve = kaplan_meier(episodes.times())
    assert found.retained == pytest.approx(curve.at(182).value)
    assert found.retained_at_horizon.contains(found.retained)
    assert found.sessions_per_week == pytest.approx(STUDIO.sessions_per_week, rel=0.12)
    assert 0.0 < found.trainer_spread < 0.4
    assert found.trainer_spread_interval.contains(found.trainer_spread)
    months = (log.last_day + 1) / (365.25 / 12)
    assert found.clients_per_month == pytest.approx(episodes.new.sum() / months)
    assert found.clients_training == int((~episodes.event).sum())


def test_sentences_hold_the_planning_numbers(planned):
    _, _, found = planned
    text = " ".join(found.sentences)
    assert f"about {100 * found.retained:.0f} still train after 26 weeks" in text
    assert f"{found.sessions_per_week:.1f} times a week" in text
    assert f"With the {found.clients_training} clients who train now" in text
    assert "; for 10 points, " in text
    assert "let every trainer give both ways" in text


def test_the_tables_are_assumptions_that_a_protocol_takes(planned):
    _, _, found = planned
    read = tomllib.loads("\n\n".join(found.assumptions))["planning"]
    planning = Planning.model_validate(read)
    assert planning.retention_reference.value == pytest.approx(found.retained, rel=1e-2)
    assert planning.retention_reference.low < planning.retention_reference.value
    assert planning.trainer_icc_retention.value == pytest.approx(found.trainer_spread, rel=1e-2)
    assert planning.sessions_per_week.value == pytest.approx(found.sessions_per_week, rel=1e-2)
    assert "own attendance records, 1970-01-01 to 1971-06-30" in planning.clients_per_month.source


def test_what_the_records_cannot_give_is_left_out_and_said():
    short = simulated_log(StudioTruth(clients=60, days=100, trainers=1), 2)
    found = plan_next_study(short, follow_clients(short), horizon=182)
    assert math.isnan(found.trainer_spread)
    assert found.retained_at_horizon is None
    names = [table.splitlines()[0] for table in found.assumptions]
    assert names == ["[planning.sessions_per_week]", "[planning.clients_per_month]"]
    assert any("cannot be told" in sentence for sentence in found.sentences)
    few = dataclasses.replace(short, joined=np.maximum(short.joined, 0))
    late = plan_next_study(few, follow_clients(few), horizon=182)
    assert late.retained_at_horizon is None
    assert any(sentence.startswith("Too few clients") for sentence in late.sentences)


def test_a_single_trainer_has_all_clients_of_the_studio(planned):
    """With a spread of 5 %: 1 + 40 x 0.05 times as many of 41 clients; of two trainers, 1 + 19.5 x 0.05."""
    log, episodes, _ = planned
    spread = dataclasses.replace(_spread(log, episodes, 182), value=0.05)
    assert "give one way only, 3.0 times as many" in _of_trainers(spread, 41, 1)[1]
    assert "give one way only, 2.0 times as many" in _of_trainers(spread, 41, 2)[1]
    assert "client by client, with every trainer giving both" in _of_trainers(spread, 2, 2)[1]
