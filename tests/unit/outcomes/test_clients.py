"""Clients of m studies as arrays: columns that repeat others, facts, and how trainers enter each study."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.outcomes.answers import Answers
from studykit.outcomes.clients import ClientArrays, independent_columns, orthonormal_columns
from studykit.outcomes.trainers import trainer_means, trainer_roles


def arrays(arm, trainer, trainers=3, **facts) -> ClientArrays:
    labels = tuple(f"T{number}" for number in range(trainers))
    return ClientArrays(np.array(arm), ("A", "B"), 1, np.array(trainer), labels, **facts)


@pytest.mark.parametrize(("share", "kept"), [(1e-2, True), (1e-6, True), (1e-8, True), (1e-11, False)])
def test_a_column_is_left_out_only_where_nothing_of_it_is_its_own(share, kept):
    """Squares of lengths cannot tell 1e-8 from nothing; the answer must not depend on them."""
    matrix = np.random.default_rng(1).normal(size=(3, 40, 4)) * np.array([1.0, 1e3, 1.0, 1e-3])
    matrix[1, :, 3] = (
        matrix[1, :, 0] - matrix[1, :, 1] + share * np.linalg.norm(matrix[1, :, 1]) * np.eye(40)[7]
    )
    found = independent_columns(matrix)
    assert found[1, 3] == kept
    assert found[[0, 2]].all()
    assert np.array_equal(found, orthonormal_columns(matrix)[1])


def test_a_column_of_zeros_and_more_columns_than_rows():
    wide = np.random.default_rng(2).normal(size=(2, 3, 5))
    wide[1, :, 0] = 0.0
    assert independent_columns(wide).tolist() == [
        [True, True, True, False, False],
        [False, True, True, True, False],
    ]


def test_facts_are_centred_within_each_study_and_the_missing_marked():
    sex = np.array([[0, 1, 1, -1], [0, 0, 1, 1]])
    age = np.array([[30.0, 40.0, 50.0, 60.0], [20.0, np.nan, np.nan, 40.0]])
    facts = arrays(
        [[0, 1, 0, 1]] * 2,
        [[0, 1, 2, 0]] * 2,
        factors=(("sex", sex, ("f", "m")),),
        covariates=(("age", age),),
    ).facts()
    assert facts.names == ("sex m", "sex missing", "age", "age missing")
    assert facts.values.sum(axis=1) == pytest.approx(np.zeros((2, 4)), abs=1e-12)
    assert facts.values[0, :, 0].tolist() == pytest.approx([-2 / 3, 1 / 3, 1 / 3, 0.0])
    assert facts.values[1, :, 2].tolist() == pytest.approx([-10.0, 0.0, 0.0, 10.0])
    assert not facts.values[1, :, 1].any()  # nothing is missing in this study


def test_every_study_has_the_role_that_its_own_trainers_give(make_protocol):
    clients = arrays(
        [[0, 1, 0, 1], [0, 0, 1, 1], [0, 1, 0, 1], [0, 0, 1, 1]],
        [[0, 0, 1, 2], [0, 1, 2, 2], [1, 1, 1, 1], [0, 0, 2, 2]],
    )
    roles, alone = trainer_roles(make_protocol(), clients)
    assert roles.tolist() == ["fixed", "clusters", "one", "clusters"]
    assert alone.tolist() == [-1, 1, -1, 0]
    assert trainer_roles(make_protocol(analysis={"trainer_random_from": 3}), clients)[0][0] == "random"


def test_means_of_trainers_leave_out_who_is_not_used():
    clients = arrays([[0, 0, 0, 1, 1]], [[0, 0, 1, 2, 2]])
    values = np.array([[1.0, np.nan, 5.0, 2.0, 4.0]])
    mean, known, compared = trainer_means(clients, values, np.isfinite(values), 1)
    assert known.tolist() == [[True, True, False, False, False, True]]
    assert mean[known].tolist() == [1.0, 5.0, 3.0]
    assert compared[known].tolist() == [False, False, True]


def test_an_answer_that_is_not_there_says_why():
    nothing = np.array([1.0, np.nan])
    found = Answers.of_t(
        nothing,
        nothing,
        nothing + 4.0,
        confidence_level=0.95,
        failure=lambda study: ValueError(f"study {study}"),
    )  # type: ignore[arg-type]
    assert found.reason == ("", "study 1")
    assert found.estimate("t").degrees_of_freedom == 5.0
    with pytest.raises(ValueError, match="study 1"):
        found.estimate("t", study=1)
    taken = found.without(np.array([True, False]), lambda study: ValueError(f"now {study}"))  # type: ignore[arg-type, return-value]
    assert taken.reason == ("now 0", "study 1")
    assert np.isnan(taken.lower[0])
