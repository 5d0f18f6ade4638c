"""Parametric bootstrap: draws have the model's covariance, refits are fits, nothing is dropped."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.mixed import (
    Correlation,
    MixedModel,
    RandomEffect,
    ResidualDeviation,
    ResidualStructure,
    StandardDeviation,
    VarianceShare,
    bootstrap_intervals,
)
from studykit.mixed.bootstrap import simulate_outcomes
from studykit.randomness import stream
from tests.support.dense import dense_model

RNG = np.random.default_rng(11)
CLIENT = np.repeat(np.arange(10), 3)
VISIT = np.tile(np.arange(3), 10)
LINE = np.column_stack([np.ones(30), VISIT])
Y = 5.0 + VISIT + (RNG.normal(size=10) * 1.5)[CLIENT] + RNG.normal(size=30)


def model(residual: ResidualStructure | None = None, *, slope: bool = False) -> MixedModel:
    effect = (
        RandomEffect("client", CLIENT, LINE, columns=["start", "gain"])
        if slope
        else RandomEffect("client", CLIENT)
    )
    return MixedModel(Y, LINE, effect, names=["start", "gain"], residual=residual)


STRUCTURES = {
    "equal": None,
    "by visit": ResidualStructure("by visit", visits=VISIT),
    "autoregressive": ResidualStructure("autoregressive", CLIENT, VISIT),
    "autoregressive, uneven days": ResidualStructure("autoregressive", CLIENT, np.array([0, 28, 98])[VISIT]),
}


@pytest.mark.parametrize("kind", STRUCTURES)
def test_draws_have_mean_and_covariance_of_the_model(kind: str) -> None:
    """20,000 draws: standard error of a covariance of size s is about s / 100 (5 allowed)."""
    structure = STRUCTURES[kind]
    one = model(structure)
    fit = one.fit()
    drawn = simulate_outcomes(one, fit, draws=20_000, generator=stream(1, kind))
    parameters = fit.covariance_parameters
    residual = parameters.residual
    elements = [float(parameters["client"][0, 0]), *np.diag(residual.matrix)]
    if residual.autocorrelation is not None:
        elements.append(residual.autocorrelation)
    V = dense_model(elements, one.random_effects, one.residual, 30).V
    size = float(np.diag(V).max())
    np.testing.assert_allclose(np.cov(drawn.T), V, atol=0.05 * size)
    np.testing.assert_allclose(
        drawn.mean(axis=0), fit.fitted_values(conditional=False), atol=0.04 * size**0.5
    )


def test_unstructured_draws() -> None:
    structure = ResidualStructure("unstructured", CLIENT, VISIT)
    one = MixedModel(Y, LINE, (), residual=structure)
    fit = one.fit()
    drawn = simulate_outcomes(one, fit, draws=20_000, generator=stream(2))
    matrix = fit.covariance_parameters.residual.matrix
    np.testing.assert_allclose(np.cov(drawn[:, :3].T), matrix, atol=0.05 * matrix.max())


def test_refits_are_single_fits_and_seeds_repeat() -> None:
    one = model()
    quantities = [StandardDeviation("client"), ResidualDeviation(), VarianceShare(("client",))]
    found = bootstrap_intervals(one, quantities, seed=3, draws=120)
    again = bootstrap_intervals(one, quantities, seed=3, draws=120)
    other = bootstrap_intervals(one, quantities, seed=4, draws=120)
    for a, b, c in zip(found.intervals, again.intervals, other.intervals, strict=True):
        assert np.array_equal(a.values, b.values)
        assert a.interval == b.interval
        assert not np.array_equal(a.values, c.values)
    drawn = simulate_outcomes(one, one.fit(), draws=120, generator=stream(3, "mixed", "bootstrap"))
    for draw in (0, 57, 119):
        refit = MixedModel(drawn[draw], LINE, one.random_effects).fit().covariance_parameters
        deviation, residual, share = (interval.values[draw] for interval in found.intervals)
        assert deviation == pytest.approx(float(refit["client"][0, 0]) ** 0.5, rel=1e-6, abs=1e-9)
        assert residual == pytest.approx(refit.residual.variance**0.5, rel=1e-6)
        assert share == pytest.approx(deviation**2 / (deviation**2 + residual**2), abs=1e-12)
    interval = found.intervals[1]
    assert (interval.interval.lower, interval.interval.upper) == pytest.approx(
        tuple(np.quantile(interval.values, [0.025, 0.975]))
    )


def test_variance_near_zero_is_counted_and_said() -> None:
    flat = MixedModel(RNG.normal(size=30), LINE, RandomEffect("client", CLIENT))
    found = bootstrap_intervals(flat, [StandardDeviation("client")], seed=1, draws=200)
    one = found.intervals[0]
    assert one.at_zero == int((one.values == 0.0).sum()) > 20
    assert any(remark.startswith(f"{one.at_zero} of 200 refits gave") for remark in found.remarks)
    assert one.interval.lower == 0.0


def test_undefined_correlations_are_counted() -> None:
    found = bootstrap_intervals(
        model(slope=True), [Correlation("client", "start", "gain")], seed=1, draws=200
    )
    one = found.intervals[0]
    assert int(np.isnan(one.values).sum()) == one.undefined + found.draws.supplied - found.draws.used
    assert any("is not defined" in remark for remark in found.remarks) == (one.undefined > 0)


def test_failed_refits_are_counted_not_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    from studykit.mixed import bootstrap

    original = bootstrap._refits

    def failing(*args: object, **options: object) -> list[object]:
        refits: list[object] = list(original(*args, **options))  # type: ignore[arg-type]
        refits[:7] = [None] * 7
        return refits

    monkeypatch.setattr(bootstrap, "_refits", failing)
    found = bootstrap_intervals(model(), [ResidualDeviation()], seed=1, draws=150)
    assert str(found.draws) == "143 of 150 refits used; left out: 7 (did not converge)"
    assert found.remarks[0] == "7 of 150 refits did not converge."
    assert np.isnan(found.intervals[0].values[:7]).all()


def test_refusals() -> None:
    with pytest.raises(ArgumentError, match="at least 100 draws"):
        bootstrap_intervals(model(), [ResidualDeviation()], seed=1, draws=20)
    with pytest.raises(ArgumentError, match="a quantity and"):
        bootstrap_intervals(model(), [], seed=1)
    with pytest.raises(ArgumentError, match="a random effect of the model"):
        bootstrap_intervals(model(), [StandardDeviation("trainer")], seed=1)
    with pytest.raises(ArgumentError, match="a whole number from 0"):
        bootstrap_intervals(model(), [ResidualDeviation()], seed=-1)
