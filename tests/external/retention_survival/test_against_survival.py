"""Retention against R's survival package, at full precision (make_reference.R, reference.json).

Tolerances: 1e-10 relative for closed forms; 1e-7 for iterated fits, whose reference stops at its own
tolerance; robust variances 1e-6.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from studykit.retention.censored import CensoredTimes
from studykit.retention.curves import kaplan_meier
from studykit.retention.hazard import fit_hazards
from studykit.retention.log_rank import log_rank
from studykit.retention.restricted_mean import restricted_mean
from studykit.retention.risk_difference import risk_difference
from studykit.retention.stratified_counts import StratifiedCounts

HERE = Path(__file__).parent
R = json.loads((HERE / "reference.json").read_text(encoding="utf-8"))
CLOSED, ITERATED, ROBUST = 1e-10, 1e-7, 1e-6


def columns(name):
    table = np.genfromtxt(HERE / "data" / f"{name}.csv", delimiter=",", names=True)
    return {column: table[column] for column in table.dtype.names}


def gehan():
    g = columns("gehan")
    return CensoredTimes(g["time"], g["event"]), g["control"], g["pair"]


def check_curve(curve, reference):
    np.testing.assert_allclose(curve.days, reference["time"], rtol=CLOSED)
    np.testing.assert_allclose(curve.retained, reference["survival"], rtol=CLOSED)
    np.testing.assert_array_equal(curve.at_risk, reference["at_risk"])
    np.testing.assert_array_equal(curve.departures, reference["events"])
    keep = curve.retained > 0.0
    np.testing.assert_allclose(
        np.sqrt(curve.variance[keep]), np.array(reference["standard_error"], dtype=float)[keep], rtol=CLOSED
    )
    band = curve.band(0.95)
    for ends, name in ((band.lower[1:], "lower"), (band.upper[1:], "upper")):
        np.testing.assert_allclose(ends[keep], np.array(reference[name], dtype=float)[keep], rtol=1e-8)


def check_model(model, reference):
    robust = reference.get("robust_standard_error")
    np.testing.assert_allclose(model.coefficients, reference["coefficient"], rtol=ITERATED)
    np.testing.assert_allclose(np.sqrt(np.diag(model.covariance)), reference["standard_error"], rtol=ITERATED)
    np.testing.assert_allclose(
        [model.null_log_likelihood, model.log_likelihood], reference["log_likelihood"], rtol=CLOSED
    )
    gained = reference["log_likelihood"][1] - reference["log_likelihood"][0]
    np.testing.assert_allclose(model.likelihood_ratio_statistic, 2.0 * gained, rtol=1e-8)
    np.testing.assert_allclose(model.score_statistic, reference["score"], rtol=1e-8)
    assert bool(robust) == (model.robust_covariance is not None)
    if robust:
        np.testing.assert_allclose(np.sqrt(np.diag(model.robust_covariance)), robust, rtol=ROBUST)


def test_curve_and_median_of_the_leukaemia_trial():
    """T01, T02: curve, Greenwood's standard errors, log(-log) ends, median 23 (13 to not reached)."""
    times, control, _ = gehan()
    curve = kaplan_meier(times.select(control == 0))
    check_curve(curve, R["gehan_curve"])
    median = curve.median()
    ends = median.confidence_interval()
    assert (median.value, ends.lower, ends.upper) == (R["gehan_median"], R["gehan_median_lower"], np.inf)
    assert R["gehan_median_upper"] == "NA"


def test_curve_with_tied_and_censored_times():
    """T13: maintenance trial (Miller 1981)."""
    a = columns("aml")
    maintained = a["maintained"] == 1
    check_curve(kaplan_meier(CensoredTimes(a["time"], a["event"]).select(maintained)), R["aml_curve"])


def test_curve_with_delayed_entry():
    h = columns("heart")
    late = h["transplant"] == 1
    times = CensoredTimes(h["stop"][late], h["event"][late], entry=h["start"][late])
    check_curve(kaplan_meier(times), R["late_curve"])


def test_log_rank():
    """T03, T10, T13."""
    times, control, pair = gehan()
    assert log_rank(times, control).statistic == pytest.approx(R["gehan_logrank"], rel=CLOSED)
    by_pair = log_rank(times, control, strata=pair)
    assert by_pair.statistic == pytest.approx(R["gehan_logrank_by_pair"], rel=CLOSED)
    a = columns("aml")
    aml = log_rank(CensoredTimes(a["time"], a["event"]), a["maintained"])
    assert aml.statistic == pytest.approx(R["aml_logrank"], rel=CLOSED)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("extra", ["", "by_pair_", "cluster_"])
def test_hazards_of_the_leukaemia_trial(ties, extra):
    """T05, T06, and stratified and clustered by pair."""
    times, control, pair = gehan()
    model = fit_hazards(
        times,
        control,
        names=("control",),
        ties=ties,
        strata=pair if extra == "by_pair_" else None,
        clusters=pair if extra == "cluster_" else None,
    )
    check_model(model, R[f"gehan_cox_{extra}{ties}"])


def test_hazards_of_the_maintenance_trial():
    """T13."""
    a = columns("aml")
    model = fit_hazards(CensoredTimes(a["time"], a["event"]), 1 - a["maintained"], names=("not maintained",))
    check_model(model, R["aml_cox"])


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_clustered_hazards_of_the_catheter_study(ties):
    """T30: two covariates, 38 people with two times each."""
    k = columns("kidney")
    model = fit_hazards(
        CensoredTimes(k["time"], k["event"]),
        np.column_stack((k["age"], k["sex"])),
        names=("age", "sex"),
        clusters=k["id"],
        ties=ties,
    )
    check_model(model, R[f"kidney_{ties}"])


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_clustered_hazards_of_the_rat_litters(ties):
    """T34."""
    r = columns("rats")
    model = fit_hazards(
        CensoredTimes(r["time"], r["event"]), r["rx"], names=("rx",), clusters=r["litter"], ties=ties
    )
    check_model(model, R[f"rats_{ties}"])


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_exposure_that_changes_in_time(ties):
    """T41: start-stop rows; and with clusters of rows of one person and a second covariate."""
    h = columns("heart")
    times = CensoredTimes(h["stop"], h["event"], entry=h["start"])
    plain = fit_hazards(times, h["transplant"], names=("transplant",), ties=ties)
    check_model(plain, R[f"heart_{ties}"])
    clustered = fit_hazards(
        times,
        np.column_stack((h["transplant"], h["age"])),
        names=("transplant", "age"),
        clusters=h["id"],
        ties=ties,
    )
    check_model(clustered, R[f"heart_cluster_{ties}"])


def test_interactions_with_exposure():
    """T42, on the 172-row file (trap Z03): Kalbfleisch & Prentice 1980, model 1."""
    h = columns("heart")
    x = np.column_stack(
        (h["age"], h["surgery"], h["transplant"], h["age"] * h["transplant"], h["surgery"] * h["transplant"])
    )
    names = ("age", "surgery", "transplant", "age x transplant", "surgery x transplant")
    model = fit_hazards(
        CensoredTimes(h["stop"], h["event"], entry=h["start"]), x, names=names, ties="breslow"
    )
    check_model(model, R["heart_model_1"])


def test_naive_and_time_varying_answers_of_the_heart_study():
    """T40, T46: grouping by what happened later gives 0.27, splitting follow-up at the transplant 1.13."""
    j = columns("jasa")
    days = np.maximum(j["days"], 0.5)  # deaths on day 0 get half a day; ranks are unchanged
    naive = fit_hazards(CensoredTimes(days, j["death"]), j["transplant"], names=("ever",))
    check_model(naive, R["jasa_cox"])
    assert np.exp(naive.coefficients[0]) == pytest.approx(0.27, abs=0.005)
    logrank = log_rank(CensoredTimes(days, j["death"]), j["transplant"])
    assert logrank.statistic == pytest.approx(R["jasa_logrank"], rel=CLOSED)


def test_weighted_rows():
    """T23: with whole weights and Breslow's ties, as many rows alike are one weighted row; robust by row."""
    times = CensoredTimes([1, 1, 2, 2, 2, 2, 3, 4, 5], [1, 0, 1, 1, 1, 0, 0, 1, 0])
    weights = [1, 2, 3, 4, 3, 2, 1, 2, 1]
    row = np.repeat(np.arange(9), weights)
    x = np.array([2, 0, 1, 1, 0, 1, 0, 1, 0])
    model = fit_hazards(times.select(row), x[row], names=("x",), clusters=row, ties="breslow")
    check_model(model, R["toy_weighted_breslow"])


def test_restricted_means():
    """T11, T12 (Klein & Moeschberger's variance; ten years of the liver trial)."""
    times, control, _ = gehan()
    for arm, name in ((0, "treated"), (1, "control")):
        mean = restricted_mean(times.select(control == arm), 20)
        np.testing.assert_allclose(
            [mean.value, np.sqrt(mean.greenwood_variance)], R["gehan_restricted_mean"][name], rtol=CLOSED
        )
    p = columns("pbc")
    years = CensoredTimes(p["days"] / 365.25, p["death"])
    for arm, name in ((1, "active"), (0, "placebo")):
        mean = restricted_mean(years.select(p["active"] == arm), 10)
        np.testing.assert_allclose(
            [mean.value, np.sqrt(mean.greenwood_variance)], R["pbc_restricted_mean"][name], rtol=CLOSED
        )


def tables(name):
    """R's two-by-two tables, column by column, as counts: rows of R are outcomes or arms alike."""
    cells = np.array(R[name]["tables"])
    return StratifiedCounts(cells[:, [2, 0]], cells[:, [2, 0]] + cells[:, [3, 1]])


def test_mantel_haenszel_of_the_admissions():
    """B21: the chi-squared without continuity correction (trap Z05)."""
    counts = tables("ucb")
    assert risk_difference(counts).statistic ** 2 == pytest.approx(R["ucb"]["uncorrected"], rel=CLOSED)
