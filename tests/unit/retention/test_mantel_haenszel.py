"""Mantel-Haenszel summaries: one stratum by hand, and refusals."""

import math

import pytest
from scipy import stats

from studykit.errors import FitError
from studykit.retention.mantel_haenszel import (
    cochran_mantel_haenszel,
    log_odds_ratio,
    log_risk_ratio,
    wald_risk_difference,
)
from studykit.retention.stratified_counts import StratifiedCounts

ONE = StratifiedCounts([[4, 9]], [[12, 12]])


def test_one_stratum_is_the_simple_table():
    chi = stats.chi2_contingency([[9, 3], [4, 8]], correction=False).statistic
    assert cochran_mantel_haenszel(ONE)[0] == pytest.approx(chi * 23 / 24, rel=1e-12)
    assert math.exp(log_odds_ratio(ONE).value) == pytest.approx(9 * 8 / (3 * 4))
    assert log_odds_ratio(ONE).standard_error == pytest.approx(math.sqrt(1 / 9 + 1 / 3 + 1 / 4 + 1 / 8))
    assert math.exp(log_risk_ratio(ONE).value) == pytest.approx(9 / 4)
    assert log_risk_ratio(ONE).standard_error == pytest.approx(math.sqrt(1 / 9 - 1 / 12 + 1 / 4 - 1 / 12))
    variance = 9 * 3 / 12**3 + 4 * 8 / 12**3
    assert wald_risk_difference(ONE).standard_error == pytest.approx(math.sqrt(variance))


def test_the_correction_never_makes_evidence():
    same = StratifiedCounts([[4, 4]], [[12, 12]])
    assert cochran_mantel_haenszel(same, continuity_correction=True) == (0.0, 1.0)


@pytest.mark.parametrize(
    ("function", "message"),
    [
        (cochran_mantel_haenszel, "some stayed and some left"),
        (log_odds_ratio, "an odds ratio cannot be estimated"),
    ],
)
def test_all_stayed(function, message):
    with pytest.raises(FitError, match=message):
        function(StratifiedCounts([[12, 12]], [[12, 12]]))


def test_nobody_stayed_in_one_arm():
    with pytest.raises(FitError, match="clients who stayed in both arms"):
        log_risk_ratio(StratifiedCounts([[0, 3]], [[12, 12]]))
