"""The method run again on the same clients in the same order: the reference set of a re-randomisation test.

What is kept fixed is what the method was told: the order of enrolment and every client's stratum as
recorded at allocation. What is drawn again is everything that was random, block sizes too.

A replay draws with numpy; a seed gives the same replay on one set of versions (numpy does not
promise more, NEP 19). The real allocations never depend on that.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.allocation.acts import Allocation
from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.coins import BiasedCoin, Simple
from studykit.allocation.entries import canonical
from studykit.allocation.method import AllocationMethod
from studykit.allocation.methods import method_from
from studykit.allocation.minimisation import Minimisation
from studykit.allocation.past import Past
from studykit.errors import ArgumentError, DesignError
from studykit.results import frozen_array


@dataclass(frozen=True, slots=True)
class Replayed:
    """What happened, and what might have happened instead.

    Parameters
    ----------
    arms : tuple of str
        Codes; the arrays hold indices into it.
    clients : tuple of str
        In the order of enrolment.
    observed : ndarray of int8, shape (clients,)
    drawn : ndarray of int8, shape (replicates, clients)
    probability : ndarray of float, shape (replicates,), or None
        Of each row where all possible rows are listed; none where they were drawn at random.
    """

    arms: tuple[str, ...]
    clients: tuple[str, ...]
    observed: NDArray[np.int8]
    drawn: NDArray[np.int8]
    probability: NDArray[np.float64] | None = None

    @property
    def is_exact(self) -> bool:
        """Whether every possible allocation is listed."""
        return self.probability is not None


def replay(allocations: Sequence[Allocation], *, replicates: int, rng: np.random.Generator) -> Replayed:
    """Draw the whole sequence of allocations again, many times.

    Parameters
    ----------
    allocations : sequence of Allocation
        As the ledger gives them; each carries the method in force when it was made.
    replicates : int
        From 1.
    rng : numpy.random.Generator

    Returns
    -------
    Replayed
        ``drawn`` has shape (replicates, clients).

    Raises
    ------
    ArgumentError
        If there is nothing to replay.
    DesignError
        If trainers were allocated, and not clients.
    """
    if replicates < 1 or not allocations:
        raise ArgumentError(where="replay", expected="at least one allocation and one replicate", got="none")
    if any(made.method["method"] == "with trainer" for made in allocations):
        raise DesignError(
            where="replay",
            expected="clients who were drawn one at a time",
            got="clients who got the arm of their trainer",
            todo="Replay the split of the trainers.",
        )
    arms = _all_arms(allocations)
    runs = [
        list(run) for _, run in itertools.groupby(allocations, key=lambda made: canonical(dict(made.method)))
    ]
    methods = [method_from(_drawn_by(run[0])) for run in runs]
    if len(runs) == 1 or not any(method.carries_over for method in methods):
        parts = [
            _in_arms(arms, method, method.simulate(_levels(run, method, replicates), rng))
            for method, run in zip(methods, runs, strict=True)
        ]
        drawn = np.concatenate(parts, axis=1)
    else:
        drawn = np.stack([_one_by_one(allocations, arms, rng) for _ in range(replicates)])
    return Replayed(arms, _clients(allocations), _observed(allocations, arms), frozen_array(drawn, np.int8))


def enumerate_replays(allocations: Sequence[Allocation], *, limit: int = 20_000) -> Replayed | None:
    """Every sequence of arms that could have come, with its probability; nothing if more than ``limit``.

    Examples
    --------
    >>> enumerate_replays(()) is None
    True
    """
    if not allocations or _fewest_sequences(allocations) > limit:
        return None
    arms = _all_arms(allocations)
    # Each step keeps every run that is possible so far; methods and their states are those of `Past`.
    runs: list[tuple[tuple[int, ...], Fraction, Past]] = [((), Fraction(1), Past())]
    for made in allocations:
        method = method_from(_drawn_by(made))
        text = canonical(dict(made.method))
        longer = []
        for run, share, past in runs:
            for arm, step in zip(
                method.arms, method.next_probabilities(past.state(method, text), made.stratum), strict=True
            ):
                if step:
                    longer.append(
                        ((*run, arms.index(arm)), share * step, past.with_one_more(made.stratum, arm, text))
                    )
        if len(longer) > limit:
            return None
        runs = longer
    return Replayed(
        arms,
        _clients(allocations),
        _observed(allocations, arms),
        frozen_array([run for run, _, _ in runs], np.int8),
        frozen_array([float(share) for _, share, _ in runs], np.float64),
    )


def strata_as_levels(strata: Sequence[Mapping[str, str]], factors: Sequence[str]) -> NDArray[np.int64]:
    """Numbers in place of texts: shape (clients, factors); levels in sorted order from 0."""
    columns = []
    for factor in factors:
        values = [stratum[factor] for stratum in strata]
        known = {value: number for number, value in enumerate(sorted(set(values)))}
        columns.append([known[value] for value in values])
    return np.array(columns, dtype=np.int64).reshape(len(columns), len(strata)).T


def _fewest_sequences(allocations: Sequence[Allocation]) -> int:
    """So many sequences of arms are possible, or more: told at once, so that hopeless lists are not begun."""
    method = method_from(_drawn_by(allocations[0]))
    if len({canonical(dict(made.method)) for made in allocations}) > 1:
        return 1
    if isinstance(method, Minimisation | BiasedCoin | Simple):
        return int(len(method.arms) ** len(allocations))  # no arm is ever impossible
    if not isinstance(method, PermutedBlocks):
        return 1
    # All blocks of the smallest size are one possibility; each full one can be arranged in so many ways.
    size = min(method.block_sizes)
    rounds = size // sum(method.ratio)
    ways = math.factorial(size) // math.prod(math.factorial(rounds * part) for part in method.ratio)
    clients = Counter(tuple(made.stratum[factor] for factor in method.factors) for made in allocations)
    return math.prod(ways ** (number // size) for number in clients.values())


def _all_arms(allocations: Sequence[Allocation]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(arm for made in allocations for arm in made.method["arms"]))


def _clients(allocations: Sequence[Allocation]) -> tuple[str, ...]:
    return tuple(made.client for made in allocations)


def _observed(allocations: Sequence[Allocation], arms: tuple[str, ...]) -> NDArray[np.int8]:
    return frozen_array([arms.index(made.arm) for made in allocations], np.int8)


def _levels(run: Sequence[Allocation], method: AllocationMethod[Any], replicates: int) -> NDArray[np.int64]:
    levels = strata_as_levels([made.stratum for made in run], method.factors)
    return np.broadcast_to(levels, (replicates, *levels.shape))


def _in_arms(
    arms: tuple[str, ...], method: AllocationMethod[Any], drawn: NDArray[np.int8]
) -> NDArray[np.int8]:
    places = np.array([arms.index(arm) for arm in method.arms], dtype=np.int8)
    renamed: NDArray[np.int8] = places[drawn]
    return renamed


def _one_by_one(
    allocations: Sequence[Allocation], arms: tuple[str, ...], rng: np.random.Generator
) -> NDArray[np.int8]:
    """One replicate by the exact rule: slow, but right for any change of method on the way."""
    past = Past()
    methods = {canonical(dict(made.method)): method_from(_drawn_by(made)) for made in allocations}
    drawn = []
    for made in allocations:
        text = canonical(dict(made.method))
        method = methods[text]
        exact = method.next_probabilities(past.state(method, text), made.stratum)
        shares = np.array([float(share) for share in exact])
        arm = method.arms[int(rng.choice(len(shares), p=shares / shares.sum()))]
        past.add(made.stratum, arm, text)
        drawn.append(arms.index(arm))
    return np.array(drawn, dtype=np.int8)


def _drawn_by(made: Allocation) -> Mapping[str, Any]:
    """The method that made the draw; for a slip, the one that made the list."""
    inner: Mapping[str, Any] = made.method.get("drawn_by", made.method)
    return inner
