"""What a method of allocation promises, before the first client: balance, and what could be guessed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.allocation.method import AllocationMethod
from studykit.errors import ArgumentError


@dataclass(frozen=True, slots=True)
class Foresight:
    """Balance and predictability of a method, by simulation of the method itself.

    Parameters
    ----------
    clients, trials : int
    mean_imbalance, high_imbalance : float
        Largest distance of an arm's clients from its share in the whole study: mean and 95th
        percentile over trials, in clients.
    imbalance_by_factor : tuple of (str, float)
        Mean, over trials, of the same distance at the worst level of each factor.
    certain_share : float
        Share of clients whose arm could be foreseen with certainty by someone who knows the rule
        and every arm so far.
    correct_guess_share : float
        Share of correct guesses of the best guesser with that knowledge.
    chance_share : float
        Share of correct guesses of someone who always names the commoner arm.
    """

    clients: int
    trials: int
    mean_imbalance: float
    high_imbalance: float
    imbalance_by_factor: tuple[tuple[str, float], ...]
    certain_share: float
    correct_guess_share: float
    chance_share: float


def foresee(
    method: AllocationMethod[Any],
    levels: NDArray[np.integer[Any]],
    *,
    rng: np.random.Generator,
    guessed_trials: int = 100,
) -> Foresight:
    """Simulate a method on clients as they may come.

    Parameters
    ----------
    method : AllocationMethod
    levels : ndarray of int, shape (trials, clients, factors)
        Levels of the method's factors, from 0, of every client in the order of enrolment.
    rng : numpy.random.Generator
    guessed_trials : int
        Trials in which every draw's exact probabilities are worked out (the slow part).

    Raises
    ------
    ArgumentError
        If ``levels`` has another shape, or holds no client.

    Examples
    --------
    Blocks of two: every second arm is certain, three of four guesses are right.

    >>> from studykit.allocation.blocks import PermutedBlocks
    >>> from studykit.randomness import stream
    >>> levels = np.zeros((200, 20, 0), dtype=int)
    >>> seen = foresee(PermutedBlocks(("a", "b"), block_sizes=(2,)), levels, rng=stream(1, "foresee"))
    >>> seen.certain_share, seen.correct_guess_share, seen.mean_imbalance
    (0.5, 0.75, 0.0)
    """
    if levels.ndim != 3 or levels.shape[2] != len(method.factors) or 0 in levels.shape[:2]:
        raise ArgumentError(
            where="levels",
            expected=f"shape (trials, clients, {len(method.factors)})",
            got=str(levels.shape),
        )
    arms = method.simulate(levels, rng)
    trials, clients = arms.shape
    shares = _shares(method)
    whole = _imbalance(arms, np.ones(arms.shape, dtype=bool), shares)
    certain, guessed = _guesses(method, levels[:guessed_trials], arms[:guessed_trials])
    return Foresight(
        clients=clients,
        trials=trials,
        mean_imbalance=float(whole.mean()),
        high_imbalance=float(np.quantile(whole, 0.95)),
        imbalance_by_factor=tuple(
            (factor, _worst_level(arms, levels[:, :, place], shares))
            for place, factor in enumerate(method.factors)
        ),
        certain_share=certain,
        correct_guess_share=guessed,
        chance_share=float(shares.max()),
    )


def _shares(method: AllocationMethod[Any]) -> NDArray[np.float64]:
    """Share of each arm: its probability for the very first client, before anything is known."""
    nobody = dict.fromkeys(method.factors, "0")
    first = method.next_probabilities(method.start(), nobody)
    return np.array([float(share) for share in first])


def _imbalance(
    arms: NDArray[np.int8], here: NDArray[np.bool_], shares: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Per trial, the largest distance of an arm's clients from its share among the clients ``here``."""
    total = here.sum(axis=1)
    distances = [
        np.abs(((arms == arm) & here).sum(axis=1) - total * share) for arm, share in enumerate(shares)
    ]
    return np.asarray(np.max(distances, axis=0), dtype=np.float64)


def _worst_level(
    arms: NDArray[np.int8], levels: NDArray[np.integer[Any]], shares: NDArray[np.float64]
) -> float:
    per_level = [_imbalance(arms, levels == level, shares) for level in np.unique(levels)]
    return float(np.max(per_level, axis=0).mean())


def _guesses(
    method: AllocationMethod[Any], levels: NDArray[np.integer[Any]], arms: NDArray[np.int8]
) -> tuple[float, float]:
    """Share of certain draws, and expected share of correct guesses, by the exact rule."""
    certain, guessed = 0, 0.0
    for trial_levels, trial_arms in zip(levels, arms, strict=True):
        state = method.start()
        for client_levels, arm in zip(trial_levels, trial_arms, strict=True):
            stratum = {
                factor: str(level) for factor, level in zip(method.factors, client_levels, strict=True)
            }
            best = max(method.next_probabilities(state, stratum))
            certain += best == 1
            guessed += float(best)
            state = method.after(state, stratum, method.arms[arm])
    return certain / arms.size, guessed / arms.size
