"""Minimisation with a random element.

For the next client, each arm is tried in thought: how far apart would the arms then be at the
client's level of every factor? The arm with the smallest sum of distances is preferred, and given
with a stated probability below one, so that nobody can foresee it.

Sources: Taves DR, Clinical Pharmacology and Therapeutics 1974;15:443; Pocock SJ, Simon R,
Biometrics 1975;31:103 (both from memory; worked check in the tests).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from studykit.allocation.method import Factors, check_arms
from studykit.errors import ArgumentError, DesignError

Distance = Literal["range", "variance", "total"]
Counts = Mapping[tuple[str, str], tuple[int, ...]]
"""Clients per arm at every level of every factor so far; ``("", "")`` is the whole study."""

_WHOLE = ("", "")


@dataclass(frozen=True, slots=True)
class Minimisation:
    """Minimisation with a random element, for equal arms.

    Parameters
    ----------
    arms : tuple of str
        Codes of the arms.
    factors : tuple of str
        Client facts to balance on.
    weights : tuple of int
        One per factor, from 1; empty for equal weights.
    overall : int
        Weight of the balance in the whole study; 0 leaves it out.
    distance : {"range", "variance", "total"}
        How far apart the counts of the arms are at one level, after the arm tried has got the
        client: largest less smallest; their variance; or simply the count of the arm tried
        (marginal totals).
    preferred_probability : Fraction
        Probability of the preferred arm; the others share the rest. Among arms that are equally
        good each is as likely to be the preferred one.
    ratio : tuple of int
        Only equal arms are possible; it is here so that a refusal can say why.

    Raises
    ------
    ArgumentError
        If the settings do not fit each other.
    DesignError
        If the ratio is unequal: the chance of each arm would then change from client to client,
        and the re-randomisation test would not hold.

    Examples
    --------
    >>> method = Minimisation(("a", "b"), factors=("sex", "age"))
    >>> state = method.after(method.start(), {"sex": "f", "age": "under 50"}, "a")
    >>> method.next_probabilities(state, {"sex": "f", "age": "50 and over"})
    (Fraction(1, 5), Fraction(4, 5))
    """

    arms: tuple[str, ...]
    factors: tuple[str, ...]
    weights: tuple[int, ...] = ()
    overall: int = 0
    distance: Distance = "range"
    preferred_probability: Fraction = Fraction(4, 5)
    ratio: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        ratio = self.ratio or (1,) * len(self.arms)
        check_arms(self.arms, ratio)
        if len(set(ratio)) > 1:
            raise DesignError(
                where="minimisation",
                expected="equal arms",
                got=f"the ratio {':'.join(map(str, ratio))}",
                todo="With unequal arms the chance of each arm changes from client to client; "
                "use permuted blocks.",
            )
        weights = self.weights or (1,) * len(self.factors)
        _check_weights(self.factors, weights, self.overall)
        if self.distance not in get_args(Distance):
            raise ArgumentError(
                where="distance", expected=f"one of {', '.join(get_args(Distance))}", got=repr(self.distance)
            )
        if not Fraction(1, len(self.arms)) < self.preferred_probability < 1:
            raise ArgumentError(
                where="preferred_probability",
                expected=f"more than 1/{len(self.arms)} and less than 1",
                got=str(self.preferred_probability),
                todo="Without a random element the next arm can be foreseen.",
            )
        object.__setattr__(self, "ratio", (1,) * len(self.arms))
        object.__setattr__(self, "weights", weights)
        object.__setattr__(self, "preferred_probability", Fraction(self.preferred_probability))

    @property
    def carries_over(self) -> bool:
        """Yes: clients allocated before an amendment count in the balance."""
        return True

    def start(self) -> Counts:
        """The state before the first client."""
        return {}

    def after(self, state: Counts, stratum: Factors, arm: str) -> Counts:
        """The state after one more client; arms and factors of an earlier method are passed over."""
        if arm not in self.arms:
            return state
        place = self.arms.index(arm)
        keys = [_WHOLE, *((factor, stratum[factor]) for factor in self.factors if factor in stratum)]
        changed = {key: _one_more(self._counts(state, key), place) for key in keys}
        return {**state, **changed}

    def next_probabilities(self, state: Counts, stratum: Factors) -> tuple[Fraction, ...]:
        """Exact probability of each arm for the next client."""
        distances = self.total_distances(state, stratum)
        best = [distance == min(distances) for distance in distances]
        return self._shares(best)

    def total_distances(self, state: Counts, stratum: Factors) -> tuple[int, ...]:
        """Weighted sum of distances if each arm got the client; variances are times arms squared."""
        keys = [(factor, stratum[factor]) for factor in self.factors]
        weighted = [*zip(keys, self.weights, strict=True), (_WHOLE, self.overall)]
        return tuple(
            sum(
                weight * self._distance(self._counts(state, key), place) for key, weight in weighted if weight
            )
            for place in range(len(self.arms))
        )

    def simulate(self, levels: NDArray[np.integer[Any]], rng: np.random.Generator) -> NDArray[np.int8]:
        """Arms of whole simulated studies, all trials at once, client after client.

        Parameters
        ----------
        levels : ndarray of int, shape (trials, clients, factors)
            Every client's level of every factor, from 0, in the order of enrolment.
        rng : numpy.random.Generator

        Returns
        -------
        ndarray of int8, shape (trials, clients)
        """
        trials, clients, factors = levels.shape
        number = len(self.arms)
        # The whole study is one more factor with a single level.
        everybody = np.zeros((trials, clients, 1), dtype=levels.dtype)
        extended = np.concatenate([levels, everybody], axis=2)
        weights = np.array([*self.weights, self.overall])
        counts = np.zeros((trials, factors + 1, int(extended.max(initial=0)) + 1, number), dtype=np.int64)
        trial, factor = np.arange(trials)[:, None], np.arange(factors + 1)[None, :]
        arms = np.zeros((trials, clients), dtype=np.int8)
        for client in range(clients):
            level = extended[:, client, :]
            here = counts[trial, factor, level]
            distances = np.stack(
                [self._many_distances(here, place) @ weights for place in range(number)], axis=1
            )
            arms[:, client] = self._many_draws(distances, rng)
            counts[trial, factor, level, arms[:, client][:, None]] += 1
        return arms

    def describe(self) -> dict[str, Any]:
        """Everything that is needed to make the method again."""
        return {
            "method": "minimisation",
            "arms": list(self.arms),
            "ratio": list(self.ratio),
            "factors": list(self.factors),
            "weights": list(self.weights),
            "overall": self.overall,
            "distance": self.distance,
            "preferred_probability": str(self.preferred_probability),
        }

    def _counts(self, state: Counts, key: tuple[str, str]) -> tuple[int, ...]:
        return state.get(key, (0,) * len(self.arms))

    def _distance(self, counts: tuple[int, ...], place: int) -> int:
        tried = _one_more(counts, place)
        if self.distance == "range":
            return max(tried) - min(tried)
        if self.distance == "variance":
            return len(tried) * sum(count * count for count in tried) - sum(tried) ** 2
        return tried[place]

    def _shares(self, best: list[bool]) -> tuple[Fraction, ...]:
        """One of the best is preferred, each as likely; it gets its probability, the others the rest."""
        number, tied = len(best), sum(best)
        rest = (1 - self.preferred_probability) / (number - 1)
        preferred = Fraction(1, tied)
        return tuple(
            preferred * self.preferred_probability + (1 - preferred) * rest if good else rest for good in best
        )

    def _many_distances(self, here: NDArray[np.int64], place: int) -> NDArray[np.int64]:
        """`_distance` for counts of shape (trials, factors, arms)."""
        tried = here.copy()
        tried[:, :, place] += 1
        if self.distance == "range":
            spread: NDArray[np.int64] = tried.max(axis=2) - tried.min(axis=2)
            return spread
        if self.distance == "variance":
            variance: NDArray[np.int64] = tried.shape[2] * (tried**2).sum(axis=2) - tried.sum(axis=2) ** 2
            return variance
        total: NDArray[np.int64] = tried[:, :, place]
        return total

    def _many_draws(self, distances: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.intp]:
        """One arm per trial from distances of shape (trials, arms)."""
        trials, number = distances.shape
        best = distances == distances.min(axis=1, keepdims=True)
        preferred = np.argmax(np.where(best, rng.random((trials, number)), -1.0), axis=1)
        step = rng.integers(1, number, size=trials)
        kept = rng.random(trials) < float(self.preferred_probability)
        drawn: NDArray[np.intp] = np.where(kept, preferred, (preferred + step) % number)
        return drawn


def _one_more(counts: tuple[int, ...], place: int) -> tuple[int, ...]:
    return tuple(count + (index == place) for index, count in enumerate(counts))


def _check_weights(factors: tuple[str, ...], weights: tuple[int, ...], overall: int) -> None:
    whole = all(isinstance(weight, int) and not isinstance(weight, bool) for weight in (*weights, overall))
    if len(weights) != len(factors) or not whole or min((*weights, 1)) < 1 or overall < 0:
        raise ArgumentError(
            where="weights",
            expected=f"a whole number from 1 for each of the {len(factors)} factors, and overall from 0",
            got=f"{weights!r}, overall {overall!r}",
        )
    if not factors and not overall:
        raise ArgumentError(where="factors", expected="at least one factor, or a weight overall", got="none")
