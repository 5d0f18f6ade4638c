"""Leaving out clients and trainers; quantiles against the normal."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from studykit.errors import ArgumentError
from studykit.mixed import (
    MixedModel,
    RandomEffect,
    influence_of,
    random_effect_quantiles,
    residual_quantiles,
)

RNG = np.random.default_rng(21)
CLIENT = np.repeat(np.arange(16), 3)
VISIT = np.tile(np.arange(3.0), 16)
TRAINER = np.array([f"T{number}" for number in CLIENT % 4])
ARM = ((CLIENT // 4) % 2).astype(float)
X = np.column_stack([np.ones(48), VISIT, ARM * VISIT])
Y = 30 + VISIT * (1 + 0.5 * ARM) + (2 * RNG.normal(size=16))[CLIENT] + RNG.normal(size=48)
NAMES = ["start", "gain", "arm"]


def model(outcome: np.ndarray = Y) -> MixedModel:
    effects = [RandomEffect("client", CLIENT), RandomEffect("trainer", TRAINER)]
    return MixedModel(outcome, X, effects, names=NAMES)


@pytest.mark.parametrize("groups", ["client", "trainer"])
def test_every_refit_is_the_fit_of_the_rows_that_are_left(groups: str) -> None:
    one = model()
    fit = one.fit()
    found = influence_of(one, groups, contrast={"gain": 1, "arm": 2})
    labels = CLIENT if groups == "client" else TRAINER
    errors = np.array([coefficient.standard_error for coefficient in fit.coefficients])
    for place, level in enumerate(found.levels):
        refit = one.rows(labels != level).fit()
        np.testing.assert_allclose(found.values[place], refit.values, rtol=1e-7)
        np.testing.assert_allclose(found.change[place], (refit.values - fit.values) / errors, atol=1e-6)
        contrast = refit.contrast({"gain": 1, "arm": 2})
        assert found.contrast is not None
        assert found.contrast_values is not None
        assert found.contrast_change is not None
        assert found.contrast_p_values is not None
        assert found.contrast_values[place] == pytest.approx(contrast.value, rel=1e-7)
        assert found.contrast_p_values[place] == pytest.approx(contrast.p_value, rel=1e-5)
        assert found.contrast_change[place] == pytest.approx(
            (contrast.value - found.contrast.value) / found.contrast.standard_error, abs=1e-6
        )
        assert found.rows[place] == (labels == level).sum()
    assert found.refits.used == len(found.levels)
    assert not found.failed


def test_the_odd_client_is_found() -> None:
    odd = Y + np.where(CLIENT == 5, 15.0 * VISIT, 0.0)
    found = influence_of(model(odd), CLIENT, contrast={"arm": 1})
    assert found.largest()[0] == 5
    assert found.largest("arm")[0] == 5
    assert found.largest("arm")[1] == pytest.approx(found.largest()[1], rel=0.2)  # standard errors differ


def test_what_cannot_be_fitted_is_named_with_the_reason() -> None:
    """Without the only trainer of the second arm there is no arm left to estimate."""
    arm = (TRAINER == "T3").astype(float)
    one = MixedModel(Y, np.column_stack([np.ones(48), arm]), RandomEffect("client", CLIENT), names=["a", "b"])
    found = influence_of(one, TRAINER)
    assert str(found.refits) == "3 of 4 refits used; left out: 1 (could not be fitted)"
    assert [level for level, _ in found.failed] == ["T3"]
    assert "nothing but zeros in 'b'" in found.failed[0][1]
    assert np.isnan(found.values[3]).all()
    assert np.isfinite(found.values[:3]).all()
    with pytest.raises(ArgumentError, match="or a contrast given before"):
        found.largest()


def test_refusals() -> None:
    with pytest.raises(ArgumentError, match="a random effect"):
        influence_of(model(), "studio")
    with pytest.raises(ArgumentError, match="48 labels"):
        influence_of(model(), [1, 2, 3])
    with pytest.raises(ArgumentError, match="a label in every row"):
        influence_of(model(), np.where(CLIENT == 2, np.nan, CLIENT))
    with pytest.raises(ArgumentError, match="one of 'start', 'gain', 'arm'"):
        influence_of(model(), "client", contrast={"armm": 1})


def test_residual_quantiles() -> None:
    """Blom's positions, as scipy's for the same formula."""
    fit = model().fit()
    found = residual_quantiles(fit)
    residuals = fit.residuals(conditional=True)
    np.testing.assert_allclose(residuals[list(found.labels)], np.sort(residuals))
    np.testing.assert_allclose(found.expected, stats.norm.ppf((np.arange(1, 49) - 0.375) / 48.25))
    assert np.mean(found.observed**2) == pytest.approx(1.0)
    assert 0.9 < found.straightness <= 1.0


def test_random_effect_quantiles_are_standardised() -> None:
    """One-way balanced layout: every prediction has the same spread, sample variance near one."""
    one = MixedModel(Y, np.ones((48, 1)), RandomEffect("client", CLIENT))
    found = random_effect_quantiles(one.fit(), "client")
    means = np.array([Y[client == CLIENT].mean() for client in range(16)])
    assert found.labels == tuple(np.argsort(means).tolist())
    # With REML of balanced data the prediction's variance is the observed one, (levels - 1) / levels of it
    # left by the mean: the sum of squares is exactly the number of levels.
    assert float((found.observed**2).sum()) == pytest.approx(16.0, rel=1e-6)


def test_quantiles_refuse_what_does_not_vary() -> None:
    flat = RNG.normal(size=48)
    flat -= np.array([flat[client == CLIENT].mean() for client in range(16)])[CLIENT]
    fit = MixedModel(flat, np.ones((48, 1)), RandomEffect("client", CLIENT)).fit()
    with pytest.raises(ArgumentError, match="levels whose predictions vary"):
        random_effect_quantiles(fit, "client")
    with pytest.raises(ArgumentError, match="one of 'intercept'"):
        random_effect_quantiles(model().fit(), "client", column="gain")
