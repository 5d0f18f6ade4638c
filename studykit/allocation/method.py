"""What every method of allocation must be able to do, and the draw that all of them share.

A method is a pure description: it holds no past and no future. The past comes in as a state, made
by folding the allocations so far; the probabilities of the next arm go out as exact fractions.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Protocol, TypeVar, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from studykit.allocation.bits import RecordedBits
from studykit.errors import ArgumentError

State = TypeVar("State")
Factors = Mapping[str, str]


class Described(Protocol):
    """Anything that a protocol can be locked with: a method, a plan for trainers, a sealed list."""

    def describe(self) -> dict[str, Any]:
        """Everything that is needed to make it again, in plain values."""


@runtime_checkable
class AllocationMethod(Protocol[State]):
    """A way of allocating clients one at a time.

    Attributes
    ----------
    arms : tuple of str
        Codes of the arms, in the order of the protocol.
    factors : tuple of str
        Client facts, known beforehand, that the method balances on.
    carries_over : bool
        Whether allocations made under an earlier, amended method count in the state.
    """

    @property
    def arms(self) -> tuple[str, ...]:
        """Codes of the arms."""

    @property
    def factors(self) -> tuple[str, ...]:
        """Client facts that the method balances on."""

    @property
    def carries_over(self) -> bool:
        """Whether allocations made before an amendment of the method count."""

    def start(self) -> State:
        """The state before the first client."""

    def after(self, state: State, stratum: Factors, arm: str) -> State:
        """The state after one more client; ``state`` itself stays as it is."""

    def next_probabilities(self, state: State, stratum: Factors) -> tuple[Fraction, ...]:
        """Exact probability of each arm for the next client, in the order of ``arms``."""

    def simulate(self, levels: NDArray[np.integer[Any]], rng: np.random.Generator) -> NDArray[np.int8]:
        """Arms of whole simulated studies: (trials, clients) from levels (trials, clients, factors)."""

    def describe(self) -> dict[str, Any]:
        """Everything that is needed to make the method again, in plain values."""


@dataclass(frozen=True, slots=True)
class Draw:
    """One draw.

    Parameters
    ----------
    arm : str
        The arm drawn.
    probabilities : tuple of Fraction
        Probability of each arm at this draw, in the order of the method's arms.
    """

    arm: str
    probabilities: tuple[Fraction, ...]

    @property
    def was_certain(self) -> bool:
        """Whether only one arm was possible."""
        return max(self.probabilities) == 1

    @property
    def best_guess(self) -> Fraction:
        """Chance of a correct guess by someone who knows the rule and every arm so far."""
        return max(self.probabilities)


def draw(method: AllocationMethod[State], state: State, *, stratum: Factors, bits: RecordedBits) -> Draw:
    """Draw the arm of the next client.

    Parameters
    ----------
    method : AllocationMethod
    state
        Of the same method.
    stratum : mapping of str to str
        The client's value for each of the method's factors.
    bits : RecordedBits

    Raises
    ------
    ArgumentError
        If a factor has no value, or a value belongs to no factor.

    Examples
    --------
    >>> from studykit.allocation.blocks import PermutedBlocks
    >>> method = PermutedBlocks(("conventional", "partner_reps"))
    >>> state = method.after(method.start(), {}, "conventional")
    >>> draw(method, state, stratum={}, bits=RecordedBits("5a" * 32))
    Draw(arm='conventional', probabilities=(Fraction(1, 6), Fraction(5, 6)))
    """
    check_stratum(method, stratum)
    probabilities = method.next_probabilities(state, stratum)
    return Draw(method.arms[bits.choose(probabilities)], probabilities)


def fold(
    method: AllocationMethod[State], past: Iterable[tuple[Factors, str]], *, state: State | None = None
) -> State:
    """The state after the allocations ``past``: (stratum, arm) in the order in which they were made."""
    folded = method.start() if state is None else state
    for stratum, arm in past:
        folded = method.after(folded, stratum, arm)
    return folded


def check_stratum(method: AllocationMethod[Any], stratum: Factors) -> None:
    """Refuse a stratum that does not name exactly the factors of the method."""
    if set(stratum) != set(method.factors):
        raise ArgumentError(
            where="stratum",
            expected=f"a value for each of: {', '.join(method.factors) or '(no factors)'}",
            got=", ".join(map(str, stratum)) or "nothing",
        )
    for factor, level in stratum.items():
        if not isinstance(level, str) or not level:
            raise ArgumentError(where=f"stratum, {factor}", expected="a text", got=repr(level))


def check_arms(arms: tuple[str, ...], ratio: tuple[int, ...]) -> None:
    """Refuse arms and a ratio that do not fit each other."""
    if len(arms) < 2 or len(set(arms)) != len(arms) or not all(arms):
        raise ArgumentError(where="arms", expected="at least two arms with different codes", got=repr(arms))
    whole = all(isinstance(part, int) and not isinstance(part, bool) and part >= 1 for part in ratio)
    if len(ratio) != len(arms) or not whole:
        raise ArgumentError(
            where="ratio", expected=f"a whole number from 1 for each of the {len(arms)} arms", got=repr(ratio)
        )


def combined_levels(levels: NDArray[np.integer[Any]]) -> NDArray[np.int64]:
    """One number per combination of levels: shape (trials, clients) from (trials, clients, factors)."""
    trials, clients, factors = levels.shape
    if factors == 0 or clients == 0:
        return np.zeros((trials, clients), dtype=np.int64)
    codes = np.zeros((trials, clients), dtype=np.int64)
    for factor in range(factors):  # renumbered at every step, so that codes stay small
        own = levels[..., factor].astype(np.int64)
        low, high = int(own.min()), int(own.max())
        _, codes = np.unique(codes * (high - low + 1) + own - low, return_inverse=True)
        codes = codes.reshape(trials, clients)
    return codes.astype(np.int64)


def written_probabilities(arms: Sequence[str], drawn: Draw) -> dict[str, str]:
    """Probabilities as a person can read them; very long fractions as decimals marked with ~."""
    return {arm: _written(share) for arm, share in zip(arms, drawn.probabilities, strict=True)}


def _written(share: Fraction) -> str:
    return str(share) if share.denominator < 10**12 else f"~{float(share):.12f}"
