"""New starters cloned onto two strategies, with the sessions at which each clone shows that it deviates.

Partner reps can begin at an attended session only. So both strategies say what happens at sessions, days
counted from joining, g being the grace period in days:

- *start within g*: a day is drawn evenly from the first g days, and partner reps begin at the first session
  on or after it. Given the session before on day :math:`d'` (-1 before the first), a session on day d is the
  one with chance :math:`(d-d')/(g-1-d')`, and with certainty from day g - 1 on.
- *do not start within g*: no partner reps on days 0 to g - 1; afterwards anything.

A clone leaves its strategy at the session at which it deviates, never between sessions. A client who stopped
coming before starting has had no further session and stays in both, so that a departure confirmed weeks later
makes nobody immortal. Even spreading over a grace period: Cain et al. 2010, International Journal of
Biostatistics 6(2):18 (from memory).

New starters of an attendance log, as the comparison of strategies from joining needs them.

Who is in is settled by what is known on the day of joining and by the trainer alone: never by what the client
did later, except that a client must have come once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.errors import ArgumentError
from studykit.lookback.adjustment import YEAR, fact_terms, season_term
from studykit.lookback.episodes import (
    Episodes,
    SessionFacts,
    at_first_session,
    first_rows,
    leave_out,
    session_facts,
)
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, AttendanceLog, Bools, Floats, Integers
from studykit.lookback.weighting import Stretches
from studykit.results import RowCount


@dataclass(frozen=True, slots=True, eq=False)
class Starters:
    """New starters and their sessions, in days since joining.

    Parameters
    ----------
    end : ndarray of int, shape (n,)
        Day of the confirmed departure, or last day of follow-up; at least 1.
    departed : ndarray of bool, shape (n,)
    trainer : ndarray of int, shape (n,)
        Of the first session; `UNKNOWN` where nobody knows.
    facts : ndarray of float, shape (n, q)
        Known at joining.
    fact_names : tuple of str
    session_client, session_day, session_trainer, session_partner_reps : ndarray of int, shape (s,)
        Attended sessions sorted by client and day; partner reps 1, 0 or `UNKNOWN`.
    history : ndarray of float, shape (s, h)
        Attendance before each session.
    history_names : tuple of str
    """

    end: Integers
    departed: Bools
    trainer: Integers
    facts: Floats
    fact_names: tuple[str, ...]
    session_client: Integers
    session_day: Integers
    session_trainer: Integers
    session_partner_reps: Integers
    history: Floats
    history_names: tuple[str, ...]

    def __post_init__(self) -> None:
        clients = len(self.end)
        if not (len(self.departed) == len(self.trainer) == len(self.facts) == clients):
            raise ArgumentError(where="new starters", expected="one entry per client in every column")
        if clients and (self.end < 1).any():
            raise ArgumentError(
                where="new starters",
                expected="at least one day of follow-up",
                got=f"{int((self.end < 1).sum())} clients without",
                todo="Leave them out, and count them.",
            )

    def select(self, kept: Bools) -> Starters:
        """The same for some clients, numbered anew."""
        place = np.cumsum(kept) - 1
        rows = kept[self.session_client]
        return Starters(
            self.end[kept],
            self.departed[kept],
            self.trainer[kept],
            self.facts[kept],
            self.fact_names,
            place[self.session_client[rows]],
            self.session_day[rows],
            self.session_trainer[rows],
            self.session_partner_reps[rows],
            self.history[rows],
            self.history_names,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Decisions:
    """Sessions at which partner reps had not begun yet and could begin, one row each.

    Parameters
    ----------
    client, day, trainer : ndarray of int, shape (r,)
    started : ndarray of bool, shape (r,)
        Whether they began at this session.
    strategy_chance : ndarray, shape (r,)
        Chance of beginning here under "start within".
    within : ndarray of bool, shape (r,)
        Whether the session lies in the grace period.
    session : ndarray of int, shape (r,)
        Which of the starters' sessions.
    first : ndarray of int, shape (n + 1,)
        Rows of client i are ``first[i]`` to ``first[i + 1]``.
    """

    client: Integers
    day: Integers
    trainer: Integers
    started: Bools
    strategy_chance: Floats
    within: Bools
    session: Integers
    first: Integers


def _previous_day(client: Integers, day: Integers) -> Integers:
    same = np.r_[False, client[1:] == client[:-1]] if len(client) else np.zeros(0, bool)
    return np.where(same, np.r_[0, day[:-1]] if len(day) else day, -1).astype(np.int64)


def decisions(starters: Starters, grace: int) -> Decisions:
    """The sessions at which the strategies can be told apart.

    Parameters
    ----------
    starters : Starters
        Marks of partner reps known at all those sessions (see `undecidable`).
    grace : int
        Days, at least 1.
    """
    client, day = starters.session_client, starters.session_day
    previous = _previous_day(client, day)
    rows = np.flatnonzero(_open(starters, grace, previous))
    left = grace - 1 - previous[rows]
    chance = np.minimum((day[rows] - previous[rows]) / np.maximum(left, 1), 1.0)
    return Decisions(
        client=client[rows],
        day=day[rows],
        trainer=starters.session_trainer[rows],
        started=starters.session_partner_reps[rows] == 1,
        strategy_chance=np.where(left > 0, chance, 1.0),
        within=day[rows] < grace,
        session=rows,
        first=np.searchsorted(client[rows], np.arange(len(starters.end) + 1)),
    )


def _open(starters: Starters, grace: int, previous: Integers) -> Bools:
    """Sessions up to the first with partner reps, and up to the first after which both are decided."""
    client, day = starters.session_client, starters.session_day
    begun = np.full(len(starters.end), np.iinfo(np.int64).max)
    with_reps = starters.session_partner_reps == 1
    np.minimum.at(begun, client[with_reps], day[with_reps])
    return (day <= begun[client]) & (previous < grace - 1) & (day <= starters.end[client])


def undecidable(starters: Starters, grace: int) -> Bools:
    """Clients with a session in question of which nobody knows whether there were partner reps."""
    client, day = starters.session_client, starters.session_day
    unknown = _open(starters, grace, _previous_day(client, day)) & (starters.session_partner_reps == UNKNOWN)
    found = np.zeros(len(starters.end), dtype=bool)
    found[client[unknown]] = True
    return found


def factors(rows: Decisions, chance: Floats) -> tuple[Floats, Floats]:
    """What each decision multiplies the weights of the two clones by; shape of ``chance``, (m, r).

    "Start within" first. The factor is the strategy's chance of what happened over the chance that it
    happened in the studio; 0 where the clone deviates.
    """
    wanted = rows.strategy_chance
    start = np.where(rows.started, wanted / chance, (1.0 - wanted) / (1.0 - chance))
    refrain = np.where(rows.within, np.where(rows.started, 0.0, 1.0 / (1.0 - chance)), 1.0)
    return start, refrain


def running_products(rows: Decisions, factor: Floats) -> Floats:
    """Weights after each decision: the product of the client's factors so far; shape (m, r)."""
    with np.errstate(divide="ignore"):
        logarithms = np.log(factor)
    finite = np.where(np.isfinite(logarithms), logarithms, 0.0)  # a 0 ends the clone and its stretches
    total = np.cumsum(finite, axis=1)
    before = np.concatenate((np.zeros((len(total), 1)), total), axis=1)[:, rows.first[rows.client]]
    return np.asarray(np.exp(total - before))


def stretches(starters: Starters, rows: Decisions, deviated: Bools, horizon: int) -> Stretches:
    """Follow-up of one set of clones up to the horizon, cut at decisions.

    Parameters
    ----------
    starters, rows
        As given to and by `decisions`.
    deviated : ndarray of bool, shape (r,)
        Decisions at which the clone leaves its strategy; follow-up ends on that day.
    horizon : int
        Last day of follow-up.
    """
    n = len(starters.end)
    last = np.minimum(starters.end, horizon)
    client = np.r_[np.arange(n), rows.client]
    start = np.r_[np.zeros(n, np.int64), rows.day]
    row = np.r_[np.full(n, -1), np.arange(len(rows.client))]
    order = np.lexsort((row, start, client))
    client, start, row = client[order], start[order], row[order]
    following = np.r_[client[1:] == client[:-1], False]
    stop = np.where(following, np.r_[start[1:], 0], last[client])
    ended = np.full(n, np.iinfo(np.int64).max)
    np.minimum.at(ended, rows.client[deviated], rows.day[deviated])
    stop = np.minimum(np.minimum(stop, ended[client]), last[client])
    left = starters.departed & (starters.end <= horizon)
    departed = left[client] & (stop == starters.end[client]) & ~following & (ended[client] > stop)
    kept = stop > start
    return Stretches(client[kept], start[kept], stop[kept], departed[kept], row[kept])


HISTORY_NAMES = (
    "sessions in the 28 days before",
    "sessions since joining",
    "days since the session before",
)
NEVER = np.iinfo(np.int64).max


def starters_of(
    log: AttendanceLog, episodes: Episodes, *, grace: int, facts: SessionFacts | None = None
) -> tuple[Starters, RowCount]:
    """New starters to whom both strategies were open, and how many clients were left out, with reasons.

    Parameters
    ----------
    log : AttendanceLog
    episodes : Episodes
        Of the same log.
    grace : int
        Days within which partner reps begin, or do not.
    facts : SessionFacts, optional
        Read from the log unless given.
    """
    known = session_facts(log, episodes) if facts is None else facts
    everybody = _all_clients(log, episodes, known)
    trainer = everybody.trainer
    came = trainer != NEVER
    begun_by = trainer_begun_on(log)
    open_on = np.where(trainer == UNKNOWN, log.first_day, begun_by[np.where(came, trainer, UNKNOWN)])
    kept, count = leave_out(
        episodes.clients,
        ("joined before the records begin", ~episodes.new),
        ("never came", ~came),
        ("joined before their trainer worked with partner reps", episodes.joined < open_on),
        (
            "not written whether there were partner reps in the weeks in question",
            undecidable(everybody, grace),
        ),
    )
    one_sided = _of_one_sided_trainers(everybody, kept, grace)
    reason = "their trainer began with all new clients, or with none"
    kept, count = leave_out(count, (reason, one_sided), kept=kept)
    return everybody.select(kept), count


def trainer_begun_on(log: AttendanceLog) -> Integers:
    """Day from which each trainer worked with partner reps: as stated, or the first session marked so.

    Shape (trainers + 1,): the last entry, which `UNKNOWN` points to, is the first day of the records.
    """
    first = np.full(len(log.trainers) + 1, NEVER)
    marked = log.session_partner_reps == 1
    np.minimum.at(first, log.session_trainer[marked], log.session_day[marked])
    stated = log.adopted != UNKNOWN_DAY
    first[:-1][stated] = np.minimum(first[:-1], log.adopted)[stated]
    first[-1] = log.first_day
    return first


def _all_clients(log: AttendanceLog, episodes: Episodes, known: SessionFacts) -> Starters:
    owner = episodes.episode
    previous = np.where(first_rows(owner) == np.arange(len(owner)), -1, np.r_[0, episodes.day[:-1]])
    since = np.log1p(episodes.day - previous)
    calendar = (episodes.joined - episodes.joined.mean()) / YEAR
    terms = fact_terms(log.facts, episodes.client)
    return Starters(
        end=episodes.time,
        departed=episodes.event,
        trainer=at_first_session(episodes, known.trainer, missing=NEVER),
        facts=np.column_stack(
            (calendar, season_term(episodes.joined).columns, *(term.columns for term in terms))
        ),
        fact_names=("date of joining", "season", *(term.name for term in terms)),
        session_client=owner,
        session_day=episodes.day,
        session_trainer=known.trainer,
        session_partner_reps=log.session_partner_reps[episodes.row],
        history=np.column_stack((known.recent, known.overall, since)),
        history_names=HISTORY_NAMES,
    )


def _of_one_sided_trainers(starters: Starters, kept: Bools, grace: int) -> Bools:
    """Clients whose first trainer never, or always, began within the grace period with the clients kept."""
    begun = np.zeros(len(starters.end), dtype=bool)
    early = (starters.session_partner_reps == 1) & (starters.session_day < grace)
    begun[starters.session_client[early]] = True
    found = np.zeros(len(starters.end), dtype=bool)
    for label in np.unique(starters.trainer[kept]):
        own = kept & (starters.trainer == label)
        if begun[own].all() or not begun[own].any():
            found |= own
    return found
