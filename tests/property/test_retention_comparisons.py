"""Properties of curves, comparisons and intervals that hold for any data."""

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from scipy.special import ndtri

from studykit.retention.censored import CensoredTimes
from studykit.retention.curves import kaplan_meier
from studykit.retention.hazard import hazard_ratio
from studykit.retention.log_rank import log_rank
from studykit.retention.proportions import Proportion
from studykit.retention.restricted_mean import restricted_mean, stratified_restricted_mean_difference
from studykit.retention.risk_difference import risk_difference
from studykit.retention.risk_ratio import risk_ratio
from studykit.retention.score_statistics import difference_statistic, ratio_statistic
from studykit.retention.stratified_counts import StratifiedCounts

FEW = settings(max_examples=60, deadline=None)


@st.composite
def clients(draw, least=4):
    n = draw(st.integers(least, 30))
    row = st.tuples(st.integers(1, 40), st.booleans(), st.booleans(), st.integers(0, 2))
    rows = draw(st.lists(row, min_size=n, max_size=n))
    time, event, arm, trainer = (np.array(column) for column in zip(*rows, strict=True))
    return CensoredTimes(time, event), arm, trainer


@st.composite
def tables(draw, most=5):
    cells = draw(st.lists(st.tuples(st.integers(1, 9), st.integers(1, 9)), min_size=1, max_size=most))
    kept = [[draw(st.integers(0, n)) for n in pair] for pair in cells]
    return StratifiedCounts(kept, cells)


@FEW
@given(clients(), st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(data, random):
    times, arm, _ = data
    order = np.arange(len(times))
    random.shuffle(order)
    shuffled = times.select(order)
    assert kaplan_meier(shuffled).retained.tolist() == kaplan_meier(times).retained.tolist()
    assume(0 < arm.sum() < len(arm) and times.events)
    model, other = hazard_ratio(times, arm), hazard_ratio(shuffled, arm[order])
    assert model.not_estimable == other.not_estimable
    if model.estimable:
        assert other.coefficients[0] == pytest.approx(model.coefficients[0], abs=1e-8)


@FEW
@given(clients())
def test_swapping_arms_turns_the_sign(data):
    times, arm, trainer = data
    assume(0 < arm.sum() < len(arm) and times.events)
    model, other = hazard_ratio(times, arm, strata=trainer), hazard_ratio(times, ~arm, strata=trainer)
    assert model.estimable == other.estimable
    if model.estimable:
        one, two = model.log_hazard_ratio("arm"), other.log_hazard_ratio("arm")
        assert one.value == pytest.approx(-two.value, abs=1e-8)
        assert one.standard_error == pytest.approx(two.standard_error, rel=1e-6)
        assert one.standard_error < 100.0


@FEW
@given(clients(), st.floats(0.01, 100.0))
def test_the_unit_of_time_does_not_matter(data, factor):
    times, arm, _ = data
    assume(0 < arm.sum() < len(arm) and times.events)
    scaled = CensoredTimes(times.time * factor, times.event)
    np.testing.assert_allclose(kaplan_meier(scaled).retained, kaplan_meier(times).retained)
    one, two = restricted_mean(times, 1.0), restricted_mean(scaled, factor)
    assert two.value == pytest.approx(one.value * factor)
    if hazard_ratio(times, arm).estimable:
        assert log_rank(scaled, arm).statistic == pytest.approx(log_rank(times, arm).statistic)


@FEW
@given(clients())
def test_curves_fall_and_numbers_at_risk_add_up(data):
    times, arm, _ = data
    curve = kaplan_meier(times)
    assert (np.diff(curve.retained) < 0.0).all()
    days = np.arange(0, 42)
    parts = [times.select(arm == side).at_risk(days) for side in (True, False) if (arm == side).any()]
    assert (sum(parts) == curve.numbers_at_risk(days)).all()
    band = curve.band()
    assert ((band.lower <= band.retained) & (band.retained <= band.upper)).all()


@FEW
@given(clients(), st.integers(1, 40))
def test_an_early_horizon_forgets_what_comes_later(data, horizon):
    times, _, _ = data
    assume(times.last_day >= horizon)
    cut = times.followed_to(horizon)
    assert restricted_mean(cut, horizon).value == pytest.approx(restricted_mean(times, horizon).value)
    assert kaplan_meier(cut).at(horizon).value == pytest.approx(kaplan_meier(times).at(horizon).value)


@FEW
@given(clients(least=12))
def test_adding_days_to_everybody_leaves_the_difference(data):
    times, arm, trainer = data
    everyone = CensoredTimes(times.time, np.ones(len(times), dtype=bool))
    both = [t for t in range(3) if len(set(arm[trainer == t].tolist())) == 2]
    enough = all(any((arm[trainer == t] == side).sum() > 1 for t in both) for side in (True, False))
    assume(both and enough)
    one = stratified_restricted_mean_difference(everyone, arm, horizon=40, strata=trainer)
    later = CensoredTimes(times.time + 7, np.ones(len(times), dtype=bool))
    two = stratified_restricted_mean_difference(later, arm, horizon=47, strata=trainer)
    assert two.estimate.value == pytest.approx(one.estimate.value, abs=1e-9)
    assert two.estimate.standard_error == pytest.approx(one.estimate.standard_error, abs=1e-9)


def score_statistics(counts):
    """Of the difference and of the log ratio; over strata with few clients both may turn back."""
    x, n = counts.retained.astype(float), counts.clients.astype(float)
    columns = (x[:, 0], n[:, 0], x[:, 1], n[:, 1], counts.weights)
    return [make(*(column[None] for column in columns)) for make in (difference_statistic, ratio_statistic)]


# Strata in which everybody or nobody was retained: the statistic turns back at no difference.
ALL_STAYED = StratifiedCounts([[5, 0], [0, 0]], [[5, 1], [1, 1]])
TURNS_FAR = StratifiedCounts([[4, 9], [1, 0]], [[4, 9], [1, 9]])
TURNS_BELOW = StratifiedCounts([[0, 0], [0, 0], [9, 5], [0, 1]], [[9, 3], [3, 4], [9, 5], [9, 1]])
RATIO_TURNS = StratifiedCounts([[2, 8], [1, 0]], [[2, 8], [1, 7]])


@FEW
@given(tables(most=1))
def test_in_one_stratum_score_statistics_fall_with_the_value_asked_about(counts):
    """The ends of the path are enough for the search because of this."""
    difference, ratio = score_statistics(counts)
    assert (np.diff(difference(np.linspace(-0.999, 0.999, 401))) <= 1e-9).all()
    if counts.retained.all():
        assert (np.diff(ratio(np.linspace(-4.0, 4.0, 401))) <= 1e-9).all()


@FEW
@given(tables(), st.floats(0.5, 0.995))
@example(ALL_STAYED, 0.9745)
@example(TURNS_FAR, 0.99)
@example(TURNS_BELOW, 0.98)
@example(RATIO_TURNS, 0.98)
def test_everything_outside_the_interval_is_rejected(counts, level):
    """The bisection alone ended where the statistic passes first; what is kept beyond was lost.

    The statistic may turn back between two values tried, by less than the tolerance.
    """
    quantile = float(ndtri(0.5 + level / 2.0))
    difference, ratio = score_statistics(counts)
    asked = [(difference, risk_difference(counts), np.linspace(-0.999, 0.999, 2001))]
    if counts.retained[:, 0].any() and counts.retained[:, 1].any():
        asked.append((ratio, risk_ratio(counts), np.linspace(-5.0, 5.0, 2001)))
    for statistic, result, values in asked:
        interval = result.confidence_interval(level)
        outside = (values < interval.lower) | (values > interval.upper)
        assert (np.abs(statistic(values))[outside] > quantile - 5e-3).all()
        ends = np.array([end for end in (interval.lower, interval.upper) if abs(end) < 1.0])
        assert (np.abs(statistic(ends)) <= quantile + 1e-9).all()


@FEW
@given(tables(), st.floats(0.5, 0.99))
@example(TURNS_FAR, 0.98)
def test_intervals_hold_the_estimate_and_grow_with_the_level(counts, level):
    """An interval without zero means a small p-value; in one stratum the reverse holds too."""
    result = risk_difference(counts)
    narrow, wide = result.confidence_interval(level), result.confidence_interval(level + 0.009)
    assert -1.0 <= wide.lower <= narrow.lower <= result.value <= narrow.upper <= wide.upper <= 1.0
    assume(result.p_value != pytest.approx(1.0 - level, abs=1e-6))
    without_zero, small = narrow.lower > 0.0 or narrow.upper < 0.0, result.p_value < 1.0 - level
    assert small or not without_zero
    assert without_zero or not small or len(counts.strata) > 1


@FEW
@given(st.integers(1, 60), st.data(), st.floats(0.5, 0.99))
def test_exact_intervals_of_one_share_hold_what_they_promise(clients_, data, level):
    count = data.draw(st.integers(0, clients_))
    share = Proportion(count, clients_)
    for method in ("wilson", "exact"):
        interval = share.confidence_interval(level, method=method)
        assert 0.0 <= interval.lower <= share.value <= interval.upper <= 1.0
        mirrored = Proportion(clients_ - count, clients_).confidence_interval(level, method=method)
        assert mirrored.lower == pytest.approx(1.0 - interval.upper, abs=1e-9)
