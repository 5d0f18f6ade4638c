"""The draw that every method shares."""

from fractions import Fraction

import numpy as np
import pytest

from studykit.allocation.bits import RecordedBits
from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.method import (
    AllocationMethod,
    Draw,
    combined_levels,
    draw,
    fold,
    written_probabilities,
)
from studykit.errors import ArgumentError

METHOD = PermutedBlocks(("a", "b"), block_sizes=(2,), factors=("trainer",))


def test_blocks_are_a_method():
    assert isinstance(METHOD, AllocationMethod)


def test_a_certain_draw_is_certain_for_any_entropy():
    state = fold(METHOD, [({"trainer": "T1"}, "a")])
    arms = {
        draw(METHOD, state, stratum={"trainer": "T1"}, bits=RecordedBits(f"{n:064x}")).arm for n in range(20)
    }
    assert arms == {"b"}


def test_what_a_draw_tells():
    open_draw, certain = Draw("a", (Fraction(1, 3), Fraction(2, 3))), Draw("b", (Fraction(0), Fraction(1)))
    assert (open_draw.was_certain, open_draw.best_guess) == (False, Fraction(2, 3))
    assert (certain.was_certain, certain.best_guess) == (True, 1)


@pytest.mark.parametrize(
    ("stratum", "message"),
    [
        ({}, "a value for each of: trainer; found nothing"),
        ({"trainer": "T1", "sex": "f"}, "a value for each of: trainer; found trainer, sex"),
        ({"trainer": ""}, "stratum, trainer: expected a text"),
    ],
)
def test_a_stratum_must_fit_the_method(stratum, message):
    with pytest.raises(ArgumentError, match=message):
        draw(METHOD, METHOD.start(), stratum=stratum, bits=RecordedBits("00" * 32))


def test_levels_are_combined():
    levels = np.array([[[0, 0], [0, 1], [1, 0], [0, 1]]])
    codes = combined_levels(levels)
    assert codes.shape == (1, 4)
    assert len(set(codes[0].tolist())) == 3
    assert codes[0, 1] == codes[0, 3]
    assert combined_levels(np.zeros((2, 3, 0), dtype=int)).tolist() == [[0, 0, 0], [0, 0, 0]]


def test_long_fractions_are_written_as_decimals():
    third = Fraction(10**13 + 1, 3 * 10**13)
    written = written_probabilities(("a", "b"), Draw("a", (third, 1 - third)))
    assert written == {"a": "~0.333333333333", "b": "~0.666666666667"}
