"""Client-days and departures by trainer, calendar month, time since joining, and adopted or not.

A departure is dated by the last session here: dated by its confirmation, departures of four weeks before the
adoption would be counted after it. Follow-up ends on the last day after which an absence can still be
confirmed. A client belongs to the trainer of the first session in the records throughout, so that
nobody changes sides because of the adoption.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.lookback.episodes import Episodes, at_first_session, leave_out
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, AttendanceLog, Bools, Floats, Integers
from studykit.results import RowCount

BANDS = (0, 28, 84, 182)  # days since joining at which bands begin
NEVER = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True, eq=False)
class FollowUp:
    """When each client was at risk of leaving, days on the log's scale.

    Parameters
    ----------
    joined, start, end : ndarray of int, shape (n,)
        At risk on days ``start`` to ``end - 1``.
    left : ndarray of bool, shape (n,)
        The last of these days was the client's last.
    trainer : ndarray of int, shape (n,)
    """

    joined: Integers
    start: Integers
    end: Integers
    left: Bools
    trainer: Integers

    def select(self, kept: Bools) -> FollowUp:
        """Some clients."""
        return FollowUp(
            self.joined[kept], self.start[kept], self.end[kept], self.left[kept], self.trainer[kept]
        )


@dataclass(frozen=True, slots=True, eq=False)
class AdoptionCells:
    """Sums, one entry per cell with client-days in it.

    Parameters
    ----------
    trainer, month, band : ndarray of int, shape (c,)
        Month counted from 0 for the first one of the records.
    adopted : ndarray of bool, shape (c,)
    adopter : ndarray of bool, shape (c,)
        The trainer adopts at some time within the records.
    since : ndarray, shape (c,)
        Months since the trainer's adoption at the middle of the cell; negative before, ``nan`` for others.
    days, departures : ndarray, shape (c,)
    first_month : int
        Month of the year, 0 to 11, in which the records begin.
    """

    trainer: Integers
    month: Integers
    band: Integers
    adopted: Bools
    adopter: Bools
    since: Floats
    days: Floats
    departures: Floats
    first_month: int


def follow_up(log: AttendanceLog, episodes: Episodes) -> tuple[FollowUp, RowCount]:
    """When clients were at risk, for those whose trainer is known and did not adopt before the records."""
    trainer = at_first_session(episodes, log.session_trainer[episodes.row], missing=NEVER)
    begin = at_first_session(episodes, episodes.day, missing=NEVER // 2) + episodes.joined
    start = np.where(episodes.new, episodes.joined, begin)
    last = episodes.joined + episodes.last_attended
    cut = episodes.cut_day + 1
    end = np.minimum(np.where(episodes.event, last + 1, cut), cut)
    earlier = np.append((log.adopted != UNKNOWN_DAY) & (log.adopted <= log.first_day), False)
    kept, count = leave_out(
        episodes.clients,
        ("never came", trainer == NEVER),
        ("trainer of the first session not recorded", trainer == UNKNOWN),
        ("came too late to be judged", (start >= end) & (trainer != NEVER)),
        (
            "their trainer worked with partner reps before the records begin",
            earlier[np.where(trainer == NEVER, UNKNOWN, trainer)],
        ),
    )
    found = FollowUp(episodes.joined, start, end, episodes.event & (last + 1 <= cut), trainer)
    return found.select(kept), count


def adoption_cells(follow: FollowUp, adopted: Integers, *, first_day: int, last_day: int) -> AdoptionCells:
    """Sum days at risk and departures by cell.

    Parameters
    ----------
    follow : FollowUp
    adopted : ndarray of int, shape (trainers,)
        `UNKNOWN_DAY` for trainers who did not adopt.
    first_day, last_day : int
        Of the days to sum over.
    """
    at_risk, leaving = daily_counts(follow, len(adopted), first_day, last_day)
    day = np.arange(first_day, last_day + 1)
    month = (np.datetime64(0, "D") + day).astype("datetime64[M]").astype(np.int64)
    on = np.where(adopted == UNKNOWN_DAY, NEVER, adopted)
    after = day[None, :] >= on[:, None]
    code = 2 * (month - month[0])[None, :] + after  # shape (trainers, days)
    cells = int(code.max()) + 1
    sums = [np.zeros((len(adopted), len(BANDS), cells)) for _ in range(3)]
    for t in range(len(adopted)):
        for b in range(len(BANDS)):
            for place, value in enumerate((at_risk[b, t], leaving[b, t], at_risk[b, t] * day)):
                sums[place][t, b] = np.bincount(code[t], value, minlength=cells)
    trainer, band, cell = np.nonzero(sums[0])
    days = sums[0][trainer, band, cell]
    middle = sums[2][trainer, band, cell] / days
    adopter = on[trainer] != NEVER
    since = np.full(len(days), np.nan)
    since[adopter] = (middle - on[trainer])[adopter] * 12.0 / 365.25
    return AdoptionCells(
        trainer=trainer,
        month=cell // 2,
        band=band,
        adopted=cell % 2 == 1,
        adopter=adopter,
        since=since,
        days=days,
        departures=sums[1][trainer, band, cell],
        first_month=int(month[0] % 12),
    )


def daily_counts(follow: FollowUp, trainers: int, first_day: int, last_day: int) -> tuple[Floats, Floats]:
    """Clients at risk and departures by band of time since joining, trainer, and day."""
    span = last_day - first_day + 1
    changes = np.zeros((len(BANDS), trainers, span + 1))
    leaving = np.zeros((len(BANDS), trainers, span))
    for place, begins in enumerate(BANDS):
        ends = BANDS[place + 1] if place + 1 < len(BANDS) else NEVER // 2
        low = np.maximum(np.maximum(follow.start, follow.joined + begins), first_day)
        high = np.minimum(np.minimum(follow.end, follow.joined + ends), last_day + 1)
        inside = low < high
        np.add.at(changes[place], (follow.trainer[inside], low[inside] - first_day), 1.0)
        np.add.at(changes[place], (follow.trainer[inside], high[inside] - first_day), -1.0)
        gone = inside & follow.left & (high == follow.end)
        np.add.at(leaving[place], (follow.trainer[gone], follow.end[gone] - 1 - first_day), 1.0)
    return np.cumsum(changes, axis=2)[:, :, :span], leaving
