"""Standardised curves: the intervals behind them, and their errors, against refitting."""

import dataclasses

import numpy as np

from studykit.lookback.episodes import follow_clients, session_facts
from studykit.lookback.session_clock import sessions_at_risk
from studykit.lookback.standardised_curves import standardise, standardised_share
from studykit.retention.censored import CensoredTimes
from studykit.retention.curves import kaplan_meier
from studykit.retention.discrete_hazard import fit_discrete_hazards
from synthetic_data.simulated_studio import StudioTruth, simulated_log


def fitted():
    log = simulated_log(StudioTruth(clients=150, starting=0.03, hazard_ratio=0.5), 4)
    episodes = follow_clients(log)
    facts = session_facts(log, episodes)
    risk = sessions_at_risk(episodes, facts)
    x = np.column_stack((risk.exposed, facts.recent[risk.place]))
    strata, clients = facts.trainer[risk.place], np.unique(risk.intervals.client, return_inverse=True)[1]
    return episodes, risk, x, strata, clients


def test_intervals_are_those_of_the_retention_curve():
    episodes, risk, *_ = fitted()
    came = np.isin(np.arange(len(episodes.client)), risk.intervals.client)
    first = np.searchsorted(risk.intervals.client, np.flatnonzero(came))
    times = CensoredTimes(episodes.time[came], episodes.event[came], entry=risk.intervals.start[first])
    curve = kaplan_meier(times)
    gone = np.bincount(risk.intervals.stop[risk.last], minlength=183)[:183]
    at_risk = risk.intervals.at_risk(182)
    ours = np.cumprod(1.0 - gone / np.maximum(at_risk, 1))
    np.testing.assert_allclose(ours[182], curve.at(182).value, rtol=1e-12)
    np.testing.assert_array_equal(at_risk[1:], times.at_risk(np.arange(1, 183)))


def test_influence_on_the_curve_is_what_one_more_copy_of_a_client_would_do():
    """Held to refitting with one client weighted more: model, weights and mix of clients all move."""
    _, risk, x, strata, clients = fitted()

    def curve(copies):
        rows = np.repeat(np.arange(clients.size), copies[clients])
        order = np.lexsort((risk.place[rows], np.concatenate([np.arange(c) for c in copies[clients]])))
        rows = rows[order]
        copy = np.concatenate([np.arange(c) for c in copies[clients]])[order]
        renamed = clients[rows] + copy * (clients.max() + 1)
        again = np.lexsort((risk.place[rows], renamed))
        rows, renamed = rows[again], renamed[again]
        intervals = dataclasses.replace(risk.intervals.select(rows), client=renamed)
        codes = np.unique(renamed, return_inverse=True)[1]
        model = fit_discrete_hazards(
            risk.last[rows], x[rows], names=("a", "b"), strata=strata[rows], clusters=codes
        )
        return standardise(
            model, x[rows], strata[rows], codes, intervals, exposure=1.0, from_day=0, days=(84, 182)
        )

    many = 20
    base = curve(np.full(clients.max() + 1, 1))
    assert base.largest_weight > 1.0
    assert 0.0 < base.effective_share <= 1.0
    for client in (3, 40, 77):
        copies = np.full(clients.max() + 1, many)
        copies[client] += 1
        moved = curve(copies)
        expected = many * (moved.share[[84, 182]] - base.share[[84, 182]])
        np.testing.assert_allclose(base.influence[:, client], expected, rtol=0.06, atol=2e-5)
    assert abs(base.influence.sum()) < 1e-8


def test_influence_on_a_share_is_what_one_more_client_like_this_would_do():
    rng = np.random.default_rng(4)
    x = np.column_stack((rng.random(200) < 0.5, rng.normal(size=200))).astype(float)
    strata = rng.integers(0, 3, 200)
    left = rng.random(200) < -np.expm1(-np.exp(-0.7 - 0.5 * x[:, 0] + 0.3 * x[:, 1]))

    def share(rows):
        model = fit_discrete_hazards(left[rows], x[rows], names=("a", "b"), strata=strata[rows])
        return standardised_share(model, x[rows], strata[rows], np.arange(rows.size), exposure=1.0)

    base, influence = share(np.arange(200))
    assert abs(influence.sum()) < 1e-7
    for client in (0, 7, 100):
        moved, _ = share(np.concatenate((np.tile(np.arange(200), 300), [client])))
        # Influences take the expected information, refitting follows the observed one.
        assert abs(300 * (moved - base) - influence[client]) < 0.03 * abs(influence).max()
