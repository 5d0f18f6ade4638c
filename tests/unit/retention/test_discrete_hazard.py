"""Discrete-time hazards: held to statsmodels, to a dense twin of the cluster sandwich, and to simulation."""

import numpy as np
import pytest
import statsmodels.api as sm

from studykit.errors import ArgumentError, ConvergenceError
from studykit.retention.discrete_hazard import fit_discrete_hazards, within_strata


def made_up(seed=1, n=600, groups=4, clusters=25):
    rng = np.random.default_rng(seed)
    group, cluster = rng.integers(0, groups, n), rng.integers(0, clusters, n)
    x = np.column_stack((rng.random(n) < 0.5, rng.normal(size=n) + 0.5 * group))
    mu = np.exp(-2.0 + 0.3 * group - 0.5 * x[:, 0] + 0.2 * x[:, 1])
    return rng.random(n) < -np.expm1(-mu), x, group, cluster


def dense(x, group):
    return np.column_stack((x, group[:, None] == np.unique(group))).astype(float)


def test_estimates_equal_a_binomial_model_with_one_intercept_per_stratum():
    y, x, group, _ = made_up()
    ours = fit_discrete_hazards(y, x, names=("a", "b"), strata=group)
    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    theirs = sm.GLM(y.astype(float), dense(x, group), family=family).fit(tol=1e-12)
    np.testing.assert_allclose(ours.coefficients, theirs.params[:2], rtol=1e-7)
    np.testing.assert_allclose(ours.intercepts, theirs.params[2:], rtol=1e-7)
    np.testing.assert_allclose(ours.model_covariance, theirs.cov_params()[:2, :2], rtol=1e-6)
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-8)


def test_cluster_variance_and_degrees_of_freedom_equal_a_dense_twin():
    """Bell and McCaffrey's adjustment with matrices of the size of the data."""
    y, x, _, cluster = made_up(n=300, clusters=8)
    ours = fit_discrete_hazards(y, x, names=("a", "b"), clusters=cluster)
    design = np.column_stack((x, np.ones(len(y))))
    mu = np.exp(ours.linear_predictor)
    w = mu**2 / np.expm1(mu)
    z = np.sqrt(w)[:, None] * design
    e = (y * mu / np.expm1(mu) - (~y) * mu) / np.sqrt(w)
    inverse = np.linalg.inv(z.T @ z)
    hat = z @ inverse @ z.T
    turned = []
    for number in range(8):
        rows = cluster == number
        values, vectors = np.linalg.eigh(np.eye(rows.sum()) - hat[np.ix_(rows, rows)])
        adjusted = (vectors / np.sqrt(values)) @ vectors.T
        full = np.zeros((2, len(y)))
        full[:, rows] = (inverse @ z[rows].T @ adjusted)[:2]
        turned.append(full)
    covariance = sum(np.outer(one @ e, one @ e) for one in turned)
    np.testing.assert_allclose(ours.covariance, covariance, rtol=1e-8)
    residual_maker = np.eye(len(y)) - hat
    for k in range(2):
        spread = np.array([one[k] for one in turned]) @ residual_maker
        gram = spread @ spread.T
        expected = np.trace(gram) ** 2 / np.sum(gram**2)
        assert ours.degrees_of_freedom[k] == pytest.approx(expected, rel=1e-8)


def test_without_clusters_and_with_weights():
    y, x, group, _ = made_up()
    weights = np.random.default_rng(3).integers(0, 3, y.size)
    weighted = fit_discrete_hazards(y, x, names=("a", "b"), strata=group, weights=weights)
    rows = np.repeat(np.arange(y.size), weights)
    repeated = fit_discrete_hazards(y[rows], x[rows], names=("a", "b"), strata=group[rows])
    np.testing.assert_allclose(weighted.coefficients, repeated.coefficients, rtol=1e-7)
    np.testing.assert_allclose(weighted.model_covariance, repeated.model_covariance, rtol=1e-6)


def test_influence_is_the_change_when_a_row_is_given_more_weight():
    y, x, group, _ = made_up()
    model = fit_discrete_hazards(y, x, names=("a", "b"), strata=group)
    along = model.influence(np.array([1.0, 0.0]), np.zeros(4))
    of_intercept = model.influence(np.zeros(2), np.array([0.0, 1.0, 0.0, 0.0]))
    for row in (np.flatnonzero(y)[0], np.flatnonzero(~y)[0]):
        more = np.ones(y.size)
        more[row] += 1e-3
        moved = fit_discrete_hazards(y, x, names=("a", "b"), strata=group, weights=more)
        assert (moved.coefficients[0] - model.coefficients[0]) / 1e-3 == pytest.approx(along[row], rel=0.05)
        assert (moved.intercepts[1] - model.intercepts[1]) / 1e-3 == pytest.approx(
            of_intercept[row], rel=0.05, abs=1e-4
        )


def test_strata_without_an_event_say_nothing_about_the_ratio():
    y, x, group, cluster = made_up()
    quiet = group == 2
    model = fit_discrete_hazards(y & ~quiet, x, names=("a", "b"), strata=group, clusters=cluster)
    without = fit_discrete_hazards(
        y[~quiet], x[~quiet], names=("a", "b"), strata=group[~quiet], clusters=cluster[~quiet]
    )
    assert model.silent_strata == ("2",)
    assert model.intercepts[2] == -np.inf
    np.testing.assert_allclose(model.coefficients, without.coefficients, rtol=1e-8)
    np.testing.assert_allclose(model.covariance, without.covariance, rtol=1e-8)


def test_coverage_with_few_events_and_clients_as_clusters():
    """400 simulated studios of 60 clients: 95 % intervals, Monte Carlo error 1.1 %."""
    rng = np.random.default_rng(8)
    hits = 0
    for _ in range(400):
        client = np.repeat(np.arange(60), 15)
        x = np.repeat(rng.random(60) < 0.5, 15).astype(float)
        y = rng.random(client.size) < -np.expm1(-np.exp(-3.5 - 0.36 * x))
        first = np.array([np.flatnonzero(row)[0] if row.any() else 14 for row in y.reshape(60, 15)])
        rows = np.tile(np.arange(15), 60) <= np.repeat(first, 15)
        model = fit_discrete_hazards(y[rows], x[rows], names=("x",), clusters=client[rows])
        hits += model.log_hazard_ratio("x").confidence_interval().contains(-0.36)
    assert abs(hits / 400 - 0.95) < 3 * 0.0109


def test_refusals():
    y, x, group, _ = made_up()
    with pytest.raises(ArgumentError, match="discrete hazards, b: expected covariates that differ"):
        fit_discrete_hazards(y, np.column_stack((x[:, 0], 2 * x[:, 0])), names=("a", "b"))
    with pytest.raises(ArgumentError, match=r"found none\. Report that nobody left"):
        fit_discrete_hazards(np.zeros(y.size), x, names=("a", "b"))
    with pytest.raises(ArgumentError, match="one of a, b; found c"):
        fit_discrete_hazards(y, x, names=("a", "b")).log_hazard_ratio("c")
    with pytest.raises(ConvergenceError, match="coefficient of a that keeps growing"):
        fit_discrete_hazards(y & (x[:, 0] > 0), x, names=("a", "b"), strata=group)
    with pytest.raises(ArgumentError, match="finite covariates"):
        fit_discrete_hazards(y, np.where(x > 2, np.nan, x), names=("a", "b"))
    with pytest.raises(ArgumentError, match="an event, a weight, a stratum, an offset and 1 covariates"):
        fit_discrete_hazards(y, x, names=("a",))
    with pytest.raises(ArgumentError, match="600 labels"):
        fit_discrete_hazards(y, x, names=("a", "b"), clusters=[1, 2])


def test_columns_within_strata():
    strata = np.array([0, 0, 1, 1])
    x = np.array([[0.0, 1.0, 2.0], [0.0, 2.0, 4.0], [1.0, 1.0, 2.0], [1.0, 3.0, 6.0]])
    assert within_strata(x, strata).independent([0, 1, 2]) == [1]
    assert within_strata(x, np.zeros(4, dtype=int)).independent([0, 1, 2]) == [0, 1]
    assert within_strata(x, np.zeros(4, dtype=int)).independent([2], given=[1]) == []


def test_an_offset_agrees_with_generalised_linear_models() -> None:
    """The complementary log-log model of statsmodels, with the logarithm of days as offset and weights."""
    import statsmodels.api as sm

    rng = np.random.default_rng(8)
    x, days, weights = rng.normal(size=400), rng.integers(1, 9, 400), rng.uniform(0.3, 3.0, 400)
    y = rng.random(400) < -np.expm1(-days * np.exp(-3.0 + 0.5 * x))
    model = fit_discrete_hazards(y, x, names=("x",), weights=weights, offset=np.log(days))
    other = sm.GLM(
        y.astype(float),
        sm.add_constant(x),
        family=sm.families.Binomial(sm.families.links.CLogLog()),
        offset=np.log(days),
        freq_weights=weights,
    ).fit(tol=1e-12)
    assert model.intercepts[0] == pytest.approx(other.params[0], rel=1e-7)
    assert model.coefficients[0] == pytest.approx(other.params[1], rel=1e-7)
    assert model.log_likelihood == pytest.approx(other.llf, rel=1e-9)
    without = fit_discrete_hazards(y, x, names=("x",), weights=weights)
    assert abs(model.intercepts[0] - without.intercepts[0]) > 1.0


def test_events_without_weight_are_none():
    y, x, _, _ = made_up(n=200)
    weights = np.where(np.arange(200) % 3 == 0, 0.0, 1.5)
    found = fit_discrete_hazards(y, x, names=("a", "b"), weights=weights)
    assert found.events == (y & (np.arange(200) % 3 != 0)).sum() > 0
