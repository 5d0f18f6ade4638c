"""Stratified permuted blocks of random size, drawn one client at a time.

The textbook way draws a block's size, then one arrangement of the whole block, and writes down
arms of clients who have not come yet. Here nothing is drawn before it is needed. What is hidden
is where the current block began and how long it is; given the arms so far in the stratum, each
possibility has an exact probability (a forward filter in rational arithmetic), and the next arm is
drawn from the mixture of them. By the chain rule of probability the arms have the same joint
distribution as blocks drawn whole; a test proves it by enumeration.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.allocation.method import Factors, check_arms, combined_levels
from studykit.errors import ArgumentError

Hidden = tuple[int, tuple[int, ...]]
"""A block's size, and how many of each arm it has given so far."""

Belief = Mapping[Hidden, Fraction]
"""Probability of each hidden possibility, given the arms so far in one stratum."""

BlockState = Mapping[tuple[str, ...], Belief]
"""The belief in every stratum that has had a client."""


@dataclass(frozen=True, slots=True)
class PermutedBlocks:
    """Stratified permuted blocks of random size.

    Parameters
    ----------
    arms : tuple of str
        Codes of the arms.
    ratio : tuple of int
        Clients per arm in the smallest balanced set, such as ``(2, 1)``; empty for equal arms.
    block_sizes : tuple of int
        Sizes that a block may have, each as likely; multiples of the sum of ``ratio``. Empty for
        once and twice that sum.
    factors : tuple of str
        Client facts whose combinations are the strata.

    Raises
    ------
    ArgumentError
        If arms, ratio and sizes do not fit each other.

    Examples
    --------
    >>> method = PermutedBlocks(("a", "b"), block_sizes=(4,))
    >>> state = method.start()
    >>> for arm in "aa":
    ...     state = method.after(state, {}, arm)
    >>> method.next_probabilities(state, {})
    (Fraction(0, 1), Fraction(1, 1))
    """

    arms: tuple[str, ...]
    ratio: tuple[int, ...] = ()
    block_sizes: tuple[int, ...] = ()
    factors: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        ratio = self.ratio or (1,) * len(self.arms)
        check_arms(self.arms, ratio)
        smallest = sum(ratio)
        sizes = self.block_sizes or (smallest, 2 * smallest)
        for size in sizes:
            if not isinstance(size, int) or size < smallest or size % smallest:
                raise ArgumentError(
                    where="block_sizes",
                    expected=f"multiples of {smallest}, the sum of the ratio {':'.join(map(str, ratio))}",
                    got=repr(size),
                )
        object.__setattr__(self, "ratio", ratio)
        object.__setattr__(self, "block_sizes", tuple(sorted(set(sizes))))

    @property
    def carries_over(self) -> bool:
        """No: after an amendment of the method new blocks begin."""
        return False

    def start(self) -> BlockState:
        """The state before the first client."""
        return {}

    def after(self, state: BlockState, stratum: Factors, arm: str) -> BlockState:
        """The state after one more client in ``stratum``.

        Raises
        ------
        ArgumentError
            If the arm is unknown, or cannot have come next.
        """
        if arm not in self.arms:
            raise ArgumentError(where="arm", expected=f"one of {', '.join(self.arms)}", got=repr(arm))
        key = self._key(stratum)
        belief = self._updated(state.get(key) or self._new_block(), self.arms.index(arm))
        return {**state, key: belief}

    def next_probabilities(self, state: BlockState, stratum: Factors) -> tuple[Fraction, ...]:
        """Exact probability of each arm for the next client in ``stratum``."""
        belief = state.get(self._key(stratum)) or self._new_block()
        totals = [Fraction(0)] * len(self.arms)
        for (size, given), weight in belief.items():
            left = size - sum(given)
            for index, remaining in enumerate(self._remaining(size, given)):
                totals[index] += weight * Fraction(remaining, left)
        return tuple(totals)

    def simulate(self, levels: NDArray[np.integer[Any]], rng: np.random.Generator) -> NDArray[np.int8]:
        """Arms of whole simulated studies, for planning and tests: blocks drawn whole, all trials at once.

        Parameters
        ----------
        levels : ndarray of int, shape (trials, clients, factors)
            Every client's level of every factor, in the order of enrolment.
        rng : numpy.random.Generator

        Returns
        -------
        ndarray of int8, shape (trials, clients)
            Index of the arm.
        """
        strata = combined_levels(levels)
        arms = np.zeros(strata.shape, dtype=np.int8)
        for code in np.unique(strata):
            here = strata == code
            place = np.cumsum(here, axis=1) - 1
            sequence = self._sequences(strata.shape[0], int(here.sum(axis=1).max()), rng)
            rows, _ = np.nonzero(here)
            arms[here] = sequence[rows, place[here]]
        return arms

    def describe(self) -> dict[str, Any]:
        """Everything that is needed to make the method again."""
        return {
            "method": "permuted blocks",
            "arms": list(self.arms),
            "ratio": list(self.ratio),
            "block_sizes": list(self.block_sizes),
            "factors": list(self.factors),
        }

    def _key(self, stratum: Factors) -> tuple[str, ...]:
        return tuple(stratum[factor] for factor in self.factors)

    def _new_block(self) -> Belief:
        share = Fraction(1, len(self.block_sizes))
        nothing = (0,) * len(self.arms)
        return {(size, nothing): share for size in self.block_sizes}

    def _remaining(self, size: int, given: tuple[int, ...]) -> tuple[int, ...]:
        rounds = size // sum(self.ratio)
        return tuple(rounds * part - used for part, used in zip(self.ratio, given, strict=True))

    def _updated(self, belief: Belief, arm: int) -> Belief:
        """Bayes' rule for one more arm; a block that is full gives way to a new one of unknown size."""
        joint: dict[Hidden, Fraction] = defaultdict(Fraction)
        for (size, given), weight in belief.items():
            likelihood = Fraction(self._remaining(size, given)[arm], size - sum(given))
            if likelihood == 0:
                continue
            now = tuple(used + (index == arm) for index, used in enumerate(given))
            if sum(now) < size:
                joint[size, now] += weight * likelihood
            else:
                for hidden, share in self._new_block().items():
                    joint[hidden] += weight * likelihood * share
        total = sum(joint.values())
        if total == 0:
            raise ArgumentError(
                where="arms so far",
                expected="a sequence that permuted blocks can give",
                got=f"{self.arms[arm]} where it cannot come next",
            )
        return {hidden: weight / total for hidden, weight in joint.items()}

    def _sequences(self, trials: int, length: int, rng: np.random.Generator) -> NDArray[np.int8]:
        """Blocks drawn whole: shape (trials, length); the last block is cut where the clients end."""
        longest = max(self.block_sizes)
        number = -(-length // min(self.block_sizes))
        ends = np.cumsum(rng.choice(np.array(self.block_sizes), size=(trials, number)), axis=1)
        place = np.arange(length + longest)
        starts_here = np.zeros((trials, place.size), dtype=np.int64)
        row, number_of_end = np.nonzero(ends < place.size)
        starts_here[row, ends[row, number_of_end]] = 1
        block = np.cumsum(starts_here, axis=1)
        begins = np.concatenate([np.zeros((trials, 1), dtype=ends.dtype), ends], axis=1)
        offset = place[None, :] - np.take_along_axis(begins, block, axis=1)
        pattern = np.repeat(np.arange(len(self.arms), dtype=np.int8), self.ratio)
        unshuffled = pattern[offset % pattern.size]
        order = np.argsort(block + rng.random(block.shape), axis=1)
        return np.take_along_axis(unshuffled, order, axis=1)[:, :length]
