"""Draws from recorded entropy: pinned for ever, exact, and refusing anything odd."""

import hashlib
from collections import Counter
from fractions import Fraction

import pytest

from studykit.allocation.bits import RecordedBits, fresh_entropy
from studykit.errors import ArgumentError

ZERO = "00" * 32
PINNED_NUMBERS = [1, 0, 5, 5, 497, 70352847174815708961394712729]
PINNED_ORDER = (3, 6, 0, 1, 7, 2, 5, 4)


def test_the_first_bits_are_sha256_of_label_entropy_and_counter():
    """The rule stands in the module's text; a stranger can repeat it with any SHA-256 (user asks 4.4)."""
    first = hashlib.sha256(b"studykit allocation bits, format 1\x00" + bytes(32) + bytes(8)).digest()
    second = hashlib.sha256(
        b"studykit allocation bits, format 1\x00" + bytes(32) + bytes(7) + b"\x01"
    ).digest()
    bits = RecordedBits(ZERO)
    assert bits.take(256) == int.from_bytes(first, "big")
    assert bits.take(256) == int.from_bytes(second, "big")


def test_draws_are_pinned():
    """These numbers must never change: ledgers written today are replayed with them."""
    bits = RecordedBits("0123456789abcdef" * 4)
    drawn = [bits.below(limit) for limit in (2, 3, 6, 10, 1000, 10**30)]
    order = RecordedBits("0123456789abcdef" * 4).permutation(8)
    assert drawn == PINNED_NUMBERS
    assert order == PINNED_ORDER


def test_taking_bits_in_pieces_is_taking_them_at_once():
    pieces = RecordedBits(ZERO)
    joined = 0
    for width in (1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 144):
        joined = (joined << width) | pieces.take(width)
    assert joined == RecordedBits(ZERO).take(375)


def test_one_possibility_needs_no_bits():
    bits = RecordedBits(ZERO)
    assert bits.below(1) == 0
    assert bits.choose((Fraction(0), Fraction(1))) == 1
    assert bits.take(256) == RecordedBits(ZERO).take(256)


def test_rejection_leaves_every_number_as_likely():
    """Of all 3-bit numbers those below 6 are kept: 60,000 draws, 10,000 each, 4.5 standard deviations."""
    bits = RecordedBits("5a" * 32)
    counts = Counter(bits.below(6) for _ in range(60_000))
    standard_deviation = (60_000 * (1 / 6) * (5 / 6)) ** 0.5
    assert set(counts) == set(range(6))
    assert all(abs(count - 10_000) < 4.5 * standard_deviation for count in counts.values())


def test_choice_follows_the_probabilities():
    bits = RecordedBits("a5" * 32)
    shares = (Fraction(1, 6), Fraction(0), Fraction(5, 6))
    counts = Counter(bits.choose(shares) for _ in range(30_000))
    assert counts[1] == 0
    assert abs(counts[0] - 5_000) < 4.5 * (30_000 * 5 / 36) ** 0.5


def test_every_order_occurs():
    bits = RecordedBits("3c" * 32)
    assert len({bits.permutation(4) for _ in range(600)}) == 24


def test_fresh_entropy_differs_and_can_be_read():
    entropies = {fresh_entropy() for _ in range(50)}
    assert len(entropies) == 50
    assert all(RecordedBits(entropy).below(2) in (0, 1) for entropy in entropies)


@pytest.mark.parametrize("entropy", ["", "00" * 15, "AB" * 32, "xy" * 32, "0" * 33, "00" * 65])
def test_odd_entropy_is_refused(entropy):
    with pytest.raises(ArgumentError, match="32 to 128 hexadecimal digits"):
        RecordedBits(entropy)


def test_no_number_lies_below_zero():
    with pytest.raises(ArgumentError, match="limit: expected a whole number from 1; found 0"):
        RecordedBits(ZERO).below(0)


@pytest.mark.parametrize("shares", [(Fraction(1, 2),), (Fraction(3, 2), Fraction(-1, 2))])
def test_shares_that_are_no_probabilities_are_refused(shares):
    with pytest.raises(ArgumentError, match="fractions from 0 that add up to 1"):
        RecordedBits(ZERO).choose(shares)
