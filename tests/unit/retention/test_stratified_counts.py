"""Tables per stratum: nothing is dropped, unknown status is refused."""

import math

import numpy as np
import pytest

from studykit.errors import ArgumentError
from studykit.retention.stratified_counts import StratifiedCounts, count_by_stratum

RETAINED = [1, 0, 1, 1, 0, 1, 1]
COMPARED = [0, 0, 1, 1, 1, 0, 1]
TRAINER = ["A", "A", "A", "B", "B", "B", "C"]


def test_rows_become_tables():
    counts = count_by_stratum(RETAINED, COMPARED, strata=TRAINER)
    assert counts.strata == ("A", "B", "C")
    assert counts.retained.tolist() == [[1, 1], [1, 1], [0, 1]]
    assert counts.clients.tolist() == [[2, 1], [1, 2], [0, 1]]
    assert counts.clients.sum() == len(RETAINED)


def test_a_stratum_with_an_empty_arm_stays_in_the_table_without_weight():
    counts = count_by_stratum(RETAINED, COMPARED, strata=TRAINER)
    assert counts.informative.tolist() == [True, True, False]
    assert counts.weights.tolist() == [0.5, 0.5, 0.0]
    last = counts.table()[2]
    assert (last.stratum, last.clients, last.weight) == ("C", (0, 1), 0.0)
    assert math.isnan(last.difference)


def test_pooling_ignores_strata():
    pooled = count_by_stratum(RETAINED, COMPARED, strata=TRAINER).pooled()
    assert pooled.retained.tolist() == [[2, 3]]
    assert pooled.clients.tolist() == [[3, 4]]


def test_unknown_status_is_refused():
    with pytest.raises(ArgumentError, match="status: expected True or False for each client"):
        count_by_stratum([1.0, np.nan], [0, 1])
    with pytest.raises(ArgumentError, match="arm: expected True or False"):
        count_by_stratum([1, 0], ["C", "P"])


@pytest.mark.parametrize(
    ("retained", "clients", "options", "message"),
    [
        ([[3, 2]], [[2, 2]], {}, "0 <= retained <= clients"),
        ([[-1, 2]], [[2, 2]], {}, "0 <= retained <= clients"),
        ([[1.5, 2]], [[2, 2]], {}, "whole numbers"),
        ([1, 2], [2, 2], {}, r"shape \(strata, 2\)"),
        ([[1, 2]], [[2, 2]], {"strata": ("a", "b")}, "expected 1 labels; found 2"),
    ],
)
def test_impossible_numbers_are_refused(retained, clients, options, message):
    with pytest.raises(ArgumentError, match=message):
        StratifiedCounts(retained, clients, **options)


def test_lengths_must_agree():
    with pytest.raises(ArgumentError, match="a status, an arm and a stratum for each client"):
        count_by_stratum([1, 0], [0])
