"""New starters of an attendance log, as the comparison of strategies from joining needs them.

Who is in is settled by what is known on the day of joining and by the trainer alone: never by what the client
did later, except that a client must have come once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.lookback.adjustment import YEAR, fact_terms, season_term
from studykit.lookback.clones import Starters, undecidable
from studykit.lookback.episodes import Episodes
from studykit.lookback.exposure import SessionFacts, at_first_session, first_rows, session_facts
from studykit.lookback.log import UNKNOWN, UNKNOWN_DAY, AttendanceLog
from studykit.results import RowCount

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Bools = NDArray[np.bool_]

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
    reasons: list[tuple[str, Bools]] = [
        ("joined before the records begin", ~episodes.new),
        ("never came", ~came),
        ("joined before their trainer worked with partner reps", episodes.joined < open_on),
        (
            "not written whether there were partner reps in the weeks in question",
            undecidable(everybody, grace),
        ),
    ]
    kept = np.ones(len(everybody.end), dtype=bool)
    left_out = []
    for reason, wrong in reasons:
        left_out.append((reason, int((kept & wrong).sum())))
        kept &= ~wrong
    one_sided = _of_one_sided_trainers(everybody, kept, grace)
    left_out.append(("their trainer began with all new clients, or with none", int((kept & one_sided).sum())))
    kept &= ~one_sided
    count = RowCount(
        len(log.clients),
        int(kept.sum()),
        tuple((reason, number) for reason, number in (*episodes.clients.left_out, *left_out) if number),
        "clients",
    )
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
