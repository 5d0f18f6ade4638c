"""Simple randomisation and the biased coin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.allocation.method import Factors, check_arms, combined_levels
from studykit.errors import ArgumentError

Lead = Mapping[tuple[str, ...], int]
"""By how many clients the first arm is ahead in each stratum."""


@dataclass(frozen=True, slots=True)
class Simple:
    """Every client by a fresh draw that knows nothing of the others.

    Parameters
    ----------
    arms : tuple of str
    ratio : tuple of int
        Empty for equal arms.
    factors : tuple of str
        Recorded with each allocation; the draw does not use them.

    Examples
    --------
    >>> method = Simple(("a", "b"), ratio=(2, 1))
    >>> method.next_probabilities(method.start(), {})
    (Fraction(2, 3), Fraction(1, 3))
    """

    arms: tuple[str, ...]
    ratio: tuple[int, ...] = ()
    factors: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        ratio = self.ratio or (1,) * len(self.arms)
        check_arms(self.arms, ratio)
        object.__setattr__(self, "ratio", ratio)

    @property
    def carries_over(self) -> bool:
        """It does not matter: the draw has no past."""
        return True

    def start(self) -> None:
        """There is no state."""

    def after(self, state: None, stratum: Factors, arm: str) -> None:
        """There is no state."""

    def next_probabilities(self, state: None, stratum: Factors) -> tuple[Fraction, ...]:  # noqa: ARG002
        """The ratio, always."""
        return tuple(Fraction(part, sum(self.ratio)) for part in self.ratio)

    def simulate(self, levels: NDArray[np.integer[Any]], rng: np.random.Generator) -> NDArray[np.int8]:
        """Arms of whole simulated studies: (trials, clients) from levels (trials, clients, factors)."""
        pattern = np.repeat(np.arange(len(self.arms), dtype=np.int8), self.ratio)
        arms: NDArray[np.int8] = pattern[rng.integers(pattern.size, size=levels.shape[:2])]
        return arms

    def describe(self) -> dict[str, Any]:
        """Everything that is needed to make the method again."""
        return {
            "method": "simple",
            "arms": list(self.arms),
            "ratio": list(self.ratio),
            "factors": list(self.factors),
        }


@dataclass(frozen=True, slots=True)
class BiasedCoin:
    """Two equal arms; in each stratum the arm that is behind is given with a probability above a half.

    Parameters
    ----------
    arms : tuple of str
        Two codes.
    factors : tuple of str
        Client facts whose combinations are the strata.
    behind_probability : Fraction
        Probability of the arm that is behind; more than 1/2 and less than 1.

    Raises
    ------
    ArgumentError
        If there are not two arms, or the probability is out of range.

    References
    ----------
    Efron B. Forcing a sequential experiment to be balanced. Biometrika 1971;58:403.

    Examples
    --------
    >>> coin = BiasedCoin(("a", "b"))
    >>> coin.next_probabilities(coin.after(coin.start(), {}, "a"), {})
    (Fraction(1, 3), Fraction(2, 3))
    """

    arms: tuple[str, ...]
    factors: tuple[str, ...] = ()
    behind_probability: Fraction = Fraction(2, 3)

    def __post_init__(self) -> None:
        check_arms(self.arms, (1,) * len(self.arms))
        if len(self.arms) != 2:
            raise ArgumentError(
                where="arms",
                expected="two arms for a biased coin",
                got=str(len(self.arms)),
                todo="With more arms use minimisation.",
            )
        if not Fraction(1, 2) < self.behind_probability < 1:
            raise ArgumentError(
                where="behind_probability",
                expected="more than 1/2 and less than 1",
                got=str(self.behind_probability),
            )
        object.__setattr__(self, "behind_probability", Fraction(self.behind_probability))

    @property
    def carries_over(self) -> bool:
        """Yes: clients allocated before an amendment count in the balance."""
        return True

    def start(self) -> Lead:
        """The state before the first client."""
        return {}

    def after(self, state: Lead, stratum: Factors, arm: str) -> Lead:
        """The state after one more client; arms and strata of an earlier method are passed over."""
        if arm not in self.arms or not all(factor in stratum for factor in self.factors):
            return state
        key = self._key(stratum)
        return {**state, key: state.get(key, 0) + (1 if arm == self.arms[0] else -1)}

    def next_probabilities(self, state: Lead, stratum: Factors) -> tuple[Fraction, ...]:
        """Exact probability of each arm for the next client in ``stratum``."""
        lead = state.get(self._key(stratum), 0)
        if lead == 0:
            return (Fraction(1, 2), Fraction(1, 2))
        behind, ahead = self.behind_probability, 1 - self.behind_probability
        return (ahead, behind) if lead > 0 else (behind, ahead)

    def simulate(self, levels: NDArray[np.integer[Any]], rng: np.random.Generator) -> NDArray[np.int8]:
        """Arms of whole simulated studies: (trials, clients) from levels (trials, clients, factors)."""
        strata = combined_levels(levels)
        trials, clients = strata.shape
        lead = np.zeros((trials, int(strata.max(initial=0)) + 1), dtype=np.int64)
        row = np.arange(trials)
        arms = np.zeros((trials, clients), dtype=np.int8)
        for client in range(clients):
            ahead = np.sign(lead[row, strata[:, client]])
            first = 0.5 - ahead * (float(self.behind_probability) - 0.5)
            arms[:, client] = rng.random(trials) >= first
            lead[row, strata[:, client]] += 1 - 2 * arms[:, client].astype(np.int64)
        return arms

    def describe(self) -> dict[str, Any]:
        """Everything that is needed to make the method again."""
        return {
            "method": "biased coin",
            "arms": list(self.arms),
            "factors": list(self.factors),
            "behind_probability": str(self.behind_probability),
        }

    def _key(self, stratum: Factors) -> tuple[str, ...]:
        return tuple(stratum[factor] for factor in self.factors)
