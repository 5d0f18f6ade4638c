"""What was known by each session: whether partner reps had begun, and how often the client had come lately.

Everything is read from sessions up to and including the one in question, never from later ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.lookback.episodes import Episodes
from studykit.lookback.log import UNKNOWN, AttendanceLog
from studykit.results import frozen_array

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Bools = NDArray[np.bool_]

RECENT_DAYS = 28  # countable days


@dataclass(frozen=True, slots=True, eq=False)
class SessionFacts:
    """Per session of `Episodes`, in the same order.

    Parameters
    ----------
    known : ndarray of bool, shape (m,)
        It was written whether partner reps were done.
    done, begun : ndarray of bool, shape (m,)
        Partner reps in this session; in this or any earlier one of the records.
    recent, overall : ndarray of float, shape (m,)
        Logarithm of earlier sessions a week, over the `RECENT_DAYS` countable days before, and over all
        known days before (see `log_rate`).
    trainer : ndarray of int, shape (m,)
    """

    known: Bools
    done: Bools
    begun: Bools
    recent: Floats
    overall: Floats
    trainer: Integers


def log_rate(earlier: Integers, days: Integers) -> Floats:
    """Logarithm of sessions a week, drawn towards one a week by one session in one week.

    Without that a client on the first day would have come infinitely often, or never.

    Examples
    --------
    >>> log_rate(np.array([0, 7]), np.array([0, 28])).round(3).tolist()
    [0.0, 0.47]
    """
    return np.asarray(np.log(7.0 * (earlier + 1.0) / (days + 7.0)), dtype=float)


def session_facts(log: AttendanceLog, episodes: Episodes) -> SessionFacts:
    """Read exposure and attendance up to each session."""
    marks = log.session_partner_reps[episodes.row]
    done = marks > 0
    first = first_rows(episodes.episode)
    so_far = np.cumsum(done)
    begun = so_far - (so_far - done)[first] > 0
    place = np.arange(done.size)
    known = marks != UNKNOWN
    step = int(episodes.countable.max(initial=0)) + RECENT_DAYS + 1
    key = episodes.episode * step + episodes.countable
    window = np.searchsorted(key, np.maximum(key - RECENT_DAYS, episodes.episode * step), side="left")
    return SessionFacts(
        known=frozen_array(known),
        done=frozen_array(done),
        begun=frozen_array(begun),
        recent=frozen_array(log_rate(place - window, np.minimum(episodes.countable, RECENT_DAYS))),
        overall=frozen_array(log_rate(place - first, episodes.countable)),
        trainer=frozen_array(log.session_trainer[episodes.row]),
    )


def first_rows(owner: Integers) -> Integers:
    """For every row, the first row of the same owner; owners are sorted.

    Examples
    --------
    >>> first_rows(np.array([0, 0, 3, 3, 3])).tolist()
    [0, 0, 2, 2, 2]
    """
    return np.asarray(np.searchsorted(owner, owner, side="left"), dtype=np.int64)


def at_first_session(episodes: Episodes, values: Integers, *, missing: int) -> Integers:
    """What ``values``, one per session, are at each client's first session.

    Parameters
    ----------
    episodes : Episodes
    values : ndarray of int, shape (m,)
    missing : int
        For clients without any session.

    Returns
    -------
    ndarray of int, shape (n,)
    """
    owner = episodes.episode
    first = np.flatnonzero(first_rows(owner) == np.arange(len(owner)))
    found = np.full(len(episodes.client), missing)
    found[owner[first]] = values[first]
    return found
