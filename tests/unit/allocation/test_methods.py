"""Descriptions in the ledger become methods again."""

import json
from fractions import Fraction

import pytest

from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.coins import BiasedCoin, Simple
from studykit.allocation.entries import canonical
from studykit.allocation.methods import method_from
from studykit.allocation.minimisation import Minimisation
from studykit.errors import LedgerError


@pytest.mark.parametrize(
    "method",
    [
        PermutedBlocks(("a", "b", "c"), ratio=(2, 1, 1), block_sizes=(4, 12), factors=("trainer", "sex")),
        Minimisation(("a", "b"), factors=("x", "y"), weights=(2, 1), overall=1, distance="variance"),
        Minimisation(("a", "b", "c"), factors=("x",), preferred_probability=Fraction(7, 10)),
        BiasedCoin(("a", "b"), factors=("x",), behind_probability=Fraction(3, 4)),
        Simple(("a", "b"), ratio=(2, 1), factors=("x",)),
    ],
)
def test_round_trip_through_canonical_text(method):
    assert method_from(json.loads(canonical(method.describe()))) == method


@pytest.mark.parametrize(
    ("description", "message"),
    [
        ({}, "expected one of permuted blocks.*; found None"),
        ({"method": "alternation"}, "found 'alternation'"),
        (
            {"method": "biased coin", "arms": ["a", "b"], "factors": [], "behind_probability": "1"},
            "a complete description; found behind_probability: expected more than 1/2",
        ),
        ({"method": "permuted blocks"}, "a complete description; found 'arms'"),
        (
            {"method": "permuted blocks", "arms": ["a"], "ratio": [1], "block_sizes": [2], "factors": []},
            "a complete description; found arms: expected at least two arms",
        ),
    ],
)
def test_unknown_or_incomplete_descriptions_are_refused(description, message):
    with pytest.raises(LedgerError, match=message):
        method_from(description)
