"""What the way of drawing promises before the first client: balance of the arms, and what can be guessed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.allocation.asked import method_for
from studykit.allocation.foresight import Foresight, foresee
from studykit.protocol.types import Protocol
from studykit.randomness import stream

_SIMULATED = 40_000  # clients in all simulated studies together
_GUESSED = 2_000  # clients whose next arm is worked out exactly, the slow part
_SEED = 1  # fixed: the same protocol gives the same figures


def foreseen_drawing(protocol: Protocol, *, clients: int) -> Foresight | None:
    """Expected imbalance and predictability of the protocol's method, by simulating the method itself.

    Parameters
    ----------
    protocol : Protocol
        Without findings that stop its use.
    clients : int
        In all arms together.

    Returns
    -------
    Foresight or None
        ``None`` where clients are not drawn one by one here: a trial allocated elsewhere, or trainers who
        are drawn together or deliver one arm each. Where clients get both arms, an arm stands for an order
        or a side.

    Notes
    -----
    Simulated clients come in random order, each trainer and each value of a stratum as likely.

    Examples
    --------
    >>> from studykit.protocol.protocol_file import read_protocol
    >>> from studykit.shipped import shipped
    >>> ready = read_protocol(shipped("protocols") / "parallel.toml").protocol
    >>> seen = foreseen_drawing(ready, clients=40)
    >>> seen.chance_share < seen.correct_guess_share < 1.0
    True
    """
    method = method_for(protocol)
    if method is None or (protocol.trainers.deliver == "one arm" and not protocol.plan.within):
        return None
    rng = stream(_SEED, "plan", "drawing")
    trials = max(_SIMULATED // clients, 50)
    levels = _levels(protocol, (trials, clients), rng)
    return foresee(method, levels, rng=rng, guessed_trials=max(_GUESSED // clients, 4))


def drawing_sentences(seen: Foresight) -> tuple[str, str]:
    """The same in two lines for an owner.

    Examples
    --------
    >>> seen = Foresight(40, 500, 1.02, 2.0, (("sex", 1.4),), 0.08, 0.69, 0.5)
    >>> for line in drawing_sentences(seen):
    ...     print(line)
    An arm will have about 1.0 clients more or fewer than its share, and seldom more than 2.0.
    Who knows the rule and all arms so far is sure of 8 % of draws, guesses 69 % right (50 % by luck).
    """
    even = (
        f"An arm will have about {seen.mean_imbalance:.1f} clients more or fewer than its share, and seldom "
        f"more than {seen.high_imbalance:.1f}."
    )
    guessed = (
        f"Who knows the rule and all arms so far is sure of {100 * seen.certain_share:.0f} % of draws, "
        f"guesses {100 * seen.correct_guess_share:.0f} % right ({100 * seen.chance_share:.0f} % by luck)."
    )
    return even, guessed


def _levels(protocol: Protocol, shape: tuple[int, int], rng: np.random.Generator) -> NDArray[np.int64]:
    """Level of each stratum of the allocation for every client: shape (trials, clients, strata)."""
    numbers = {stratum.code: len(stratum.levels) for stratum in protocol.strata}
    numbers["trainer"] = protocol.planning.trainers
    columns = [rng.integers(max(numbers[code], 1), size=shape) for code in protocol.allocation.strata]
    return np.stack(columns, axis=-1) if columns else np.empty((*shape, 0), dtype=np.int64)
