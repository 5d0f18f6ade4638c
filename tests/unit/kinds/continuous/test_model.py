"""Design matrices, contrasts and empty cells of the default model."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from studykit.errors import FitError
from studykit.kinds.continuous.analysis import prepare
from studykit.kinds.continuous.model import CellLayout, default_model
from studykit.outcomes.batch_model import BatchModel, StudiesAlike


def model_of(
    make_protocol: Any,
    make_clients: Any,
    make_rows: Any,
    *,
    exercises: int = 2,
    holes: Any = (),
    **clients: Any,
) -> tuple[BatchModel, StudiesAlike, CellLayout]:
    names = tuple(f"e{number}" for number in range(exercises)) if exercises > 1 else ()
    protocol = make_protocol(exercises=names)
    people = make_clients([0, 0, 0, 0, 1, 1, 1, 1], **clients)
    cube = np.exp(np.random.default_rng(1).normal(4.0, 0.2, (8, 3, exercises)))
    for hole in holes:
        cube[hole] = np.nan
    setting = prepare(protocol, protocol.continuous_outcomes[0], make_rows(people, cube, protocol))
    model, layout = default_model(setting.arrays, setting.trainers.role)
    return model, model.alone(), layout


def test_columns_have_names(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    sex = ("sex", [0, 1] * 4, ("female", "male"))
    model, design, _layout = model_of(
        make_protocol, make_clients, make_rows, trainer=[0, 1, 2, 0] * 2, factors=[sex]
    )
    assert design.names == (
        "e0 at baseline", "e1 at baseline", "e0 at day_42", "e1 at day_42", "e0 at day_84", "e1 at day_84",
        "partner_reps: e0 at day_42", "partner_reps: e1 at day_42",
        "partner_reps: e0 at day_84", "partner_reps: e1 at day_84",
        "sex male at baseline", "sex male at day_42", "sex male at day_84",
        "trainer T2 after baseline", "trainer T3 after baseline",
    )  # fmt: skip
    assert design.fixed_effects[0].shape == (48, 15)
    assert model.left_out() == ()
    assert [effect.name for effect in design.random_effects] == ["client", "client by exercise"]


def test_baseline_means_are_equal_by_design(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    """User ask 1.23: no arm column touches a visit before allocation."""
    _model, design, _layout = model_of(make_protocol, make_clients, make_rows)
    before = design.fixed_effects[0][:, :2].any(axis=1)
    arms = [place for place, name in enumerate(design.names) if name.startswith("partner_reps")]
    assert not design.fixed_effects[0][before][:, arms].any()


def test_effect_gives_each_exercise_the_same_weight(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    model, _design, layout = model_of(make_protocol, make_clients, make_rows)
    weights, possible = layout.effect(1, 2, (0, 1))
    assert possible.tolist() == [True]
    assert dict(zip(model.names, weights, strict=True))["partner_reps: e1 at day_84"] == 0.5
    assert weights.sum() == 1.0
    mean, possible = layout.mean(1, 2, (0, 1))
    assert possible.tolist() == [True]
    assert mean.sum() == 2.0
    assert not layout.effect(1, 0, (0,))[1].any()  # there is no effect before allocation


def test_one_exercise_has_unstructured_residuals(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    _model, design, _layout = model_of(make_protocol, make_clients, make_rows, exercises=1)
    assert design.random_effects == ()
    assert design.residual is not None
    assert design.residual.kind == "unstructured"


def test_five_trainers_are_random_on_follow_up_visits(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    _model, design, _layout = model_of(
        make_protocol, make_clients, make_rows, exercises=1, trainer=[0, 1, 2, 3, 0, 1, 2, 4]
    )
    (trainer,) = design.random_effects
    assert trainer.name == "trainer"
    assert sorted(np.unique(trainer.design)) == [0.0, 1.0]
    assert not trainer.design[design.fixed_effects[0][:, 0] == 1.0].any()


def test_empty_cells_are_not_estimable_and_the_others_are(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    """User ask 1.9: an empty arm-by-visit cell is no singular matrix."""
    compared, reference = slice(4, 8), slice(0, 4)
    _model, design, layout = model_of(
        make_protocol,
        make_clients,
        make_rows,
        holes=[(compared, 1, 0), (reference, 1, 1), (slice(0, 8), 2, 1)],
    )
    assert np.linalg.matrix_rank(design.fixed_effects[0]) == design.fixed_effects[0].shape[1]
    assert not layout.effect(1, 1, (0,))[1][0]
    assert not layout.effect(1, 1, (1,))[1][0]
    assert not layout.effect(1, 2, (0, 1))[1][0]
    assert layout.effect(1, 2, (0,))[1][0]
    assert layout.mean(1, 1, (1,))[1][0]
    assert not layout.mean(0, 1, (1,))[1][0]


def test_a_column_that_repeats_another_is_left_out_by_name(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    facts = [("sex", [0, 1] * 4, ("f", "m")), ("again", [0, 1] * 4, ("a", "b"))]
    model, _design, _layout = model_of(make_protocol, make_clients, make_rows, exercises=1, factors=facts)
    assert model.left_out() == ("again b at baseline", "again b at day_42", "again b at day_84")


def test_missing_covariates_get_the_mean_and_an_indicator(
    make_protocol: Any, make_clients: Any, make_rows: Any
) -> None:
    """F04, White & Thompson 2005: the client is kept."""
    age = [30.0, 40.0, 50.0, np.nan, 30.0, 40.0, 50.0, 60.0]
    _model, design, _layout = model_of(
        make_protocol, make_clients, make_rows, exercises=1, covariates=[("age", age)]
    )
    assert "age missing at baseline" in design.names
    column = design.fixed_effects[0][:, design.names.index("age at baseline")]
    own = column[design.fixed_effects[0][:, 0] == 1.0]
    assert own.tolist() == pytest.approx([value - 300 / 7 if np.isfinite(value) else 0.0 for value in age])


def test_nothing_to_fit_is_said(make_protocol: Any, make_clients: Any, make_rows: Any) -> None:
    with pytest.raises(FitError, match="at least one score"):
        model_of(make_protocol, make_clients, make_rows, holes=[...])
