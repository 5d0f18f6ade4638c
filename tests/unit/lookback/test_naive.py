"""The comparison that must not be made: closed form, and the same records counted rightly."""

import dataclasses
import math

import numpy as np
import pytest

from studykit.lookback.episodes import follow_clients, session_facts
from studykit.lookback.log import UNKNOWN
from studykit.lookback.naive import (
    compare_ever,
    curve_of_times,
    first_begun,
    naive_comparison,
    split_at_start,
)
from studykit.retention.censored import CensoredTimes
from synthetic_data.simulated_studio import StudioTruth, simulated_log


def test_immortal_time_in_closed_form():
    """T45: constant hazard, start at the same rate, no effect: a rate ratio of 1/3, 1 if days are split."""
    rng = np.random.default_rng(3)
    n = 20_000
    leaves, begins = rng.exponential(1.0, n), rng.exponential(1.0, n)
    times = CensoredTimes(leaves, np.ones(n, dtype=bool))
    ever = begins < leaves
    rate = [group.sum() / leaves[group].sum() for group in (ever, ~ever)]
    assert rate[0] / rate[1] == pytest.approx(1 / 3, abs=4 * (1 / 3) * math.sqrt(4 / n))
    rows, state = split_at_start(times, np.where(ever, begins, np.inf))
    split = [
        rows.event[state == one].sum() / (rows.time - rows.entry)[state == one].sum() for one in (1.0, 0.0)
    ]
    assert split[0] / split[1] == pytest.approx(1.0, abs=4 * math.sqrt(4 / n))
    assert (rows.time - rows.entry).sum() == pytest.approx(leaves.sum())


def test_the_same_by_proportional_hazards_and_in_words():
    rng = np.random.default_rng(4)
    n = 3000
    leaves, begins = np.ceil(rng.exponential(100.0, n)), np.ceil(rng.exponential(100.0, n))
    found = compare_ever(CensoredTimes(leaves, np.ones(n, dtype=bool)), begins, horizon=182)
    assert found.hazard_ratio.value < 0.5
    split = found.split_hazard_ratio
    assert abs(math.log(split.value)) < 3 * split.standard_error
    ever = begins < leaves
    assert found.person_days_reclassified == begins[ever].sum()
    assert found.person_days == leaves.sum()
    assert f"Those {begins[ever].sum():.0f} of {leaves.sum():.0f} client-days" in found.why
    assert f"from {found.hazard_ratio.value:.2f} to {split.value:.2f}" in found.why
    assert "confirmed" not in found.why
    assert [curve.label for curve in found.curves] == ["ever had partner reps", "never had them"]
    assert found.curves[0].share[-1] > found.curves[1].share[-1] + 0.2


def test_on_records_it_says_that_days_are_no_clock_for_confirmed_departures():
    log = simulated_log(StudioTruth(clients=400, starting=0.03), 1)
    episodes = follow_clients(log)
    found = naive_comparison(episodes, session_facts(log, episodes), horizon=182)
    assert found.hazard_ratio.value < 0.4
    assert "a departure is confirmed 28 days after the last session" in found.why
    assert found.person_days == (episodes.time - episodes.entry).sum()


def test_start_days_and_nobody_or_everybody_exposed():
    log = simulated_log(StudioTruth(clients=60, starting=0.03), 1)
    episodes = follow_clients(log)
    facts = session_facts(log, episodes)
    began = first_begun(episodes, facts)
    for place in range(0, len(began), 7):
        own = (episodes.episode == place) & facts.done
        assert began[place] == (episodes.day[own].min() if own.any() else np.inf)
    nobody = dataclasses.replace(facts, begun=np.zeros_like(facts.begun))
    assert naive_comparison(episodes, nobody, horizon=182) is None


def test_curves_start_and_end_with_ten_at_risk():
    entry = np.concatenate((np.zeros(4), np.full(10, 30.0)))
    time = np.concatenate(([5.0, 40, 100, 100], np.arange(50.0, 60.0)))
    curve = curve_of_times("all", CensoredTimes(time, np.ones(14, dtype=bool), entry=entry), 90)
    assert curve.day[0] == 30.0
    assert curve.share[0] == 1.0
    assert curve.at_risk[0] == 13
    assert curve.at_risk.min() >= 10
    few = curve_of_times("few", CensoredTimes([5.0, 9.0], [True, False]), 90)
    assert few.day.tolist() == [0.0]
    late = curve_of_times(
        "late", CensoredTimes(np.arange(401.0, 421.0), np.ones(20, dtype=bool), entry=np.full(20, 400.0)), 90
    )
    assert late.day[0] == 400.0
    assert late.day[-1] == 411.0
    everybody_late = CensoredTimes([500.0, 520.0], [True, False], entry=[400.0, 450.0])
    assert curve_of_times("two", everybody_late, 90).day.tolist() == [400.0]


def test_clients_of_whom_nothing_is_written_are_on_neither_side():
    """Every third client lost all marks; but for one who never came, they are as if they were not there."""
    log = simulated_log(StudioTruth(clients=150, starting=0.03), 5)
    marks = log.session_partner_reps.copy()
    marks[log.session_client % 3 == 0] = UNKNOWN
    log = dataclasses.replace(log, session_partner_reps=marks)
    episodes = follow_clients(log)
    facts = session_facts(log, episodes)
    found = naive_comparison(episodes, facts, horizon=182)
    told = (episodes.client % 3 != 0) | (np.bincount(episodes.episode, minlength=len(episodes.client)) == 0)
    expected = compare_ever(
        episodes.times().select(told), first_begun(episodes, facts)[told], horizon=182, confirmed_after=28
    )
    assert found.hazard_ratio.value == expected.hazard_ratio.value
    assert found.person_days == expected.person_days < (episodes.time - episodes.entry).sum()
