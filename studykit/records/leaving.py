"""Who has left the studio by a day: what the retention clock and a registered notice say together.

One answer for every place that says that somebody left before a test: the tests that an analysis leaves
out under the hypothetical strategy, and the reasons why a test is missing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.protocol.outcome import OutcomeSection
from studykit.records.rows import Integers, RetentionSpells
from studykit.retention.clock import RetentionRule, departures

AFTER_DEPARTURE = "after departure"


def stops_at_departure(outcome: OutcomeSection) -> bool:
    """Whether tests after departure say nothing of the estimand: had training continued (hypothetical)."""
    estimand = outcome.estimand
    return estimand is not None and estimand.strategies.leaves_studio == "hypothetical"


def has_left(
    spells: RetentionSpells, client: Integers, day: NDArray[np.float64], absence: RetentionRule | None
) -> NDArray[np.bool_]:
    """Whether each client has left the studio by a day.

    Parameters
    ----------
    spells : RetentionSpells
    client : ndarray of int, shape (m,)
        Index among the allocated clients; -1 for others, who have not left.
    day : ndarray of float, shape (m,)
        Counted from allocation; nobody has left by a day that is not known.
    absence : RetentionRule or None
        The protocol's absence rule; without it, or without any session on record, the notices alone count.

    Returns
    -------
    ndarray of bool, shape (m,)
        True from the day on which the departure is confirmed, and on the days after a notice. A session
        ends either: who trains again has not left. Within the absence rule, without notice, a client is
        away and has not left.
    """
    rule = absence if spells.rows.supplied else None
    pairs = list(zip(client.tolist(), day.tolist(), strict=True))
    answers = {pair: pair[0] >= 0 and _left(spells, *pair, rule) for pair in dict.fromkeys(pairs)}
    return np.array([answers[pair] for pair in pairs], dtype=bool)


def _left(spells: RetentionSpells, client: int, day: float, rule: RetentionRule | None) -> bool:
    if _after_notice(spells, client, day):
        return True
    return rule is not None and any(
        gone.confirmed_on <= day and (gone.returned_on is None or day < gone.returned_on)
        for gone in departures(spells.histories[client], rule)
    )


def _after_notice(spells: RetentionSpells, client: int, day: float) -> bool:
    notice = spells.registered_on[client]
    came_back = any(notice < seen <= day for seen in spells.histories[client].attended)
    return bool(notice < day) and not came_back
