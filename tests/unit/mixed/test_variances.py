"""Intraclass correlation and sentences about variances."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from studykit.errors import ArgumentError
from studykit.mixed import (
    MixedModel,
    RandomEffect,
    ResidualStructure,
    describe_variances,
    intraclass_correlation,
)

RNG = np.random.default_rng(31)
CLIENT = np.repeat(np.arange(20), 3)
TRAINER = CLIENT // 4
VISIT = np.tile(np.arange(3.0), 20)
Y = 50 + (3 * RNG.normal(size=20))[CLIENT] + (2 * RNG.normal(size=5))[TRAINER] + RNG.normal(size=60)
ONE = np.ones((60, 1))


def one_way() -> MixedModel:
    return MixedModel(Y, ONE, RandomEffect("client", CLIENT))


def squares() -> tuple[float, float]:
    table = Y.reshape(20, 3)
    return float(3 * table.mean(axis=1).var(ddof=1)), float(table.var(axis=1, ddof=1).mean())


def test_balanced_one_way_is_that_of_mean_squares() -> None:
    """ICC(1) = (B - W) / (B + 2 W) (Shrout & Fleiss 1979); its exact F interval is close to the profile's."""
    between, within = squares()
    found = intraclass_correlation(one_way(), "client")
    assert found.value == pytest.approx((between - within) / (between + 2 * within), rel=1e-8)
    ratio = between / within
    lower = ratio / stats.f.ppf(0.975, 19, 40)
    upper = ratio * stats.f.ppf(0.975, 40, 19)
    exact = ((lower - 1) / (lower + 2), (upper - 1) / (upper + 2))
    assert (found.interval.lower, found.interval.upper) == pytest.approx(exact, abs=0.02)
    assert found.typical_difference == pytest.approx(1.96 * (2 * within) ** 0.5, rel=1e-7)
    assert str(found).startswith("Two tests with the same client correlate 0.9")
    assert found.other == ("residual",)


def test_nested_shares_add_up() -> None:
    effects = [RandomEffect("client", CLIENT), RandomEffect("trainer", TRAINER)]
    model = MixedModel(Y, ONE, effects)
    client = intraclass_correlation(model, "client")
    trainer = intraclass_correlation(model, "trainer")
    both = intraclass_correlation(model, ("client", "trainer"), seed=1, draws=200)
    assert both.value == pytest.approx(client.value + trainer.value, rel=1e-7)
    assert client.other == ("trainer", "residual")
    assert both.interval.lower < both.value < both.interval.upper
    assert "bootstrap" in both.interval.method
    assert "profile" in client.interval.method


def test_sentences_carry_unit_and_boundary() -> None:
    flat = RNG.normal(size=60)
    flat -= np.array([flat[client == CLIENT].mean() for client in range(20)])[CLIENT]
    sentences = describe_variances(MixedModel(flat, ONE, RandomEffect("client", CLIENT)), unit="kg")
    assert sentences[0].startswith("Standard deviation between levels of client: 0 kg (95 % interval 0 to 0.")
    assert "these data do not rule out" in sentences[0]
    assert sentences[1].startswith("Residual standard deviation: ")
    assert "kg)" in sentences[1]


def test_one_sentence_per_deviation() -> None:
    line = np.column_stack([np.ones(60), VISIT])
    effect = RandomEffect("client", CLIENT, line, columns=["start", "gain"])
    structure = ResidualStructure("unstructured", CLIENT, VISIT)
    sloped = describe_variances(MixedModel(Y, line, effect))
    assert len(sloped) == 3
    assert "client (gain)" in sloped[1]
    visits = describe_variances(MixedModel(Y, line, (), residual=structure))
    assert [text.split(":")[0] for text in visits] == [
        f"Residual standard deviation at visit {visit}" for visit in (0.0, 1.0, 2.0)
    ]


def test_refusals() -> None:
    line = np.column_stack([np.ones(60), VISIT])
    with pytest.raises(ArgumentError, match="intercepts only"):
        intraclass_correlation(MixedModel(Y, line, RandomEffect("client", CLIENT, line)), "client")
    with pytest.raises(ArgumentError, match="a seed for the bootstrap"):
        intraclass_correlation(one_way(), ("client", "trainer"))
    with pytest.raises(ArgumentError, match="a random effect of the model"):
        intraclass_correlation(one_way(), "trainer")
