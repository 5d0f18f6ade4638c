"""Re-randomisation tests, held to classical worked examples and to their own definition."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.kinds.continuous.rerandomisation import rerandomise
from studykit.kinds.retention.rerandomisation import mantel_haenszel_statistics, rerandomise_retention
from studykit.outcomes.rerandomisation import RedrawnArms
from studykit.results import Estimate
from studykit.retention.risk_difference import risk_difference
from studykit.retention.stratified_counts import count_by_stratum
from tests.support.primary import primary_continuous


def every_assignment_in_pairs(pairs: int) -> RedrawnArms:
    """Client 2i and 2i+1 are a pair: all 2^pairs ways of giving one of each pair the second arm."""
    first = np.array(list(itertools.product((0, 1), repeat=pairs)), dtype=np.int8)
    arms = np.stack([first, 1 - first], axis=2).reshape(len(first), 2 * pairs)
    return RedrawnArms(arms, np.full(len(first), 1 / len(first)))


def every_split(clients: int, chosen: int) -> RedrawnArms:
    rows = list(itertools.combinations(range(clients), chosen))
    arms = np.zeros((len(rows), clients), dtype=np.int8)
    for row, places in enumerate(rows):
        arms[row, list(places)] = 1
    return RedrawnArms(arms, np.full(len(rows), 1 / len(rows)))


@pytest.fixture
def paired(make_protocol, make_clients, make_rows):  # type: ignore[no-untyped-def]
    """A trial in which each pair shares a trainer, so that the model compares within pairs."""

    def build(differences: list[float]):  # type: ignore[no-untyped-def]
        n = len(differences)
        protocol = make_protocol(baselines=(), follow_ups=(84,), scale="as_measured")
        clients = make_clients(np.tile([0, 1], n), np.repeat(np.arange(n), 2))
        scores = np.zeros(2 * n)
        scores[1::2] = differences
        return protocol, protocol.continuous_outcomes[0], make_rows(clients, scores[:, None, None], protocol)

    return build


def test_darwins_maize(paired) -> None:  # type: ignore[no-untyped-def]
    """R31: Fisher 1935, Design of Experiments, section 21: 1726 of 32768 (5.267 %)."""
    differences = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
    protocol, outcome, rows = paired([float(value) for value in differences])
    result = rerandomise(protocol, outcome, rows, drawn=every_assignment_in_pairs(15))
    assert result.exact
    assert result.p_value == pytest.approx(1726 / 32768, abs=1e-12)
    assert result.smallest_p_value == pytest.approx(2 / 32768, abs=1e-12)


def test_shoe_wear(paired) -> None:  # type: ignore[no-untyped-def]
    """R34: Box, Hunter & Hunter 1978, boys' shoes: 14 of 1024."""
    a = [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3]
    b = [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6]
    protocol, outcome, rows = paired([two - one for one, two in zip(a, b, strict=True)])
    result = rerandomise(protocol, outcome, rows, drawn=every_assignment_in_pairs(10))
    assert result.p_value == pytest.approx(14 / 1024, abs=1e-12)


def test_sleep_as_two_arms(make_protocol, make_clients, make_rows) -> None:  # type: ignore[no-untyped-def]
    """R37: Student's sleep data as two separate arms (R datasets sleep): 15048 of 184756."""
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    two = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    protocol = make_protocol(baselines=(), follow_ups=(84,), scale="as_measured")
    clients = make_clients([0] * 10 + [1] * 10)
    rows = make_rows(clients, np.array(one + two)[:, None, None], protocol)
    result = rerandomise(protocol, protocol.continuous_outcomes[0], rows, drawn=every_split(20, 10))
    assert result.p_value == pytest.approx(15048 / 184756, abs=1e-12)


def test_random_draws_count_the_one_seen(make_protocol, make_clients, make_rows) -> None:  # type: ignore[no-untyped-def]
    """R38: never zero, (b + 1) / (m + 1) (Phipson & Smyth 2010)."""
    rng = np.random.default_rng(5)
    protocol = make_protocol(baselines=(0,), follow_ups=(84,), scale="as_measured")
    arm = np.tile([0, 1], 15)
    before = rng.normal(50, 10, 30)
    after = before + 20.0 * arm + rng.normal(0, 1, 30)
    rows = make_rows(make_clients(arm), np.stack([before, after], axis=1)[:, :, None], protocol)
    drawn = RedrawnArms(np.array([rng.permutation(arm) for _ in range(99)], dtype=np.int8))
    result = rerandomise(protocol, protocol.continuous_outcomes[0], rows, drawn=drawn)
    assert result.p_value == result.smallest_p_value == 1 / 100


def test_the_inverted_interval_holds_what_is_not_rejected(make_protocol, make_clients, make_rows) -> None:  # type: ignore[no-untyped-def]
    """The interval is the set of shifts that the test itself does not reject, and close to the t interval."""
    rng = np.random.default_rng(11)
    protocol = make_protocol(baselines=(0,), follow_ups=(84,), scale="as_measured")
    outcome = protocol.continuous_outcomes[0]
    arm = rng.permutation(np.repeat([0, 1], 20))
    before = rng.normal(50, 10, 40)
    after = 0.8 * before + 3.0 * arm + rng.normal(0, 4, 40)
    clients = make_clients(arm)
    drawn = RedrawnArms(np.array([rng.permutation(arm) for _ in range(1999)], dtype=np.int8))

    def tested(shift: float):  # type: ignore[no-untyped-def]
        cube = np.stack([before, after - shift * arm], axis=1)[:, :, None]
        return rerandomise(protocol, outcome, make_rows(clients, cube, protocol), drawn=drawn)

    interval = tested(0.0).interval
    assert interval is not None
    for end, inward in ((interval.lower, 1e-4), (interval.upper, -1e-4)):
        assert tested(end + inward).p_value > 0.05
        assert tested(end - inward).p_value <= 0.05
    cube = np.stack([before, after], axis=1)[:, :, None]
    estimate = primary_continuous(protocol, outcome, make_rows(clients, cube, protocol)).estimate
    assert isinstance(estimate, Estimate)
    usual = estimate.confidence_interval()
    # Monte Carlo: ends of a 5 % tail from 2,000 draws move by about a tenth of a standard error.
    assert interval.lower == pytest.approx(usual.lower, abs=0.3 * estimate.standard_error)
    assert interval.upper == pytest.approx(usual.upper, abs=0.3 * estimate.standard_error)


def test_three_arms_agree_with_regression_row_by_row(make_protocol, make_clients, make_rows) -> None:  # type: ignore[no-untyped-def]
    """With a third arm the statistic is still the t of the compared arm, its indicator beside the other's."""
    rng = np.random.default_rng(2)
    arms = ("conventional", "partner_reps", "drop_sets")
    protocol = make_protocol(
        arms=arms,
        baselines=(0,),
        follow_ups=(84,),
        scale="as_measured",
        analysis={"comparison": "partner_reps"},
    )
    arm = np.tile([0, 1, 2], 8)
    before, noise = rng.normal(0, 1, 24), rng.normal(0, 1, 24)
    after = before + noise
    clients = make_clients(arm, arm_labels=arms)
    rows = make_rows(clients, np.stack([before, after], axis=1)[:, :, None], protocol)
    other = rng.permutation(arm)
    drawn = RedrawnArms(other[None, :].astype(np.int8), np.array([1.0]))
    result = rerandomise(protocol, protocol.continuous_outcomes[0], rows, drawn=drawn)

    def t_of(row) -> float:  # type: ignore[no-untyped-def]
        design = np.column_stack([np.ones(24), before, row == 1, row == 2]).astype(float)
        solution, rest, *_ = np.linalg.lstsq(design, after, rcond=None)
        covariance = np.linalg.inv(design.T @ design) * rest[0] / 20
        return float(solution[2] / np.sqrt(covariance[2, 2]))

    assert result.interval is None
    assert result.p_value == float(abs(t_of(other)) >= abs(t_of(arm)) - 1e-9)


def test_the_statistic_of_shares_is_that_of_mantel_and_haenszel() -> None:
    """Squared, it is the chi-squared without correction of the risk difference, held elsewhere to B20."""
    rng = np.random.default_rng(3)
    strata, arm, status = rng.integers(0, 4, 60), rng.integers(0, 2, 60), rng.integers(0, 2, 60)
    ours = mantel_haenszel_statistics(status.astype(float), arm[None, :], strata, compared=1)[0]
    counts = count_by_stratum(status, arm == 1, strata=strata)
    assert ours**2 == pytest.approx(risk_difference(counts).statistic ** 2, rel=1e-12)


def test_the_size_under_the_null_is_exact(make_protocol, make_clients, make_spells) -> None:  # type: ignore[no-untyped-def]
    """Over every allocation that could have come, at most 5 % give a p-value of 5 % or less."""
    protocol = make_protocol(follow_ups=(), retention=True)
    drawn = every_split(10, 5)
    last = [8, 40, 200, 210, 240, 250, 20, 220, 230, 100]
    p_values = [
        rerandomise_retention(protocol, make_spells(make_clients(row), last), drawn=drawn).p_value
        for row in drawn.arms
    ]
    assert len(p_values) == 252
    assert np.mean(np.array(p_values) <= 0.05) <= 0.05
    assert min(p_values) > 0.0


def test_draws_for_other_clients_are_refused(make_protocol, make_clients, make_spells) -> None:  # type: ignore[no-untyped-def]
    protocol = make_protocol(follow_ups=(), retention=True)
    spells = make_spells(make_clients([0, 1, 0, 1]), [200, 10, 200, 200])
    with pytest.raises(ArgumentError, match="expected one column for each of 4 clients"):
        rerandomise_retention(protocol, spells, drawn=every_split(5, 2))
