"""Draws that anyone can repeat: whole numbers and choices from recorded entropy.

A real allocation draws its entropy from the operating system once, and the ledger keeps it. What
follows from the entropy is decided by this module alone and not by the version of any library, so
that the draw can be repeated in ten years.

The entropy is spread by SHA-256 in counter mode: output block i is
SHA-256(label, entropy, i). Whole numbers below n take just as many bits as n needs and reject what
is n or more, so there is no bias from a remainder; what is left is the distance of SHA-256 from an
ideal random function.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Sequence
from fractions import Fraction

from studykit.errors import ArgumentError
from studykit.randomness import entropy_bits

_LABEL = b"studykit allocation bits, format 1\x00"
_ENTROPY_BITS = 256
_HEXADECIMAL = re.compile(r"[0-9a-f]{32,128}")


def fresh_entropy() -> str:
    """256 bits from the operating system, as 64 hexadecimal digits.

    Examples
    --------
    >>> len(fresh_entropy())
    64
    """
    return f"{entropy_bits(_ENTROPY_BITS):0{_ENTROPY_BITS // 4}x}"


class RecordedBits:
    """An endless row of bits that follows from recorded entropy.

    Parameters
    ----------
    entropy : str
        32 to 128 hexadecimal digits, lower case, even in number.

    Raises
    ------
    ArgumentError
        If ``entropy`` is anything else.

    Examples
    --------
    >>> bits = RecordedBits("00" * 32)
    >>> [bits.below(6) for _ in range(8)]
    [2, 3, 4, 2, 1, 0, 2, 3]
    >>> [RecordedBits("00" * 32).below(6) for _ in range(3)]  # every reader begins at the first bit
    [2, 2, 2]
    """

    __slots__ = ("_block", "_entropy", "_held", "_number_held")

    def __init__(self, entropy: str) -> None:
        if not _HEXADECIMAL.fullmatch(entropy) or len(entropy) % 2:
            raise ArgumentError(
                where="entropy",
                expected="32 to 128 hexadecimal digits, lower case, even in number",
                got=repr(entropy),
            )
        self._entropy = bytes.fromhex(entropy)
        self._block = 0
        self._held = 0
        self._number_held = 0

    def take(self, number: int) -> int:
        """The next ``number`` bits as a whole number, the first bit the heaviest."""
        while self._number_held < number:
            counter = self._block.to_bytes(8, "big")
            digest = hashlib.sha256(_LABEL + self._entropy + counter).digest()
            self._held = (self._held << 256) | int.from_bytes(digest, "big")
            self._number_held += 256
            self._block += 1
        rest = self._number_held - number
        value = self._held >> rest
        self._held &= (1 << rest) - 1
        self._number_held = rest
        return value

    def below(self, limit: int) -> int:
        """A whole number from 0 to ``limit - 1``, every one as likely.

        Raises
        ------
        ArgumentError
            If ``limit`` is less than 1.
        """
        if limit < 1:
            raise ArgumentError(where="limit", expected="a whole number from 1", got=repr(limit))
        width = (limit - 1).bit_length()
        value = self.take(width)
        while value >= limit:
            value = self.take(width)
        return value

    def choose(self, probabilities: Sequence[Fraction]) -> int:
        """An index, drawn with exactly the probabilities given.

        Parameters
        ----------
        probabilities : sequence of Fraction
            None negative, adding up to 1.

        Raises
        ------
        ArgumentError
            If they are not probabilities.

        Notes
        -----
        With D the common denominator, D tickets are shared out in the order of ``probabilities``
        and one ticket is drawn by `below`.
        """
        if any(share < 0 for share in probabilities) or sum(probabilities) != 1:
            raise ArgumentError(
                where="probabilities", expected="fractions from 0 that add up to 1", got=repr(probabilities)
            )
        tickets = math.lcm(*(share.denominator for share in probabilities))
        ticket = self.below(tickets)
        end = 0
        for index, share in enumerate(probabilities):
            end += int(share * tickets)
            if ticket < end:
                return index
        raise AssertionError("the tickets add up")  # pragma: no cover

    def permutation(self, number: int) -> tuple[int, ...]:
        """The numbers 0 to ``number - 1`` in random order, every order as likely (Fisher-Yates)."""
        order = list(range(number))
        for last in range(number - 1, 0, -1):
            other = self.below(last + 1)
            order[last], order[other] = order[other], order[last]
        return tuple(order)
