"""Hazards per session, delayed entry, trainers as strata, clusters: against R (make_reference.R).

Tolerances: 1e-7 for iterated fits, 1e-10 for closed forms. The small-sample cluster variance corrects
residuals by one of several matrix square roots, which agree where working weights do not vary within a
cluster: its uncorrected form is held to 1e-6, the corrected one and its degrees of freedom to 2 %, of which
the correction's own size for trainers (16 %) is eight times as much.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from studykit.retention.censored import CensoredTimes
from studykit.retention.curves import kaplan_meier
from studykit.retention.discrete_hazard import fit_discrete_hazards
from studykit.retention.hazard import fit_hazards
from studykit.retention.restricted_mean import restricted_mean

HERE = Path(__file__).parent
R = json.loads((HERE / "reference.json").read_text(encoding="utf-8"))
ITERATED, CLOSED, ROOTS = 1e-7, 1e-10, 0.02


def table(name):
    return np.genfromtxt(HERE / "data" / f"{name}.csv", delimiter=",", names=True)


@pytest.fixture
def sessions():
    s = table("sessions")
    return s, np.column_stack((s["exposed"], s["recent"]))


def test_hazards_per_session_with_trainers_as_strata(sessions):
    s, x = sessions
    model = fit_discrete_hazards(s["last"], x, names=("exposed", "recent"), strata=s["trainer"])
    np.testing.assert_allclose(model.coefficients, R["strata"]["coefficient"], rtol=ITERATED)
    np.testing.assert_allclose(
        np.sqrt(np.diag(model.model_covariance)), R["strata"]["standard_error"], rtol=1e-6
    )
    assert model.log_likelihood == pytest.approx(R["strata"]["log_likelihood"], rel=CLOSED)


@pytest.mark.parametrize("unit", ["client", "trainer"])
def test_cluster_variance_of_hazards_per_session(sessions, unit):
    s, x = sessions
    model = fit_discrete_hazards(s["last"], x, names=("exposed", "recent"), clusters=s[unit])
    np.testing.assert_allclose(model.coefficients, R["plain"]["coefficient"], rtol=ITERATED)
    reference = R["plain"][f"by_{unit}"]
    np.testing.assert_allclose(np.sqrt(np.diag(model.covariance)), reference["standard_error"], rtol=ROOTS)
    np.testing.assert_allclose(model.degrees_of_freedom, reference["degrees_of_freedom"], rtol=ROOTS)
    sums = np.zeros((int(s[unit].max()) + 1, 2))
    for k in range(2):
        gradient = np.eye(2)[k]
        sums[:, k] = np.bincount(
            s[unit].astype(int), fit_alone(s, x).influence(gradient, np.zeros(1)), minlength=len(sums)
        )
    np.testing.assert_allclose(np.sqrt((sums**2).sum(axis=0)), reference["uncorrected"], rtol=1e-6)


def fit_alone(s, x):
    """Every session its own cluster, so that influences can be added up by any unit."""
    return fit_discrete_hazards(s["last"], x, names=("exposed", "recent"))


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_time_varying_exposure_with_delayed_entry_strata_and_clusters(sessions, ties):
    s, x = sessions
    rows = s["stop"] > s["start"]
    assert rows.sum() == R["cox_rows"]
    model = fit_hazards(
        CensoredTimes(s["stop"][rows], s["last"][rows], entry=s["start"][rows]),
        x[rows],
        names=("exposed", "recent"),
        strata=s["trainer"][rows],
        clusters=s["client"][rows],
        ties=ties,
    )
    reference = R[f"cox_{ties}"]
    np.testing.assert_allclose(model.coefficients, reference["coefficient"], rtol=ITERATED)
    np.testing.assert_allclose(np.sqrt(np.diag(model.covariance)), reference["standard_error"], rtol=ITERATED)
    np.testing.assert_allclose(
        np.sqrt(np.diag(model.robust_covariance)), reference["robust_standard_error"], rtol=1e-6
    )
    np.testing.assert_allclose(
        [model.null_log_likelihood, model.log_likelihood], reference["log_likelihood"], rtol=CLOSED
    )


def test_curves_and_mean_days_of_members_who_enter_late():
    k = table("clients")
    times = CensoredTimes(k["time"], k["event"], entry=k["entry"])
    curve = kaplan_meier(times)
    shares = [curve.at(day) for day in (60, 120, 182)]
    np.testing.assert_allclose([one.value for one in shares], R["curve"]["survival"], rtol=CLOSED)
    np.testing.assert_allclose(
        [one.standard_error for one in shares], R["curve"]["standard_error"], rtol=CLOSED
    )
    assert [one.at_risk for one in shares] == R["curve"]["at_risk"]
    later = kaplan_meier(times, from_day=56)
    np.testing.assert_allclose(
        [later.at(day).value for day in (120, 182)], R["curve_from_56"]["survival"], rtol=CLOSED
    )
    mean = restricted_mean(times, 182)
    np.testing.assert_allclose(
        [mean.value, np.sqrt(mean.greenwood_variance)], R["restricted_mean"], rtol=CLOSED
    )
