"""The ledger's allocations drawn again, for the re-randomisation tests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from studykit.randomness import stream

if TYPE_CHECKING:
    from studykit.allocation.entries import Entry
    from studykit.outcomes.rerandomisation import RedrawnArms
    from studykit.records.rows import Clients

DRAWS = 4_999  # with the one seen, p-values in steps of 1 / 5000
LISTED = 20_000  # so many possible sequences, or fewer, are listed instead of drawn


def drawn_again(
    entries: Sequence[Entry], clients: Clients, *, seed: int, draws: int = DRAWS
) -> RedrawnArms | None:
    """Arms that the method might have given to the same clients in the same order.

    ``None`` where nothing was drawn: a trial that was allocated elsewhere cannot be drawn again.
    """
    from studykit.allocation.acts import allocations_from
    from studykit.allocation.replay import enumerate_replays, replay
    from studykit.allocation.together import replay_trainers
    from studykit.outcomes.rerandomisation import RedrawnArms

    allocations = allocations_from(entries)
    if not allocations:
        return None
    split = next((entry for entry in entries if entry.kind == "split"), None)
    replayed = (
        enumerate_replays(allocations, limit=LISTED) if split is None else replay_trainers(split, allocations)
    )
    if split is not None and replayed is not None and len(replayed.drawn) > LISTED:
        # More splits than can be compared in a reasonable time: so many of them, each as likely.
        chosen = stream(seed, "re-randomisation").integers(len(replayed.drawn), size=draws)
        replayed = replace(replayed, drawn=replayed.drawn[chosen], probability=None)
    if replayed is None:
        replayed = replay(allocations, replicates=draws, rng=stream(seed, "re-randomisation"))
    # The ledger's order of clients and arms, and the order of the rows, are brought together by label.
    arms = np.array([clients.arm_labels.index(arm) for arm in replayed.arms], dtype=np.int8)
    place = {client: index for index, client in enumerate(replayed.clients)}
    columns = [place[client] for client in clients.labels]
    return RedrawnArms(arms[replayed.drawn][:, columns], replayed.probability, split is not None)
