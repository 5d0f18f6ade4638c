"""A list made by an outsider: numbered slips, each sealed by a published code.

The outsider draws all slips beforehand on another machine, prints them, and publishes a seal for
each: SHA-256 of its number, stratum, arm and a secret word of 128 bits. A seal tells nothing of the
arm; once a slip is opened, everybody can check it against its seal. This is the only way of
allocating here in which a list exists before the clients do. How slips are opened is told in
`studykit.allocation.slips`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from studykit.allocation.bits import RecordedBits
from studykit.allocation.entries import canonical
from studykit.allocation.method import AllocationMethod, draw
from studykit.allocation.methods import method_from
from studykit.errors import ArgumentError, Finding

_SECRET_BITS = 128
_DIGITS = _SECRET_BITS // 4
_ASK = "Ask whoever keeps copies and receipts before going on."


@dataclass(frozen=True, slots=True)
class Slip:
    """One numbered slip.

    Parameters
    ----------
    number : int
        From 1, over all strata.
    stratum : mapping of str to str
    arm : str
    secret : str
        32 hexadecimal digits; they keep the arm from being guessed from the seal.
    """

    number: int
    stratum: Mapping[str, str]
    arm: str
    secret: str

    def seal(self) -> str:
        """The code that is published before the first slip is opened."""
        parts = [self.number, dict(self.stratum), self.arm, self.secret]
        return hashlib.sha256(canonical(parts).encode("ascii")).hexdigest()

    @property
    def outside(self) -> str:
        """The stratum as it is written on the envelope."""
        return stratum_words(self.stratum)

    @property
    def word(self) -> str:
        """The secret in fours, as it is printed inside the envelope."""
        return "-".join(self.secret[start : start + 4] for start in range(0, len(self.secret), 4))


@dataclass(frozen=True, slots=True)
class SealedList:
    """What is published of a list: rule, numbers and strata of the slips, and their seals.

    Parameters
    ----------
    drawn_by : mapping
        Description of the method that made the list.
    slips : tuple of (int, mapping, str)
        Number, stratum and seal of every slip, in order.
    """

    drawn_by: Mapping[str, Any]
    slips: tuple[tuple[int, Mapping[str, str], str], ...]

    @property
    def commitment(self) -> str:
        """One code over all of it, to be printed in the protocol (E05)."""
        return hashlib.sha256(canonical(self.content()).encode("ascii")).hexdigest()

    def describe(self) -> dict[str, Any]:
        """The description under which the protocol is locked."""
        return {
            "method": "sealed list",
            "arms": list(self.drawn_by["arms"]),
            "factors": list(self.drawn_by["factors"]),
            "drawn_by": dict(self.drawn_by),
            "commitment": self.commitment,
        }

    def content(self) -> dict[str, Any]:
        """The whole list in plain values, as the ledger keeps it."""
        slips = [[number, dict(stratum), seal] for number, stratum, seal in self.slips]
        return {"drawn_by": dict(self.drawn_by), "slips": slips}

    def slip(self, number: int, word: str) -> Slip | None:
        """The slip that a secret word opens; nothing where the word fits no arm's seal."""
        secret = plain_word(word)
        for known, stratum, seal in self.slips:
            if known == number:
                tried = (Slip(number, dict(stratum), arm, secret) for arm in self.drawn_by["arms"])
                return next((slip for slip in tried if slip.seal() == seal), None)
        return None

    def lengths(self) -> list[tuple[dict[str, str], int]]:
        """Slips in each run of one stratum, in order: what `make_list` was told."""
        found: list[tuple[dict[str, str], int]] = []
        for _, stratum, _ in self.slips:
            if found and found[-1][0] == dict(stratum):
                found[-1] = (found[-1][0], found[-1][1] + 1)
            else:
                found.append((dict(stratum), 1))
        return found


def make_list(
    method: AllocationMethod[Any], lengths: Sequence[tuple[Mapping[str, str], int]], *, entropy: str
) -> tuple[SealedList, tuple[Slip, ...]]:
    """Draw a whole list; for the outsider, on a machine that those who enrol do not use.

    Parameters
    ----------
    method : AllocationMethod
    lengths : sequence of (mapping, int)
        Number of slips in each stratum.
    entropy : str
        Kept by the outsider; with it anybody can make the same list again after the study (E01).

    Returns
    -------
    SealedList
        To be published.
    tuple of Slip
        To be sealed in numbered opaque envelopes.

    Examples
    --------
    >>> from studykit.allocation.blocks import PermutedBlocks
    >>> rule = PermutedBlocks(("a", "b"), block_sizes=(4,))
    >>> published, slips = make_list(rule, [({}, 8)], entropy="07" * 32)
    >>> sorted(slip.arm for slip in slips)
    ['a', 'a', 'a', 'a', 'b', 'b', 'b', 'b']
    >>> [slip.seal() for slip in slips] == [seal for _, _, seal in published.slips]
    True
    """
    bits = RecordedBits(entropy)
    slips: list[Slip] = []
    state = method.start()
    for stratum, number in lengths:
        for _ in range(number):
            arm = draw(method, state, stratum=stratum, bits=bits).arm
            state = method.after(state, stratum, arm)
            secret = f"{bits.take(_SECRET_BITS):0{_SECRET_BITS // 4}x}"
            slips.append(Slip(len(slips) + 1, dict(stratum), arm, secret))
    if not slips:
        raise ArgumentError(where="lengths", expected="at least one slip", got="none")
    published = SealedList(
        method.describe(), tuple((slip.number, slip.stratum, slip.seal()) for slip in slips)
    )
    return published, tuple(slips)


def list_from(content: Mapping[str, Any]) -> SealedList:
    """The list that `SealedList.content` wrote.

    Raises
    ------
    ArgumentError
        If it is no such content.
    """
    try:
        slips = tuple((int(number), dict(stratum), str(seal)) for number, stratum, seal in content["slips"])
        method_from(content["drawn_by"])
    except Exception as error:
        raise ArgumentError(
            where="sealed list", expected="what the outsider published", got=f"something else ({error})"
        ) from error
    return SealedList(content["drawn_by"], slips)


def remade_findings(published: SealedList, entropy: str) -> tuple[Finding, ...]:
    """Whether the outsider's entropy gives the published list again (E01); for after recruitment.

    Examples
    --------
    >>> from studykit.allocation.blocks import PermutedBlocks
    >>> published, _ = make_list(PermutedBlocks(("a", "b")), [({}, 8)], entropy="07" * 32)
    >>> remade_findings(published, "07" * 32)
    ()
    """
    again, _ = make_list(method_from(published.drawn_by), published.lengths(), entropy=entropy)
    if again.commitment == published.commitment:
        return ()
    return (
        Finding("stop", "sealed list", f"the list {published.commitment[:12]} when it is made again",
                f"the list {again.commitment[:12]}", _ASK),
    )  # fmt: skip


def stratum_words(stratum: Mapping[str, str]) -> str:
    """A stratum in words, in one order wherever it is printed.

    Examples
    --------
    >>> stratum_words({"trainer": "T1", "sex": "female"})
    'sex female, trainer T1'
    """
    return ", ".join(f"{factor} {stratum[factor]}" for factor in sorted(stratum))


def plain_word(word: str) -> str:
    """A secret as it was printed, without its hyphens and spaces.

    Raises
    ------
    ArgumentError
        If it is not 32 hexadecimal digits.
    """
    text = "".join(word.replace("-", " ").split()).lower()
    if len(text) != _DIGITS or set(text) - set("0123456789abcdef"):
        raise ArgumentError(
            where="secret word",
            expected=f"{_DIGITS} digits 0 to 9 and a to f in {_DIGITS // 4} groups of four, as printed",
            got=f"{len(text)} characters" if len(text) != _DIGITS else "another character",
            todo="Type it again; nothing was written.",
        )
    return text
