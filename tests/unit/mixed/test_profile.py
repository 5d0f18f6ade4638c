"""Profiles: held fits against direct minimisation, ends at the boundary, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from studykit.errors import ArgumentError
from studykit.mixed import (
    Autocorrelation,
    Contrast,
    Correlation,
    MixedModel,
    Quantity,
    RandomEffect,
    ResidualCorrelation,
    ResidualDeviation,
    ResidualStructure,
    StandardDeviation,
    VarianceShare,
    interval_and_profile,
    profile_interval,
    variance_profile,
)
from studykit.mixed.quantities import value_of
from tests.support.dense import dense_model

RNG = np.random.default_rng(5)
CLIENT = np.repeat(np.arange(14), 4)
VISIT = np.tile(np.arange(4), 14)
TRAINER = CLIENT % 4
LINE = np.column_stack([np.ones(56), VISIT])
OWN = RNG.normal(size=(14, 2)) * [2.0, 0.8]
NOISE = RNG.normal(size=56)
Y = 20.0 + VISIT + OWN[CLIENT, 0] + OWN[CLIENT, 1] * VISIT + NOISE
NO_EFFECTS: tuple[RandomEffect, ...] = ()


def intercepts() -> MixedModel:
    effects = [RandomEffect("client", CLIENT), RandomEffect("trainer", TRAINER)]
    return MixedModel(Y, LINE, effects, names=["start", "gain"])


def slopes() -> MixedModel:
    effect = RandomEffect("client", CLIENT, LINE, columns=["start", "gain"])
    return MixedModel(Y, LINE, effect, names=["start", "gain"])


def unstructured() -> MixedModel:
    return MixedModel(Y, LINE, NO_EFFECTS, residual=ResidualStructure("unstructured", CLIENT, VISIT))


def by_visit() -> MixedModel:
    return MixedModel(
        Y, LINE, RandomEffect("client", CLIENT), residual=ResidualStructure("by visit", visits=VISIT)
    )


def autoregressive() -> MixedModel:
    return MixedModel(Y, LINE, NO_EFFECTS, residual=ResidualStructure("autoregressive", CLIENT, VISIT))


def deviance(model: MixedModel, elements: list[float], *, reml: bool) -> float:
    """``-2 log L`` by full matrices."""
    V = dense_model(elements, model.random_effects, model.residual, len(model.outcome)).V
    X, y = model.fixed_effects, model.outcome
    inverse = np.linalg.inv(V)
    middle = X.T @ inverse @ X
    left = y - X @ np.linalg.solve(middle, X.T @ inverse @ y)
    value = float(np.linalg.slogdet(V)[1] + left @ inverse @ left)
    return value + float(np.linalg.slogdet(middle)[1]) if reml else value


def least(model: MixedModel, held: dict[int, float], free: list[float], *, reml: bool) -> float:
    """Minimum over the other variances, by a search without slopes."""

    def value(roots: np.ndarray) -> float:
        others = iter((roots**2).tolist())
        return deviance(
            model, [held[k] if k in held else next(others) for k in range(len(held) + len(free))], reml=reml
        )

    options = {"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000}
    return float(optimize.minimize(value, np.sqrt(free), method="Nelder-Mead", options=options).fun)


@pytest.mark.parametrize("reml", [True, False])
def test_ends_have_the_statistic_that_full_matrices_give(reml: bool) -> None:
    """The slow twin: both ends of the residual's interval rise by the chi-squared quantile."""
    model = intercepts()
    interval = profile_interval(model, ResidualDeviation(), reml=reml).interval
    fit = model.fit(reml=reml).covariance_parameters
    start = [max(float(fit[name][0, 0]), 0.05) for name in ("client", "trainer")]
    best = least(model, {}, [*start, fit.residual.variance], reml=reml)
    for end in (interval.lower, interval.upper):
        rise = least(model, {2: end**2}, start, reml=reml) - best
        assert rise == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-6)


@pytest.mark.parametrize(
    ("model", "quantity"),
    [
        (intercepts(), StandardDeviation("client")),
        (intercepts(), VarianceShare(("client",))),
        (slopes(), StandardDeviation("client", "gain")),
        (slopes(), Correlation("client", "gain", "start")),
        (unstructured(), ResidualDeviation(2)),
        (unstructured(), ResidualCorrelation(3, 1)),
        (by_visit(), ResidualDeviation(3)),
        (autoregressive(), Autocorrelation()),
    ],
)
def test_estimate_is_that_of_the_fit_and_inside(model: MixedModel, quantity: Quantity) -> None:
    assert not isinstance(quantity, Contrast)
    found = profile_interval(model, quantity, reml=True)
    assert found.estimate == pytest.approx(value_of(quantity, model.fit().covariance_parameters), rel=1e-6)
    assert found.interval.lower < found.estimate < found.interval.upper
    narrower = profile_interval(model, quantity, reml=True, confidence_level=0.8).interval
    assert found.interval.lower < narrower.lower < narrower.upper < found.interval.upper
    assert str(quantity) in str(found)


def test_the_likelihood_is_that_of_the_fit_and_named() -> None:
    """An interval by maximum likelihood stood, unnamed, beside a fit by the restricted one."""
    model, quantity = slopes(), StandardDeviation("client", "gain")
    usual, maximum = profile_interval(model, quantity), profile_interval(model, quantity, reml=False)
    assert usual.estimate == pytest.approx(value_of(quantity, model.fit().covariance_parameters), rel=1e-6)
    assert usual.interval.upper > maximum.interval.upper
    assert str(usual).endswith(", profile of the restricted likelihood)")
    assert str(maximum).endswith(", profile of the maximum likelihood)")
    assert str(profile_interval(model, Contrast.of("gain"))).endswith(", profile of the maximum likelihood)")
    for reml, found in ((None, usual), (False, maximum)):
        interval, curve = interval_and_profile(model, quantity, points=3, reml=reml)
        assert interval == found
        assert curve.method == variance_profile(model, quantity, points=3, reml=reml).method
        assert curve.method == found.interval.method


UNEVEN = 7 * np.array([0, 4, 9, 12])[VISIT]  # days; gaps of 4, 5 and 3 weeks


def test_autocorrelation_of_visits_at_uneven_distances() -> None:
    """Days or weeks, the same interval; it ends at zero, since a negative correlation has no powers."""
    close = 0.96 ** np.abs(UNEVEN[:4, None] - UNEVEN[:4])
    y = (np.linalg.cholesky(close) @ NOISE.reshape(14, 4).T).T.ravel()
    models = [
        MixedModel(y, LINE, NO_EFFECTS, residual=ResidualStructure("autoregressive", CLIENT, when))
        for when in (UNEVEN, UNEVEN / 7 + 3.0)
    ]
    days, weeks = (profile_interval(model, Autocorrelation()) for model in models)
    fit = models[0].fit().covariance_parameters.residual
    assert fit.distance == 21.0
    assert days.estimate == pytest.approx(fit.autocorrelation, rel=1e-6)
    assert (weeks.interval.lower, weeks.interval.upper) == pytest.approx(
        (days.interval.lower, days.interval.upper), rel=1e-6
    )
    assert 0.0 < days.interval.lower < 0.96**21 < days.interval.upper < 1.0
    wide = profile_interval(models[0], Autocorrelation(), confidence_level=0.999999)
    assert wide.interval.lower == 0.0
    (remark,) = wide.remarks
    assert remark.startswith("The lower end is zero, the end of the range: these data do not rule out that")


def test_autocorrelation_against_full_matrices() -> None:
    model = autoregressive()
    end = profile_interval(model, Autocorrelation(), reml=False).interval.upper
    fit = model.fit(reml=False).covariance_parameters.residual
    assert fit.autocorrelation is not None
    best = deviance(model, [fit.variance, fit.autocorrelation], reml=False)
    held = optimize.minimize_scalar(
        lambda log: deviance(model, [float(np.exp(log)), end], reml=False),
        bracket=(np.log(fit.variance) - 1.0, np.log(fit.variance) + 1.0),
        tol=1e-12,
    )
    assert held.fun - best == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-6)


def test_contrast_of_two_columns_is_a_recoded_column() -> None:
    """The mean at visit 3 is the intercept once visits are counted from 3."""
    moved = MixedModel(
        Y, LINE - [0.0, 3.0] * np.ones((56, 1)), slopes().random_effects, names=["at three", "gain"]
    )
    direct = profile_interval(moved, Contrast.of("at three")).interval
    weighted = profile_interval(slopes(), Contrast.of({"start": 1, "gain": 3})).interval
    assert (weighted.lower, weighted.upper) == pytest.approx((direct.lower, direct.upper), rel=1e-8)


def test_scale_moves_the_ends() -> None:
    model = slopes()
    tonnes = MixedModel(Y / 1000.0, LINE, model.random_effects, names=model.names)
    one = profile_interval(model, StandardDeviation("client", "gain")).interval
    other = profile_interval(tonnes, StandardDeviation("client", "gain")).interval
    assert (1000.0 * other.lower, 1000.0 * other.upper) == pytest.approx((one.lower, one.upper), rel=1e-7)


def test_zero_variance_has_an_interval_from_zero() -> None:
    balanced = NOISE - np.array([NOISE[client == CLIENT].mean() for client in range(14)])[CLIENT]
    model = MixedModel(balanced, np.ones((56, 1)), RandomEffect("client", CLIENT))
    found = profile_interval(model, StandardDeviation("client"))
    assert (found.estimate, found.interval.lower) == (0.0, 0.0)
    assert 0.0 < found.interval.upper < 1.0
    assert "The lower end is zero" in found.remarks[0]


def test_correlation_of_what_does_not_vary_says_so() -> None:
    balanced = NOISE - np.array([NOISE[client == CLIENT].mean() for client in range(14)])[CLIENT]
    effect = RandomEffect("client", CLIENT, LINE, columns=["start", "gain"])
    model = MixedModel(0.01 * balanced + VISIT, LINE, effect)
    assert not model.fit(reml=False).covariance_parameters["client"].any()
    found = profile_interval(model, Correlation("client", "start", "gain"), reml=False)
    assert np.isnan(found.estimate)
    assert (found.interval.lower, found.interval.upper) == (-1.0, 1.0)
    assert found.remarks[-1].endswith("the data say nothing about this correlation.")


def test_curve_passes_through_the_ends() -> None:
    model = slopes()
    curve = variance_profile(model, StandardDeviation("client", "start"), points=15, farthest=2.0)
    interval = profile_interval(
        model, StandardDeviation("client", "start"), confidence_level=float(2 * stats.norm.cdf(2) - 1)
    ).interval
    assert (curve.values[0], curve.values[-1]) == pytest.approx((interval.lower, interval.upper), rel=1e-6)
    assert curve.signed_root[[0, -1]] == pytest.approx([-2.0, 2.0], abs=1e-6)
    assert (np.diff(curve.values) > 0).all()
    assert (np.diff(curve.signed_root) > 0).all()
    np.testing.assert_allclose(curve.statistic, curve.signed_root**2)
    assert not curve.values.flags.writeable


def test_refusals() -> None:
    with pytest.raises(ArgumentError, match="a random effect of the model"):
        profile_interval(intercepts(), StandardDeviation("studio"))
    with pytest.raises(ArgumentError, match="a column of 'client'"):
        profile_interval(slopes(), StandardDeviation("client"))
    with pytest.raises(ArgumentError, match="two different columns"):
        profile_interval(slopes(), Correlation("client", "gain", "gain"))
    with pytest.raises(ArgumentError, match="intercepts only"):
        profile_interval(slopes(), VarianceShare(("client",)))
    with pytest.raises(ArgumentError, match="one random effect"):
        profile_interval(intercepts(), VarianceShare(("client", "trainer")))
    with pytest.raises(ArgumentError, match="a visit of the residual structure"):
        profile_interval(unstructured(), ResidualDeviation(9))
    with pytest.raises(ArgumentError, match="an unstructured residual"):
        profile_interval(slopes(), ResidualCorrelation(0, 1))
    with pytest.raises(ArgumentError, match="an autoregressive residual"):
        profile_interval(slopes(), Autocorrelation())
    with pytest.raises(ArgumentError, match="which does not know the fixed effects"):
        profile_interval(slopes(), Contrast.of("gain"), reml=True)
    with pytest.raises(ArgumentError, match="names of fixed effects"):
        profile_interval(slopes(), Contrast.of("gian"))
    with pytest.raises(ArgumentError, match="a weight that is not zero"):
        profile_interval(slopes(), Contrast.of({"gain": 0.0}))
    with pytest.raises(ArgumentError, match="at least 3 points"):
        variance_profile(slopes(), ResidualDeviation(), points=2)
    with pytest.raises(ArgumentError, match="a number between 0 and 1"):
        profile_interval(slopes(), ResidualDeviation(), confidence_level=95)
