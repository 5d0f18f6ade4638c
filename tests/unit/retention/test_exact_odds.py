"""Exact conditional inference: defining equations, Fisher's test, and limits."""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.special import logsumexp

from studykit.errors import FitError
from studykit.retention.exact_odds import exact_odds_ratio
from studykit.retention.stratified_counts import StratifiedCounts

STRATA = StratifiedCounts([[4, 5], [2, 6], [3, 3]], [[6, 6], [5, 7], [4, 3]])


def tail(result, log_odds, upper):
    terms = result.log_ways + log_odds * result.support
    keep = result.support >= result.observed if upper else result.support <= result.observed
    return math.exp(logsumexp(terms[keep]) - logsumexp(terms))


def test_limits_satisfy_their_defining_equation():
    result = exact_odds_ratio(STRATA)
    ends = result.confidence_interval(0.9)
    assert tail(result, ends.lower, True) == pytest.approx(0.05, rel=1e-9)
    assert tail(result, ends.upper, False) == pytest.approx(0.05, rel=1e-9)
    terms = result.log_ways + result.value * result.support
    assert np.exp(terms - logsumexp(terms)) @ result.support == pytest.approx(result.observed, rel=1e-9)


def test_one_stratum_is_fishers_test():
    for kept0, n0, kept1, n1 in ((3, 10, 9, 10), (0, 5, 4, 9), (7, 8, 2, 6)):
        result = exact_odds_ratio(StratifiedCounts([[kept0, kept1]], [[n0, n1]]))
        fisher = stats.fisher_exact([[kept1, n1 - kept1], [kept0, n0 - kept0]])
        assert result.p_value == pytest.approx(fisher.pvalue, rel=1e-9)


def test_ways_are_counted_by_enumeration():
    result = exact_odds_ratio(STRATA)
    margins = zip(STRATA.retained.sum(axis=1), STRATA.clients.tolist(), strict=True)
    ways = {0: 1}
    for kept, (n0, n1) in margins:
        step = {
            k: math.comb(n1, k) * math.comb(n0, int(kept) - k) for k in range(n1 + 1) if 0 <= kept - k <= n0
        }
        together: dict[int, int] = {}
        for a, left in ways.items():
            for b, right in step.items():
                together[a + b] = together.get(a + b, 0) + left * right
        ways = together
    possible = {key: value for key, value in ways.items() if value}
    np.testing.assert_array_equal(result.support, sorted(possible))
    np.testing.assert_allclose(np.exp(result.log_ways), [possible[k] for k in sorted(possible)], rtol=1e-10)


def test_ends_of_the_support_are_infinite():
    most = exact_odds_ratio(StratifiedCounts([[0, 4]], [[4, 4]]))
    assert (most.value, most.confidence_interval().upper) == (math.inf, math.inf)
    least = exact_odds_ratio(StratifiedCounts([[4, 0]], [[4, 4]]))
    assert (least.value, least.confidence_interval().lower) == (-math.inf, -math.inf)
    assert least.p_value == pytest.approx(2 / 70)


def test_large_tables_do_not_overflow():
    result = exact_odds_ratio(StratifiedCounts([[700, 800]], [[1000, 1000]]))
    assert result.p_value == pytest.approx(stats.fisher_exact([[800, 200], [700, 300]]).pvalue, rel=1e-6)


def test_nothing_to_compare_is_refused():
    with pytest.raises(FitError, match="some stayed and some left; found none"):
        exact_odds_ratio(StratifiedCounts([[6, 6], [3, 0]], [[6, 6], [4, 0]]))
