"""Pictures of how well a model fits: what stands in them comes from the results."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.mixed import (
    MixedModel,
    RandomEffect,
    StandardDeviation,
    influence_of,
    profile_interval,
    random_effect_quantiles,
    residual_quantiles,
    variance_profile,
)
from studykit.report.fit_figures import draw_influence, draw_normal_quantiles, draw_variance_profile
from studykit.report.style import new_figure

RNG = np.random.default_rng(6)
CLIENTS = np.array([f"C{k:02d}" for k in range(14)])
CLIENT = np.repeat(CLIENTS, 4)
Y = 50 + 4 * RNG.standard_normal(14).repeat(4) + RNG.standard_normal(56)
Y[:4] += 25.0
MODEL = MixedModel(Y, np.ones((56, 1)), RandomEffect("client", CLIENT), names=["mean"])


def texts(ax: object) -> list[str]:
    return [text.get_text() for text in ax.texts]


def test_quantiles_name_the_outermost_levels() -> None:
    _, ax = new_figure(3.0, 3.0)
    quantiles = random_effect_quantiles(MODEL.fit(), "client")
    draw_normal_quantiles(quantiles, ax)
    assert texts(ax) == [*quantiles.labels[:2], *quantiles.labels[-2:]]
    assert texts(ax)[-1] == "C00"
    np.testing.assert_array_equal(ax.lines[1].get_ydata(), quantiles.observed)


def test_rows_are_not_named() -> None:
    _, ax = new_figure(3.0, 3.0)
    draw_normal_quantiles(residual_quantiles(MODEL.fit()), ax, named=False)
    assert texts(ax) == []
    assert ax.get_ylabel().replace("\n", " ") == "residuals (standard deviations)"


def test_the_profile_shows_the_interval_of_the_result() -> None:
    _, ax = new_figure(3.0, 3.0)
    quantity = StandardDeviation("client")
    interval = profile_interval(MODEL, quantity, reml=True)
    draw_variance_profile(variance_profile(MODEL, quantity, reml=True), ax, interval=interval, unit="kg")
    assert f"{interval.interval.lower:.3g} to {interval.interval.upper:.3g}" in texts(ax)[0]
    segment = ax.collections[0].get_segments()[0]
    np.testing.assert_allclose(segment[:, 0], [interval.interval.lower, interval.interval.upper])
    np.testing.assert_allclose(segment[:, 1], 1.96, atol=0.02)
    assert ax.get_xlabel().replace("\n", " ") == "standard deviation between levels of client, kg"


def test_a_profile_that_ends_at_zero_is_drawn_from_zero() -> None:
    flat = MixedModel(RNG.standard_normal(56), np.ones((56, 1)), RandomEffect("client", CLIENT))
    quantity = StandardDeviation("client")
    interval = profile_interval(flat, quantity, reml=True)
    assert interval.interval.lower == 0.0
    _, ax = new_figure(3.0, 3.0)
    draw_variance_profile(variance_profile(flat, quantity, reml=True), ax, interval=interval)
    assert ax.collections[0].get_segments()[0][0, 0] == 0.0


@pytest.mark.parametrize("shown", [float, lambda value: 100.0 * value])
def test_influence_shows_every_refit_and_names_the_extremes(shown: object) -> None:
    influence = influence_of(MODEL, "client", contrast={"mean": 1})
    _, ax = new_figure(3.0, 3.0)
    draw_influence(influence, ax, who="client", unit="kg", shown=shown)
    points = next(line for line in ax.lines if len(line.get_xdata()) == 14)
    np.testing.assert_allclose(points.get_xdata(), sorted(shown(v) for v in influence.contrast_values))
    assert texts(ax)[0] == "C00"
    assert "kg" in ax.get_xlabel()


def test_nothing_to_leave_out_is_said() -> None:
    _, ax = new_figure(3.0, 3.0)
    draw_influence(influence_of(MODEL, "client"), ax, who="client")
    assert texts(ax) == ["nothing to leave out"]
