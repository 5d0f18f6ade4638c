"""Assumptions from one's own records: estimators by hand and from books, whole studies of known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studykit.errors import ArgumentError, FitError
from studykit.planning.from_records import figures_from_rows
from studykit.planning.own_spread import correlation_of, intraclass_correlation, spread_of, weibull_shape
from studykit.planning.plan import plan_study
from studykit.protocol.protocol_file import read_protocol
from studykit.records.derive import derive_rows
from studykit.records.record_tables import record_table
from studykit.retention.censored import CensoredTimes
from studykit.shipped import shipped
from studykit.trial.settings import TrialSettings
from synthetic_data.simulated_trial import simulate_trial

PROTOCOL = read_protocol(shipped("protocols") / "parallel.toml").protocol


def rows_of(clients=400, trainers=20, seed=1, **changes):
    """Records of a simulated study, through the tables."""
    settings = replace(TrialSettings.from_protocol(PROTOCOL, clients=clients), trainers=trainers, **changes)
    trial = simulate_trial(settings, seed=seed)
    return settings, derive_rows(trial.records(), PROTOCOL, trial.allocated)[0]


@pytest.fixture(scope="module")
def large():
    settings, rows = rows_of()
    return settings, dict(figures_from_rows(PROTOCOL, rows).assumptions)


@pytest.mark.parametrize(
    "key",
    [
        "sd_score",
        "sd_gain",
        "correlation_exercises",
        "missed_tests",
        "attended_of_planned",
        "departure_shape",
    ],
)
def test_a_large_study_gives_back_what_it_was_made_of(large, key) -> None:
    """400 clients: the value assumed lies in the interval, widened by a half for the 5 % that miss it."""
    _, found = large
    own, truth = found[key], getattr(PROTOCOL.planning, key).value
    assert abs(own.value - truth) < 0.75 * (own.high - own.low) + 0.02 * abs(truth)
    assert "clients" in own.source
    assert own.evidence == "moderate"


def test_retention_is_that_of_both_arms_together(large) -> None:
    """0.70 and 0.72 assumed; the interval of 400 clients reaches 4.5 points."""
    _, found = large
    assert found["retention_reference"].value == pytest.approx(0.71, abs=0.06)


def test_arms_are_not_looked_at() -> None:
    """The same records with all arms exchanged give the same figures."""
    _, rows = rows_of(clients=60, trainers=4)
    other = replace(rows.clients, arm=1 - rows.clients.arm)
    exchanged = replace(
        rows,
        clients=other,
        outcomes=rows.outcomes | {"strength": replace(rows.outcomes["strength"], clients=other)},
        retention=replace(rows.retention, clients=other),
    )
    assert figures_from_rows(PROTOCOL, rows) == figures_from_rows(PROTOCOL, exchanged)


def test_few_clients_are_weak_evidence() -> None:
    _, rows = rows_of(clients=24, trainers=3)
    found = figures_from_rows(PROTOCOL, rows)
    assert {own.evidence for _, own in found.assumptions} == {"weak"}


def test_figures_take_the_place_of_assumptions_in_the_plan() -> None:
    _, rows = rows_of(clients=60, trainers=4)
    found = figures_from_rows(PROTOCOL, rows, source="your own records, 2025")
    plan = plan_study(found.plugged_into(PROTOCOL), clients=40)
    used = {item.key: item for item in plan.assumptions}
    assert used["sd_score"].value == dict(found.assumptions)["sd_score"].value
    assert used["sd_score"].source.startswith("your own records, 2025 (")
    assert used["effect_strength"].value == PROTOCOL.planning.effect_strength.value


def test_figures_of_a_further_outcome_stand_under_it() -> None:
    """Jumps of 40 clients, 30 cm with a spread of 7 before: the first outcome's figures stay its own."""
    rows, rng = rows_of(clients=40, trainers=4)[1], np.random.default_rng(5)
    first = PROTOCOL.continuous_outcomes[0]
    jump = first.model_copy(
        update={"code": "jump", "name": "jump height", "scale": "as_measured", "exercises": (), "unit": "cm"}
    )
    protocol = PROTOCOL.model_copy(update={"outcomes": (*PROTOCOL.outcomes, jump)})
    client, visit = (grid.ravel() for grid in np.mgrid[0:40, 0:3])
    own = 30.0 + 7.0 * rng.standard_normal(40)
    scores = replace(
        rows.outcomes[first.code], outcome="jump", client=client, visit=visit,
        exercise=np.zeros(120, dtype=int),
        score=own[client] + rng.standard_normal(120), day=np.zeros(120), exercise_labels=("",),
    )  # fmt: skip
    alone = figures_from_rows(PROTOCOL, rows)
    found = figures_from_rows(protocol, replace(rows, outcomes={**rows.outcomes, "jump": scores}))
    assert found.assumptions == alone.assumptions
    of_jump = {key: figure for code, key, figure in found.of_outcomes if code == "jump"}
    assert len(of_jump) == len(found.of_outcomes)
    assert of_jump["sd_score"].low < float(own.std(ddof=1)) < of_jump["sd_score"].high
    plugged = found.plugged_into(protocol)
    assert plugged.for_outcome(plugged.outcomes[2]).planning.sd_score == of_jump["sd_score"]
    assert plugged.planning.sd_score == dict(alone.assumptions)["sd_score"]


def emptied(trial, *names):
    """The records without some tables."""
    records = trial.records()
    return replace(records, tables={**records.tables, **{name: record_table(name) for name in names}})


def test_a_missing_table_keeps_the_assumptions_and_says_so() -> None:
    trial = simulate_trial(TrialSettings.from_protocol(PROTOCOL, clients=40), seed=2)
    rows = derive_rows(emptied(trial, "sessions", "departures"), PROTOCOL, trial.allocated)[0]
    found = figures_from_rows(PROTOCOL, rows)
    assert "retention_reference" not in dict(found.assumptions)
    assert any("sessions.csv" in remark for remark in found.remarks)
    rows = derive_rows(emptied(trial, "strength"), PROTOCOL, trial.allocated)[0]
    found = figures_from_rows(PROTOCOL, rows)
    assert "sd_score" not in dict(found.assumptions)
    assert any("strength.csv" in remark for remark in found.remarks)


def test_nothing_to_estimate_is_refused() -> None:
    trial = simulate_trial(TrialSettings.from_protocol(PROTOCOL, clients=40), seed=2)
    rows = derive_rows(emptied(trial, "sessions", "departures", "strength"), PROTOCOL, trial.allocated)[0]
    with pytest.raises(ArgumentError, match=r"tests of strength before and after, or sessions.*clients\.csv"):
        figures_from_rows(PROTOCOL, rows)


# --- estimators -------------------------------------------------------------------------------------------


def test_intraclass_correlation_of_a_printed_example() -> None:
    """Shrout & Fleiss 1979, Psychological Bulletin 86:420, table 2: ICC(1,1) = 0.17 (printed to two places).

    The interval -0.13 to 0.72 is that of McGraw & Wong 1996, Psychological Methods 1:30, for these data (from
    memory, as computed by pingouin's intraclass_corr); ours stops at 0.
    """
    ratings = np.array([9, 2, 5, 8, 6, 1, 3, 2, 8, 4, 6, 8, 7, 1, 2, 6, 10, 5, 6, 9, 6, 2, 4, 7], float)
    found = intraclass_correlation(ratings, np.repeat(np.arange(6), 4))
    assert found.value == pytest.approx(0.1657, abs=0.0001)
    assert found.low == 0.0
    assert found.high == pytest.approx(0.72, abs=0.005)


def test_intraclass_correlation_agrees_with_pingouin() -> None:
    """Independent software, equal group sizes: to its two printed places for the interval."""
    import pandas as pd
    import pingouin as pg

    rng = np.random.default_rng(5)
    values = (rng.normal(size=12)[:, None] + rng.normal(size=(12, 6))).ravel()
    groups = np.repeat(np.arange(12), 6)
    frame = pd.DataFrame({"target": groups, "rater": np.tile(np.arange(6), 12), "score": values})
    theirs = pg.intraclass_corr(frame, targets="target", raters="rater", ratings="score").iloc[0]
    own = intraclass_correlation(values, groups)
    assert own.value == pytest.approx(theirs["ICC"], abs=1e-4)
    low, high = next(theirs[name] for name in theirs.index if name.startswith("CI"))
    assert (own.low, own.high) == pytest.approx((low, high), abs=0.006)


def test_spread_covers_as_often_as_promised() -> None:
    """1,000 normal samples of 15: 95 % within three Monte Carlo errors (2.1 points)."""
    rng = np.random.default_rng(1)
    samples = rng.normal(scale=2.0, size=(1000, 15))
    found = [spread_of((own - own.mean())[:, None], freedom=14) for own in samples]
    held = np.mean([own.low <= 2.0 <= own.high for own in found])
    assert held == pytest.approx(0.95, abs=0.021)


def test_correlation_covers_as_often_as_promised() -> None:
    """1,000 samples of 20 pairs, correlation 0.8; three Monte Carlo errors."""
    rng = np.random.default_rng(1)
    held = 0
    for _ in range(1000):
        x = rng.normal(size=20)
        y = 0.8 * x + 0.6 * rng.normal(size=20)
        own = correlation_of((x - x.mean())[:, None], (y - y.mean())[:, None])
        held += own.low <= 0.8 <= own.high
    assert held / 1000 == pytest.approx(0.95, abs=0.021)


def test_weibull_shape_agrees_with_scipy() -> None:
    """scipy's maximum likelihood of the same censored sample."""
    from scipy.stats import CensoredData, weibull_min

    rng = np.random.default_rng(3)
    days = np.ceil(120 * rng.weibull(0.85, 200))
    seen = np.minimum(days, 182.0)
    data = CensoredData(uncensored=seen[days <= 182], right=seen[days > 182])
    shape, _, _ = weibull_min.fit(data, floc=0.0)
    own = weibull_shape(CensoredTimes(seen, days <= 182))
    assert own.value == pytest.approx(shape, rel=1e-3)
    assert own.low < 0.85 < own.high


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spread_of(np.zeros((3, 1)), freedom=2), "at least 4 clients; found 3"),
        (lambda: correlation_of(np.zeros((4, 1)), np.zeros((4, 1))), "at least 5 clients; found 4"),
        (lambda: intraclass_correlation(np.arange(3.0), np.zeros(3, int)), "two trainers or more"),
        (lambda: weibull_shape(CensoredTimes([3.0, 4.0], [True, True])), "five departures or more; found 2"),
    ],
)
def test_too_few_are_refused(call, message) -> None:
    with pytest.raises(FitError, match=message):
        call()
