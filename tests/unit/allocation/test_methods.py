"""Descriptions in the ledger become methods again."""

import pytest

from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.entries import canonical
from studykit.allocation.methods import method_from
from studykit.errors import LedgerError


def test_round_trip_through_canonical_text():
    import json

    method = PermutedBlocks(("a", "b", "c"), ratio=(2, 1, 1), block_sizes=(4, 12), factors=("trainer", "sex"))
    assert method_from(json.loads(canonical(method.describe()))) == method


@pytest.mark.parametrize(
    ("description", "message"),
    [
        ({}, "expected one of permuted blocks.*; found None"),
        ({"method": "alternation"}, "found 'alternation'"),
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
